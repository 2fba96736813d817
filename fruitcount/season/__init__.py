"""The season: which tree when, heat after bloom, and one season against another."""

from fruitcount.season.orchard import OrchardTree, SeasonFacts, before_after, read_trees
from fruitcount.season.queue import QueueLine, due_weeks, harvest_days, queue

__all__ = [
    "OrchardTree",
    "QueueLine",
    "SeasonFacts",
    "before_after",
    "due_weeks",
    "harvest_days",
    "queue",
    "read_trees",
]
