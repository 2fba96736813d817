"""Corrections by hand: what may be changed, the edits, and what they make of a measurement."""
