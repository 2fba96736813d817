"""Thin or leave, how many to keep, which, and the least work to get there."""
