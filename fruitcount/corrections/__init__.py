"""Corrections by hand: what may be changed, the edits, and what they make of a measurement."""

from fruitcount.corrections.apply import *  # noqa: F403
from fruitcount.corrections.edits import *  # noqa: F403
