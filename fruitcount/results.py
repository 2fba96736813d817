"""One photo's result as a row: the one definition of each value in tables, lists and records."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from fruitcount.detect.find import DOUBT_MARGIN
from fruitcount.flags import Flag, flag_names
from fruitcount.pipeline import Result, detection_threshold
from fruitcount.types import Fruitlets, Kind


@dataclass(frozen=True)
class ResultRow:
    """Plain values of one counted photo; None where a value is not known.

    Attributes
    ----------
    photo, sha256, taken_at : str
        File name, hash of its bytes, capture time (empty without one).
    status : {"counted", "could not tell"}
    species, pass_number, plan_choice
        What the grower said.
    verdict, rule, answer : str
        The plan's; ``answer`` is the first line that a person reads.
    count_n : int
        Fruit on this limb that would be crop: green and damaged, not yellowing.
    count_low_n, count_high_n : int
        Of such fruit, how many are likely to be there; None where not known.
    yellowing_n, elsewhere_n : int
        Yellowing on this limb; fruit of other limbs.
    keep_n, keep_low_n, keep_high_n, off_n : int
        To keep with its range, to take off. None where the keep number is not known.
    cuts_n, pinches_n : int
    first_cut_mm : float
        From the base.
    median_size_mm : float
        Middle diameter of the fruit in ``count_n``.
    px_per_mm : float
    scale_source : str
    card_id : int
        -1 without a card.
    length_mm, base_diameter_mm, tip_diameter_mm : float
        Of the limb.
    harvest_before_g, harvest_after_g : float
        Ripe fruit if all stayed, and after the work.
    worst_stress_before_mpa, worst_stress_after_mpa : float
    load_before, load_after : str
    doubt_frac : float
        Share of the fruit on the limb that is doubtful; 1 for a photo without any.
    work_seconds : float
    flags : tuple of str
        Names, see :mod:`fruitcount.flags`.
    """

    photo: str
    sha256: str
    taken_at: str
    status: str
    species: str
    pass_number: int
    plan_choice: str
    verdict: str
    count_n: int | None
    count_low_n: int | None
    count_high_n: int | None
    yellowing_n: int | None
    elsewhere_n: int | None
    keep_n: int | None
    keep_low_n: int | None
    keep_high_n: int | None
    rule: str
    off_n: int | None
    cuts_n: int | None
    first_cut_mm: float | None
    pinches_n: int | None
    median_size_mm: float | None
    px_per_mm: float | None
    scale_source: str
    card_id: int
    length_mm: float | None
    base_diameter_mm: float | None
    tip_diameter_mm: float | None
    harvest_before_g: float | None
    harvest_after_g: float | None
    worst_stress_before_mpa: float | None
    worst_stress_after_mpa: float | None
    load_before: str
    load_after: str
    doubt_frac: float
    work_seconds: float | None
    flags: tuple[str, ...]
    answer: str

    def values(self) -> dict[str, Any]:
        """As plain values by column, ready for JSON or a table."""
        return {**asdict(self), "flags": list(self.flags)}


ROW_COLUMNS = tuple(f.name for f in fields(ResultRow))
# Columns of tables and records of earlier versions.
_EARLIER = {
    "crop_count": "count_n",
    "keep_count": "keep_n",
    "off_count": "off_n",
    "yellowing_count": "yellowing_n",
}


def row_values(kept: Mapping[str, Any]) -> dict[str, Any]:
    """A kept row's values under today's names, whichever version wrote it."""
    return {_EARLIER.get(name, name): value for name, value in kept.items()}


def result_row(result: Result) -> ResultRow:
    """Sum one result up.

    Parameters
    ----------
    result : Result
        As measured, or as corrected by hand.
    """
    measurement, decision = result.measurement, result.decision
    plan, load, fruit = decision.plan, decision.load, measurement.fruitlets
    counted = Flag.COUNT_UNKNOWN not in decision.flags  # never "0" from a photo nothing is seen on
    planned = counted and plan.number_known
    here = fruit.on_limb != 0

    def if_counted(value: int) -> int | None:
        return int(value) if counted else None

    def if_planned(value: float) -> int | None:
        return _whole(value) if planned else None

    return ResultRow(
        photo=measurement.name,
        sha256=measurement.sha256,
        taken_at=measurement.taken_at.isoformat() if measurement.taken_at else "",
        status="counted" if counted else "could not tell",
        species=decision.inputs.species,
        pass_number=plan.pass_number,
        plan_choice=plan.plan_choice,
        verdict=plan.verdict,
        count_n=if_counted(plan.crop_count),
        count_low_n=_whole(measurement.count_range_n[0]),
        count_high_n=_whole(measurement.count_range_n[1]),
        yellowing_n=if_counted((here & (fruit.kind == Kind.YELLOWING)).sum()),
        elsewhere_n=if_counted((~here).sum()),
        keep_n=if_planned(plan.keep_count),
        keep_low_n=if_planned(plan.keep_low_n),
        keep_high_n=if_planned(plan.keep_high_n),
        rule=plan.rule,
        off_n=if_planned(plan.off_count),
        cuts_n=if_counted(len(plan.cuts)),
        first_cut_mm=_known(plan.cuts[0].from_base_mm) if plan.cuts else None,
        pinches_n=if_counted(len(plan.pinches)),
        median_size_mm=_known(fruit.middle_size_mm),
        px_per_mm=_known(measurement.scale.px_per_mm),
        scale_source=measurement.scale.source,
        card_id=measurement.scale.card_id,
        length_mm=_known(measurement.limb.length_mm),
        base_diameter_mm=_known(measurement.limb.base_diameter_mm),
        tip_diameter_mm=_known(measurement.limb.tip_diameter_mm),
        harvest_before_g=_known(load.before.fruit_g),
        harvest_after_g=_known(load.after.fruit_g),
        worst_stress_before_mpa=_known(load.before.worst_stress_mpa),
        worst_stress_after_mpa=_known(load.after.worst_stress_mpa),
        load_before=load.before.verdict,
        load_after=load.after.verdict,
        doubt_frac=_doubt_frac(fruit, detection_threshold(measurement.source) + DOUBT_MARGIN),
        work_seconds=_known(plan.work_seconds),
        flags=tuple(flag_names(decision.flags)),
        answer=decision.plan.answer,
    )


def _whole(value: float) -> int | None:
    return round(value) if math.isfinite(value) else None


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _doubt_frac(fruit: Fruitlets, below: float) -> float:
    here = fruit.on_limb != 0
    doubtful = here & ~fruit.by_hand & (fruit.score < below)
    return float(doubtful.sum() / here.sum()) if here.any() else 1.0
