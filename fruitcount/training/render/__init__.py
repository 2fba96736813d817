"""Seeded, path-traced photographs of stone-fruit limbs with exact truth (needs Mitsuba 3)."""
