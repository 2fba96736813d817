"""Measure the count against known fruit: read truth, pair, score, draw."""
