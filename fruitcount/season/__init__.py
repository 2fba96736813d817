"""The season: which tree when, heat after bloom, and one season against another."""
