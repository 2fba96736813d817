"""Block summary: every tree in a table, fruit against target in a chart, what is left to do."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlab.graphics.shapes import Drawing, Line, Polygon, Rect
from reportlab.lib import colors
from reportlab.platypus import KeepTogether, Spacer

from fruitcount.export.letters import chart_words
from fruitcount.export.report_page import (
    ReportSettings,
    build_pdf,
    heading,
    number,
    text,
    text_table,
    trees_told,
    usable_pt,
)
from fruitcount.export.report_season import CHART_ROWS, name_rows
from fruitcount.season.queue import QueueLine
from fruitcount.species.model import species_title
from fruitcount.tree.both_sides import ASSUMED
from fruitcount.tree.estimate import Estimate
from fruitcount.tree.hidden import BY_SIDES
from fruitcount.tree.sheet import Work
from fruitcount.units import unit_of

# Okabe-Ito sky blue and vermillion, as in the pictures
_BAR = colors.Color(86 / 255, 180 / 255, 233 / 255)
_TARGET = colors.Color(213 / 255, 94 / 255, 0)
_GREY = colors.HexColor("#d9d5cc")
_NAMES_PT, _ROW_PT, _TOP_PT = 118.0, 17.0, 16.0


@dataclass(frozen=True)
class BlockTree:
    """One tree of the block.

    Attributes
    ----------
    line : QueueLine
        The tree with its place in the queue.
    estimate : Estimate or None
        Fruit on it now.
    keep_n : int or None
        Fruit to leave.
    work : Work or None
    """

    line: QueueLine
    estimate: Estimate | None = None
    keep_n: int | None = None
    work: Work | None = None


def block_summary(
    trees: Sequence[BlockTree],
    path: str | Path,
    *,
    block: str,
    settings: ReportSettings | None = None,
) -> Path:
    """Write the summary of a block.

    Parameters
    ----------
    trees : sequence of BlockTree
        In the order of the queue.
    path : str or Path
    block : str
        Its name; empty for the trees that have none.
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings()
    width, _ = usable_pt(how)
    title = f"Block {block}" if block else "Trees without a block"
    story: list[Any] = [text(title, 17, bold=True), Spacer(1, 3)]
    story += [text(line, 11) for line in _headlines(trees, how)]
    story += [*heading("Trees, in the order to do them"), _table(trees, width)]
    charted = [t for t in trees if t.estimate is not None]
    first = [
        *heading("Fruit now, and what stays"),
        text("Bar: estimate; line with ends: its interval; triangle: what stays now.", 9),
    ]
    for k in range(0, len(charted), CHART_ROWS):
        # a heading is never left alone at the foot of a page
        chart = _chart(charted[k : k + CHART_ROWS], width, max(map(_most, charted)))
        story.append(KeepTogether([*first, Spacer(1, 4), chart]))
        first = []
    told = "Estimates; each interval is for one tree, not for the sum."
    seen = [t.line.tree.name for t in charted if t.estimate and not t.estimate.hidden_too]
    if seen:
        which = "" if len(seen) == len(charted) else f" of {', '.join(seen)}"
        told += f" The numbers{which} are of fruit that photos show: those hidden come on top."
    story += [Spacer(1, 6), text(told, 8)]
    sides = [t.line.tree.name for t in charted if t.estimate and BY_SIDES in t.estimate.method]
    if sides:
        words = "With fruit that neither side of a limb shows (capture-recapture): "
        story += [Spacer(1, 3), text(f"{words}{', '.join(sides)}. {ASSUMED}", 8)]
    return build_pdf(story, path, title=f"Block summary: {block or title.lower()}", settings=how)


def _headlines(trees: Sequence[BlockTree], how: ReportSettings) -> list[str]:
    states = Counter(t.line.state for t in trees)
    told = ", ".join(f"{n} {state}" for state, n in states.items())
    lines = [f"{trees_told(len(trees))}: {told}."]
    works = [t.work for t in trees if t.work is not None]
    if works:
        off = sum(w.off_n for w in works)
        minutes = [w.minutes for w in works if math.isfinite(w.minutes)]
        line = f"To take off: about {number(off)} fruit on {trees_told(len(works))}"
        if minutes:
            line += f", about {number(sum(minutes) / 60, 1)} hours"
            line += f" on {len(minutes)} of them" if len(minutes) < len(works) else ""
        kilos = [w.harvest_kg for w in works if math.isfinite(w.harvest_kg)]
        if kilos:
            unit, kg, _ = unit_of("crop", how.units)
            line += f"; harvest about {number(sum(kilos) / kg, 0 if sum(kilos) > 20 else 1)} {unit}"
        lines.append(line + ".")
    return lines


def _table(trees: Sequence[BlockTree], width: float) -> Any:
    head = ["Tree", "Variety", "When", "Fruit", "Interval", "Keep", "Off", "Minutes"]
    shares = (0.18, 0.17, 0.14, 0.08, 0.15, 0.09, 0.08, 0.11)
    rows = []
    for t in trees:
        e, w = t.estimate, t.work
        rows.append(
            [
                t.line.tree.name,
                t.line.tree.variety or species_title(t.line.tree.species),
                t.line.state,
                number(e.value_n if e else None),
                f"{number(e.low_n)} to {number(e.high_n)}" if e and e.high_n > e.low_n else "-",
                number(t.keep_n),
                number(w.off_n if w else None),
                number(w.minutes if w else None),
            ]
        )
    return text_table(head, rows, widths=[s * width for s in shares], left=(0, 1, 2), size=9)


def _most(t: BlockTree) -> float:
    e = t.estimate
    fruit = 0.0 if e is None else max(e.value_n, e.high_n if e.known else 0.0)
    return max(fruit, t.keep_n or 0.0, 1.0)


def _step(most: float) -> float:
    rough = most / 5
    unit = 10.0 ** math.floor(math.log10(rough))
    return next(s * unit for s in (1, 2, 5, 10) if s * unit >= rough)


def _chart(trees: Sequence[BlockTree], width: float, most: float) -> Drawing:
    height = _TOP_PT + _ROW_PT * len(trees) + 4
    drawing = Drawing(width, height)
    step, top = _step(most), height - _TOP_PT
    scale = (width - _NAMES_PT - 14) / (math.ceil(most / step) * step)
    for k in range(math.ceil(most / step) + 1):
        x = _NAMES_PT + k * step * scale
        drawing.add(Line(x, 0, x, top, strokeColor=_GREY, strokeWidth=0.5))
        drawing.add(chart_words((x, top + 4), number(k * step), 7.5, anchor="middle"))
    names = [t.line.tree.name for t in trees]
    for t, y in zip(trees, name_rows(drawing, names, (_NAMES_PT, _ROW_PT, 8.5), top), strict=True):
        _bar(drawing, t, y, scale)
    return drawing


def _bar(drawing: Drawing, t: BlockTree, y: float, scale: float) -> None:
    e = t.estimate
    if e is not None:
        drawing.add(Rect(_NAMES_PT, y - 4.5, e.value_n * scale, 9, fillColor=_BAR,
                         strokeColor=None))  # fmt: skip
        if e.known:
            low, high = _NAMES_PT + e.low_n * scale, _NAMES_PT + e.high_n * scale
            for ends in ((low, y, high, y), *((x, y - 3.5, x, y + 3.5) for x in (low, high))):
                drawing.add(Line(*ends, strokeWidth=1.2))
    if t.keep_n is not None:
        x = _NAMES_PT + t.keep_n * scale
        points = [x, y - 1, x - 4.5, y - 8, x + 4.5, y - 8]
        drawing.add(Polygon(points, fillColor=_TARGET, strokeColor=colors.black, strokeWidth=0.5))
