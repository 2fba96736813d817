"""One CSV row a photo (RFC 4180), safe to open in a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.cells import safe_cell
from fruitcount.export.words import answer_line
from fruitcount.flags import Flag, flag_names
from fruitcount.pipeline import Result
from fruitcount.types import Kind
from fruitcount.whole_files import written_whole

__all__ = ["ROW_FIELDS", "result_row", "safe_cell", "write_rows"]

ROW_FIELDS = (
    "photo", "sha256", "status", "species", "pass", "verdict", "crop", "yellowing", "elsewhere",
    "keep", "keep_low", "keep_high", "rule", "take_off", "cuts", "first_cut_mm", "pinches",
    "median_diameter_mm", "px_per_mm", "scale_source", "limb_length_mm", "base_diameter_mm",
    "tip_diameter_mm", "harvest_before_g", "harvest_after_g", "worst_stress_before_mpa",
    "worst_stress_after_mpa", "load_before", "load_after", "flags", "answer",
)  # fmt: skip


def _rounded(value: float, places: int = 2) -> float | str:
    return "" if not np.isfinite(value) else round(float(value), places)


def result_row(result: Result) -> dict[str, Any]:
    """One result as a row; a number that could not be told is an empty cell."""
    measurement, plan, load = result.measurement, result.decision.plan, result.decision.load
    fruit = measurement.fruitlets
    here = fruit.on_limb != 0
    sizes = fruit.diameter_mm[here & np.isfinite(fruit.diameter_mm)]
    told = Flag.COUNT_UNKNOWN not in measurement.flags  # never "0" from a photo nothing is seen on
    return {
        "photo": measurement.name,
        "sha256": measurement.sha256,
        "status": "counted" if told else "could not tell",
        "species": result.decision.inputs.species,
        "pass": plan.pass_number,
        "verdict": plan.verdict,
        "crop": plan.crop_count if told else "",
        "yellowing": int(np.sum(here & (fruit.kind == Kind.YELLOWING))) if told else "",
        "elsewhere": int(np.sum(~here)) if told else "",
        "keep": plan.keep_count if told else "",
        "keep_low": _rounded(plan.target.low, 0),
        "keep_high": _rounded(plan.target.high, 0),
        "rule": plan.rule,
        "take_off": plan.off_count if told else "",
        "cuts": len(plan.cuts) if told else "",
        "first_cut_mm": _rounded(plan.cuts[0].from_base_mm, 0) if plan.cuts else "",
        "pinches": len(plan.pinches) if told else "",
        "median_diameter_mm": _rounded(float(np.median(sizes))) if len(sizes) else "",
        "px_per_mm": _rounded(measurement.scale.px_per_mm, 4),
        "scale_source": measurement.scale.source,
        "limb_length_mm": _rounded(measurement.limb.length_mm, 0),
        "base_diameter_mm": _rounded(measurement.limb.base_diameter_mm),
        "tip_diameter_mm": _rounded(measurement.limb.tip_diameter_mm),
        "harvest_before_g": _rounded(load.before.fruit_g, 0),
        "harvest_after_g": _rounded(load.after.fruit_g, 0),
        "worst_stress_before_mpa": _rounded(load.before.worst_stress_mpa),
        "worst_stress_after_mpa": _rounded(load.after.worst_stress_mpa),
        "load_before": load.before.verdict,
        "load_after": load.after.verdict,
        "flags": " ".join(flag_names(result.decision.flags)),
        "answer": answer_line(result.decision),
    }


def write_rows(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    """Write rows with a header; missing fields are empty cells."""
    with (
        written_whole(path.parent) as draft,
        (draft / path.name).open("w", newline="", encoding="utf-8") as file,
    ):
        writer = csv.DictWriter(file, ROW_FIELDS, extrasaction="ignore")
        writer.writeheader()
        for row in rows:
            writer.writerow({name: safe_cell(row.get(name, "")) for name in ROW_FIELDS})
