"""The JSON record of one result: what was measured, what was said, what was decided and why."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from fruitcount import __version__
from fruitcount.cautions import CAUTIONS_SHORT
from fruitcount.export.words import fruit_actions
from fruitcount.flags import Flag, flag_names
from fruitcount.measurement_record import measurement_to_dict, plain
from fruitcount.pipeline import Decision, Result
from fruitcount.plan.result import Plan

# null, not 0, where the photo did not tell the count
_COUNTS = ("crop_count", "yellowing_count", "keep_count", "off_count")


def _plan(plan: Plan) -> dict[str, Any]:
    out: dict[str, Any] = plain(plan) | {"off_count": plan.off_count}
    if Flag.COUNT_UNKNOWN in plan.flags:
        out |= dict.fromkeys(_COUNTS)
    del out["first_pass"], out["target"]["reasons"]
    return out


def result_to_dict(result: Result) -> dict[str, Any]:
    """One result as JSON values; see :func:`fruitcount.measurement_record.measurement_to_dict`.

    Returns
    -------
    dict
        Keys ``fruitcount`` (version), ``answer``, ``caution``, ``measurement``, ``inputs``,
        ``fruit_actions``, ``plan``, ``load``, ``left_standing`` (for the second pass), ``flags``,
        ``warnings``. Holds no location.
    """
    decision = result.decision
    return {
        "fruitcount": __version__,
        "answer": decision.plan.answer,
        "caution": " ".join(CAUTIONS_SHORT),
        "measurement": measurement_to_dict(result.measurement),
        "inputs": plain(decision.inputs),
        "fruit_actions": fruit_actions(result.measurement.fruitlets, result.decision.plan),
        "plan": _plan(decision.plan),
        "choices": plain(decision.choices),
        "load": plain(decision.load),
        "left_standing": _left_standing(decision),
        "flags": flag_names(decision.flags),
        "warnings": list(decision.warnings),
    }


def _left_standing(decision: Decision) -> dict[str, Any]:
    kept = decision.plan.first_pass
    first: dict[str, Any] = plain(kept) if kept is not None else {}
    return first | ({"kept_count": None} if Flag.COUNT_UNKNOWN in decision.flags else {})


def write_record(path: Path, result: Result) -> None:
    """Write the record as UTF-8 JSON, NaN as null."""
    text = json.dumps(result_to_dict(result), indent=1, allow_nan=False, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")
