"""The season: which tree when, heat after bloom, and one season against another."""

from fruitcount.months import season_year
from fruitcount.season.compare import (
    BeforeAfter,
    SeasonFacts,
    SeasonStep,
    before_after,
    season_steps,
)
from fruitcount.season.heat import (
    gdh30,
    gdh_curve,
    gdh_linear,
    harvest_date,
    harvest_days,
    hours_from_days,
)
from fruitcount.season.orchard import OrchardTree, ripening_order, season_part
from fruitcount.season.queue import QueueLine, queue
from fruitcount.season.window import Timing, timing

__all__ = [
    "BeforeAfter",
    "OrchardTree",
    "QueueLine",
    "SeasonFacts",
    "SeasonStep",
    "Timing",
    "before_after",
    "gdh30",
    "gdh_curve",
    "gdh_linear",
    "harvest_date",
    "harvest_days",
    "hours_from_days",
    "queue",
    "ripening_order",
    "season_part",
    "season_steps",
    "season_year",
    "timing",
]
