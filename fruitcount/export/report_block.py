"""Block summary: every tree in a table, fruit against target in a chart, what is left to do."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reportlab.graphics.shapes import Drawing, Line, Polygon, Rect, String
from reportlab.lib import colors
from reportlab.platypus import KeepTogether, Spacer

from fruitcount.export.letters import chart_words, words_width
from fruitcount.export.report_page import (
    ReportSettings,
    build_pdf,
    chart_font,
    heading,
    number,
    text,
    text_table,
    trees_told,
    usable_pt,
)
from fruitcount.season.queue import QueueLine
from fruitcount.species import species_title
from fruitcount.tree import Estimate, Work
from fruitcount.tree.both_sides import ASSUMED, BY_SIDES
from fruitcount.units import KG_PER_LB

__all__ = ["BlockTree", "block_summary"]

# Okabe-Ito sky blue and vermillion, as in the pictures
_BAR = colors.Color(86 / 255, 180 / 255, 233 / 255)
_TARGET = colors.Color(213 / 255, 94 / 255, 0)
_ROW_PT = 17.0
_ROWS = 34


@dataclass(frozen=True)
class BlockTree:
    """One tree of the block.

    Attributes
    ----------
    line : QueueLine
        The tree with its place in the queue.
    estimate : Estimate or None
        Fruit on it now.
    target_n : float or None
        Fruit to leave.
    work : Work or None
    """

    line: QueueLine
    estimate: Estimate | None = None
    target_n: float | None = None
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
    story += [*heading("Trees, in the order to do them"), _table(trees, how, width)]
    charted = [t for t in trees if t.estimate is not None]
    if charted:
        most = max(_most(t) for t in charted)
        first = [
            *heading("Fruit now and target"),
            text("Bar: estimate; line with ends: its interval; triangle: target.", 9),
        ]
        for k in range(0, len(charted), _ROWS):
            # a heading is never left alone at the foot of a page
            chart = _chart(charted[k : k + _ROWS], width, most)
            story.append(KeepTogether([*first, Spacer(1, 4), chart]))
            first = []
    story += [Spacer(1, 6), text("Estimates; each interval is for one tree, not for the sum.", 8)]
    sides = [t.line.tree.name for t in charted if t.estimate and BY_SIDES in t.estimate.method]
    if sides:
        story += [
            Spacer(1, 3),
            text("With fruit that neither side of a limb shows (capture-recapture, Chapman): "
                 f"{', '.join(sides)}. {ASSUMED}", 8),
        ]  # fmt: skip
    return build_pdf(story, path, title=f"Block summary: {block or title.lower()}", settings=how)


def _headlines(trees: Sequence[BlockTree], how: ReportSettings) -> list[str]:
    states = Counter(t.line.state for t in trees)
    lines = [
        f"{trees_told(len(trees))}: "
        + ", ".join(f"{n} {state}" for state, n in states.items())
        + "."
    ]
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
            line += f"; harvest about {_weight(sum(kilos), how)}"
        lines.append(line + ".")
    return lines


def _weight(kg: float, how: ReportSettings) -> str:
    if how.units == "metric":
        return f"{number(kg)} kg"
    return f"{number(kg / KG_PER_LB)} lb"


def _table(trees: Sequence[BlockTree], how: ReportSettings, width: float) -> Any:
    head = ["Tree", "Variety", "When", "Fruit", "Interval", "Target", "Off", "Minutes"]
    shares = (0.18, 0.17, 0.14, 0.08, 0.15, 0.09, 0.08, 0.11)
    rows = []
    for t in trees:
        e, w = t.estimate, t.work
        interval = f"{number(e.low_n)} to {number(e.high_n)}" if e is not None and e.known else "-"
        rows.append(
            [
                t.line.tree.name,
                t.line.tree.variety or species_title(t.line.tree.species),
                t.line.state,
                number(e.value_n if e else None),
                interval,
                number(t.target_n),
                number(w.off_n if w else None),
                number(w.minutes if w else None),
            ]
        )
    return text_table(head, rows, widths=[s * width for s in shares], left=(0, 1, 2), size=9)


def _most(t: BlockTree) -> float:
    values = [t.target_n or 0.0]
    if t.estimate is not None:
        values += [t.estimate.value_n, t.estimate.high_n if t.estimate.known else 0.0]
    return max(*values, 1.0)


def _step(most: float) -> float:
    rough = most / 5
    unit = 10.0 ** math.floor(math.log10(rough))
    return next(s * unit for s in (1, 2, 5, 10) if s * unit >= rough)


def _chart(trees: Sequence[BlockTree], width: float, most: float) -> Drawing:
    names_pt, top = 118.0, 16.0
    height = top + _ROW_PT * len(trees) + 4
    drawing = Drawing(width, height)
    step = _step(most)
    scale = (width - names_pt - 14) / (math.ceil(most / step) * step)
    font = chart_font()
    for k in range(math.ceil(most / step) + 1):
        x = names_pt + k * step * scale
        drawing.add(Line(x, 0, x, height - top, strokeColor=colors.HexColor("#d9d5cc"),
                         strokeWidth=0.5))  # fmt: skip
        drawing.add(String(x, height - top + 4, number(k * step), fontName=font, fontSize=7.5,
                           textAnchor="middle"))  # fmt: skip
    for i, t in enumerate(trees):
        middle = height - top - _ROW_PT * (i + 0.5)
        _bar(drawing, t, (names_pt, middle, scale))
    return drawing


def _bar(drawing: Drawing, t: BlockTree, at: tuple[float, float, float]) -> None:
    left, y, scale = at
    whole = name = t.line.tree.name
    while words_width(name, chart_font(), 8.5) > left - 12:
        whole = whole[:-1]
        name = f"{whole}."
    drawing.add(chart_words((left - 6, y - 3), name, 8.5, anchor="end"))
    e = t.estimate
    if e is not None:
        drawing.add(Rect(left, y - 4.5, e.value_n * scale, 9, fillColor=_BAR, strokeColor=None))
        if e.known:
            low, high = left + e.low_n * scale, left + e.high_n * scale
            drawing.add(Line(low, y, high, y, strokeWidth=1.2))
            for x in (low, high):
                drawing.add(Line(x, y - 3.5, x, y + 3.5, strokeWidth=1.2))
    if t.target_n is not None:
        x = left + t.target_n * scale
        drawing.add(
            Polygon([x, y - 1, x - 4.5, y - 8, x + 4.5, y - 8], fillColor=_TARGET,
                    strokeColor=colors.black, strokeWidth=0.5)
        )  # fmt: skip
