"""What an evaluation says: one record, as JSON and as a text table."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any

from fruitcount.evaluate import details, limb_scores
from fruitcount.evaluate.intervals import bootstrap_f1
from fruitcount.evaluate.scores import (
    CountErrors,
    Curve,
    Judged,
    Tally,
    count_errors,
    precision_recall_curve,
    tally,
)
from fruitcount.measurement_record import plain
from fruitcount.types import Measurement


@dataclass(frozen=True)
class PhotoFailure:
    """A photo on which the detector raised; it counts as nothing found."""

    name: str
    reason: str


@dataclass(frozen=True, eq=False)
class Evaluation:
    """Figures of one set of photos.

    Attributes
    ----------
    name : str
        The set's name.
    threshold : float
        The shipped threshold at which everything but the curve is counted.
    judged : tuple of Judged
    groups : tuple of str
        Source photo of each entry; tiles of one photo share it.
    tally : Tally
    f1_low, f1_high : float
        95 % bootstrap interval of F1 by source photo.
    curve : Curve
    counts : CountErrors
    seen : tuple of Measurement or None
        What the predictor gave, where it gave a Measurement.
    failures : tuple of PhotoFailure
    seconds_a_photo : float
        Median time of one call of the predictor.
    """

    name: str
    threshold: float
    judged: tuple[Judged, ...]
    groups: tuple[str, ...]
    tally: Tally
    f1_low: float
    f1_high: float
    curve: Curve
    counts: CountErrors
    measurement: tuple[Measurement | None, ...]
    failures: tuple[PhotoFailure, ...]
    seconds_a_photo: float

    @cached_property
    def limb(self) -> limb_scores.LimbFigures:
        """The limb's line, length and thickness, and how often the ranges hold."""
        return limb_scores.limb_figures(self.measurement, [j.truth for j in self.judged])

    @cached_property
    def parts(self) -> dict[str, dict[str, Evaluation]]:
        """The photos of each word of each condition, as an evaluation of their own."""
        return {condition: self._parts(condition) for condition in details.PHOTO_CONDITIONS}

    def _parts(self, condition: str) -> dict[str, Evaluation]:
        return {
            word: replace(
                self,
                judged=tuple(self.judged[row] for row in rows),
                measurement=tuple(self.measurement[row] for row in rows),
            )
            for word, rows in details.rows_by(self.judged, condition).items()
        }


def score_set(
    name: str,
    judged: Sequence[Judged],
    groups: Sequence[str],
    *,
    threshold: float,
    measurement: Sequence[Measurement | None] = (),
    failures: Sequence[PhotoFailure] = (),
    seconds_a_photo: float = math.nan,
) -> Evaluation:
    """Put all figures of a set together.

    Parameters
    ----------
    name : str
    judged, groups : sequences of one length
    threshold : float
        The one at which ``judged`` were made.
    seen, failures, seconds_a_photo
        See :class:`Evaluation`.
    """
    low, high = bootstrap_f1(judged, groups)
    return Evaluation(
        name=name,
        threshold=threshold,
        judged=tuple(judged),
        groups=tuple(groups),
        tally=tally(judged),
        f1_low=low,
        f1_high=high,
        curve=precision_recall_curve(judged),
        counts=count_errors(judged),
        measurement=tuple(measurement) or (None,) * len(judged),
        failures=tuple(failures),
        seconds_a_photo=seconds_a_photo,
    )


def report_record(result: Evaluation) -> dict[str, Any]:
    """The figures as plain values, NaN written as None."""
    truths = [j.truth for j in result.judged]
    confusion = details.class_confusion(result.judged)
    record: dict[str, Any] = {
        "set": result.name,
        "photos_n": len(result.judged),
        "source_photos_n": len(set(result.groups)),
        "asked_n": sum(t.asked_n for t in truths),
        "threshold": result.threshold,
        **_tally_record(result.tally),
        "f1_ci95": [result.f1_low, result.f1_high],
        "average_precision": result.curve.average_precision,
        "best_f1": result.curve.best_f1,
        "best_threshold": result.curve.best_threshold,
        "count": result.counts,
        "radius": details.radius_errors(result.judged),
        "diameter_mm": details.diameter_errors(result.judged),
        "along_limb": limb_scores.position_errors(result.judged),
        "limb": result.limb,
        "classes": {"names": list(details.CONFUSION_NAMES), "table": confusion.tolist()},
        "yellowing": _tally_record(details.yellowing_scores(confusion)),
        "recall_by": {c: details.recall_by(result.judged, c) for c in details.CONDITIONS},
        "photos_by": {
            c: {
                word: {**_tally_record(tally(part.judged)), "limb": part.limb}
                for word, part in parts.items()
            }
            for c, parts in result.parts.items()
        },
        "photos": [_photo_record(j) for j in result.judged],
        "failures": result.failures,
        "seconds_a_photo": result.seconds_a_photo,
    }
    values: dict[str, Any] = plain(record)
    return values


def report_json(results: Sequence[Evaluation]) -> str:
    """All sets as one JSON text."""
    return json.dumps({"sets": [report_record(r) for r in results]}, indent=1, allow_nan=False)


def report_text(results: Sequence[Evaluation]) -> str:
    """A table a person can read: one line a set, then the splits of each."""
    head = (
        f"{'set':28} {'photos':>6} {'fruit':>6} {'P':>6} {'R':>6} {'F1':>6} "
        f"{'95 % interval':>15} {'AP':>6} {'count err':>9} {'bias':>7} {'s/photo':>8}"
    )
    lines = [head, "-" * len(head), *(_set_line(r) for r in results)]
    for r in results:
        lines += ["", f"{r.name}: at threshold {r.threshold:g}", *_split_lines(r)]
    return "\n".join(lines) + "\n"


def _set_line(r: Evaluation) -> str:
    asked = sum(j.truth.asked_n for j in r.judged)
    interval = f"{_num(r.f1_low)}-{_num(r.f1_high)}"
    return (
        f"{r.name[:28]:28} {len(r.judged):6d} {asked:6d} {_num(r.tally.precision):>6} "
        f"{_num(r.tally.recall):>6} {_num(r.tally.f1):>6} {interval:>15} "
        f"{_num(r.curve.average_precision):>6} {_percent(r.counts.median_abs_frac):>9} "
        f"{_percent(r.counts.bias_frac, sign=True):>7} {_num(r.seconds_a_photo):>8}"
    )


def _split_lines(r: Evaluation) -> list[str]:
    lines = []
    for condition in details.CONDITIONS:
        split = details.recall_by(r.judged, condition)
        words = ", ".join(f"{w} {h / n:.2f} ({h}/{n})" for w, (h, n) in split.items())
        if len(split) > 1:
            lines.append(f"  recall by {condition}: {words}")
    for condition, parts in r.parts.items():
        for word, part in parts.items():
            t = tally(part.judged)
            lines.append(
                f"  photos with {condition} {word}: "
                f"P {_num(t.precision)} R {_num(t.recall)} F1 {_num(t.f1)}"
            )
            lines += ["  " + line for line in _limb_lines(part)]
    lines += _error_lines(
        {
            "radius in px": details.radius_errors(r.judged),
            "diameter in mm": details.diameter_errors(r.judged),
            "place along the limb (share of its length)": limb_scores.position_errors(r.judged),
        }
    )
    lines += _limb_lines(r)
    yellow = details.yellowing_scores(details.class_confusion(r.judged))
    if yellow.hits_n + yellow.missed_n:
        lines.append(f"  yellowing: P {_num(yellow.precision)} R {_num(yellow.recall)}")
    lines += [f"  failed on {f.name}: {f.reason}" for f in r.failures]
    return lines


def _error_lines(errors: dict[str, details.ErrorSummary]) -> list[str]:
    return [
        f"  {what}: median error {_percent(e.median_abs_frac)}, "
        f"bias {_percent(e.median_signed_frac, sign=True)}, {e.n} compared"
        for what, e in errors.items()
        if e.n
    ]


def _limb_lines(r: Evaluation) -> list[str]:
    """The limb's line, length and thickness; nothing where no limb is known."""
    limb = r.limb
    lines = _error_lines(
        {
            "limb length": limb.length,
            "limb base diameter": limb.base_diameter,
            "pixels per mm": limb.px_per_mm,
        }
    )
    line, v = limb.line, limb.lines
    if not line.n:
        return lines
    ranges = {
        "range of the count": limb.count_range_held,
        "range of the base's thickness": limb.base_diameter_held,
    }
    return [
        *lines,
        f"  limb line: {_percent(line.found_frac)} of the known found, "
        f"{_percent(line.right_frac)} of the found right, {line.n} photos",
        f"  limb lines: {v.right_n} right ({v.right_warned_n} with a warning), {v.wrong_n} wrong "
        f"({v.wrong_unwarned_n} without), {v.n - v.right_n - v.wrong_n} not found; "
        f"{v.swapped_n} turned round ({v.swapped_unwarned_n} without a warning)",
        *(
            f"  said to be the limb {chance:.2f}: {n} lines, right {_num(right)}"
            for chance, n, right in limb.chance
        ),
        *(f"  {what} held on {held} of {of} photos" for what, (held, of) in ranges.items() if of),
    ]


def _photo_record(j: Judged) -> dict[str, Any]:
    return {
        "name": j.truth.name,
        "asked_n": j.truth.asked_n,
        "counted_n": j.counted_n,
        **_tally_record(tally([j])),
    }


def _tally_record(t: Tally) -> dict[str, Any]:
    return {**asdict(t), "precision": t.precision, "recall": t.recall, "f1": t.f1}


def _num(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.2f}"


def _percent(value: float, *, sign: bool = False) -> str:
    if math.isnan(value):
        return "-"
    return f"{value * 100:+.0f} %" if sign else f"{value * 100:.0f} %"
