"""Season log: the weeks ahead, what happened to each tree, this season against the ones before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from reportlab.graphics.shapes import Drawing, Line, Polygon, Rect
from reportlab.lib import colors
from reportlab.platypus import CondPageBreak, KeepTogether, Spacer

from fruitcount.export.letters import chart_words, svg_of, usual_fonts, words_width
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
from fruitcount.season.orchard import OrchardTree, SeasonFacts, name_order, season_steps
from fruitcount.season.queue import QueueLine, Week, day_word, day_words
from fruitcount.species.model import species_title
from fruitcount.units import MONTHS, format_length, format_size, unit_of

CHART_ROWS = 34
"""Trees in one chart of a page."""
# Okabe-Ito sky blue, vermillion and grey, as in the pictures; shapes differ too
_THIN, _RIPE = colors.Color(86 / 255, 180 / 255, 233 / 255), colors.Color(213 / 255, 94 / 255, 0)
_GREY = colors.HexColor("#d9d5cc")


def _done(trees: Sequence[OrchardTree]) -> list[list[str]]:
    """Bloom and thinning of each tree: day, tree and what, in order."""
    out = []
    for tree in trees:
        bloom, first, second = tree.bloom_date, tree.first_pass_on, tree.second_pass_on
        for what, day in (("full bloom", bloom), ("first", first), ("second", second)):
            if day:
                after = f", {(day - bloom).days} days after bloom" if bloom else ""
                out.append(
                    (day, tree.name, what if day is bloom else f"{what} thinning pass{after}")
                )
    out.sort(key=lambda e: (e[0], name_order(e[1]), e[2]))
    return [[day.isoformat(), name, what] for day, name, what in out]


def week_cells(weeks: Sequence[Week]) -> list[list[str]]:
    """Each week's first day, trees (24 of them by name) and hours, in words for a table."""
    out = []
    for week in weeks:
        known = len(week.trees) > week.unknown_n
        hours = f"{number(week.hours, 1)} h" if known else "hours not known"
        if known and week.unknown_n:
            hours += f" and {trees_told(week.unknown_n)} not known"
        if week.short_h > 0:
            hours += f": {number(week.short_h, 1)} h more than you have"
        more = len(week.trees) - 24
        trees = "; ".join(week.trees[:24]) + (f"; and {more} more" if more > 0 else "")
        out.append([f"{day_word(week.first)} {week.first.year}", trees, hours])
    return out


def season_log(
    lines: Sequence[QueueLine],
    path: str | Path,
    *,
    year: int,
    history: Mapping[str, Sequence[SeasonFacts]] | None = None,
    weeks: Sequence[Week] = (),
    settings: ReportSettings | None = None,
) -> Path:
    """Write the log of a season.

    Parameters
    ----------
    lines : sequence of QueueLine
        The trees as they are in that season.
    path : str or Path
    year : int
    history : mapping, optional
        Tree name to its recorded seasons, this one included.
    weeks : sequence of Week
        The work ahead.
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings()
    width, _ = usable_pt(how)
    history = history or {}
    story: list[Any] = [text(f"Season {year}", 17, bold=True), text(trees_told(len(lines)), 10)]
    story += _pictures(lines, width, how.made_on)
    if weeks:
        table = _words(["Week from", "Trees", "Hours"], week_cells(weeks), width, (20, 50, 30))
        story += _part("Work, week by week", table)
    story += _part("Trees", _tree_table(lines, how, width))
    log = _done([line.tree for line in lines])
    table = _words(["Day", "Tree", "What"], log, width, (16, 26, 58))
    story += _part("What was done", table if log else text("Nothing recorded.", 10))
    kg, g = (unit_of(kind, how.units)[0] for kind in ("crop", "fruit"))
    counted = [(n, f) for n, seasons in history.items() for f in seasons
               if f.year == year and f.any_known]  # fmt: skip
    if counted:
        head = ["Tree", "Before", "After", "Off", "Share off", f"Harvest {kg}", f"One fruit {g}"]
        rows = [[name, *_count_cells(facts, how.units)] for name, facts in counted]
        widths = [s * width for s in (0.22, 0.11, 0.11, 0.11, 0.13, 0.16, 0.16)]
        story += _part("Before and after", text_table(head, rows, widths=widths))
    changes = _change_rows(history, how.units)
    if changes:
        head = ["Tree", "Season", "Against", "Fruit left", f"Harvest {kg}", f"One fruit {g}"]
        widths = [s * width for s in (0.28, 0.12, 0.12, 0.16, 0.16, 0.16)]
        story += _part("Season over season", text_table(head, changes, widths=widths))
    story += [Spacer(1, 6), text("Counts and days are estimates; - means not recorded.", 8)]
    return build_pdf(story, path, title=f"Season log {year}", settings=how)


def _part(words: str, table: Any) -> list[Any]:
    # a heading is never left alone at the foot of a page
    return [CondPageBreak(200), *heading(words), table]


def _words(head: list[str], rows: list[list[str]], width: float, shares: Sequence[int]) -> Any:
    widths = [s / 100 * width for s in shares]
    return text_table(head, rows, widths=widths, left=tuple(range(len(head))))


def _tree_table(lines: Sequence[QueueLine], how: ReportSettings, width: float) -> Any:
    head = ["Tree", "Block", "Species, variety", "Ripens", "Trunk", "Size", "Note"]
    shares = (0.15, 0.11, 0.22, 0.15, 0.10, 0.10, 0.17)
    rows = []
    for line in sorted(lines, key=lambda q: (name_order(q.tree.block), name_order(q.tree.name))):
        t = line.tree
        ripens = f"about {day_words(line.harvest)}" if line.harvest else ""
        around = t.trunk_circumference_mm
        rows.append(
            [
                t.name,
                t.block,
                ", ".join(part for part in (species_title(t.species), t.variety) if part),
                ripens or (MONTHS[t.ripening_month - 1] if t.ripening_month else "-"),
                format_length(around, how.units) if around else "-",
                format_size(t.size_mm, how.units) if t.size_mm else "-",
                ("left this season. " if t.leave_it else "") + t.note,
            ]
        )
    widths = [s * width for s in shares]
    return text_table(head, rows, widths=widths, left=(0, 1, 2, 3, 6), size=8.5)


def _count_cells(facts: SeasonFacts, units: str) -> list[str]:
    before, after = facts.fruit_before_n, facts.fruit_after_n
    off = share = "-"
    if before is not None and after is not None:
        off = number(before - after)
        share = number(100 * (before - after) / before if before else math.nan) + " %"
    crop = _crop_cells(facts.harvest_kg, facts.fruit_g, units)
    return [number(before), number(after), off, share, *crop]


def _crop_cells(harvest_kg: float | None, fruit_g: float | None, units: str) -> list[str]:
    told = (("crop", harvest_kg), ("fruit", fruit_g))
    cells = ((math.nan if value is None else value, *unit_of(kind, units)) for kind, value in told)
    return [number(value / per, digits) for value, _, per, digits in cells]


def _change_rows(history: Mapping[str, Sequence[SeasonFacts]], units: str) -> list[list[str]]:
    rows = []
    for name, seasons in history.items():
        for year, before, *values in season_steps(seasons):
            if not any(map(math.isfinite, values)):
                continue
            cells = [number(values[0]), *_crop_cells(values[1], values[2], units)]
            signs = ["+" if value > 0 else "" for value in values]
            rows.append([name, str(year), str(before), *map(str.__add__, signs, cells)])
    return rows


def season_words(lines: Sequence[QueueLine]) -> str:
    """The season's picture in words, for those who do not see it."""
    return " ".join(f"{line.tree.name}: {line.state}. {line.words}" for line in lines)


def _pictures(lines: Sequence[QueueLine], width: float, today: date) -> list[Any]:
    out: list[Any] = []
    first = [*heading("The season, a line a tree"), text(PICTURE_LEGEND, 9), Spacer(1, 4)]
    for k in range(0, len(lines), CHART_ROWS):
        drawing = season_picture(lines[k : k + CHART_ROWS], width, today, among=lines)
        if drawing is not None:
            out.append(KeepTogether([*first, drawing]))
            first = []
    return out


PICTURE_LEGEND = "Diamond: bloom. Bar: when to thin. Upright marks: passes done. Box: harvest."


def season_picture(
    lines: Sequence[QueueLine],
    width: float,
    today: date,
    *,
    size: float = 8.5,
    among: Sequence[QueueLine] | None = None,
) -> Drawing | None:
    """The season as a line a tree that has a day, with today marked; None where none has.

    Parameters
    ----------
    lines : sequence of QueueLine
    width : float, points
    today : date
    size : float, points
        Of the letters; the rows grow with it.
    among : sequence of QueueLine, optional
        All trees of the season, so that several pictures have one scale.
    """
    days = [day for line in among or lines for day in _days(line, today)]
    lines = [line for line in lines if _days(line, today)]
    if not lines:
        return None
    start = min(*days, today) - timedelta(days=3)
    names_pt, row, days_n = 0.28 * width, 2.0 * size, (max(*days, today) - start).days + 1
    per_day = (width - names_pt - 2.1 * size) / days_n  # the last day's words have room too
    height = 2.2 * size + row * len(lines)
    drawing = Drawing(width, height)

    def x_of(day: date) -> float:
        return names_pt + (day - start).days * per_day

    bottom, top = 0.0, height - 2.2 * size
    for k in range(days_n + 1):
        day = start + timedelta(days=k)
        if day.day == 1:
            x = x_of(day)
            drawing.add(Line(x, bottom, x, top, strokeColor=_GREY, strokeWidth=0.5))
            name = MONTHS[day.month - 1][:3]
            drawing.add(chart_words((x, top + 1.2 * size), name, size * 0.9))
    rows = name_rows(drawing, [line.tree.name for line in lines], (names_pt, row, size), top)
    for line, y in zip(lines, rows, strict=True):
        _season_row(drawing, line, y, x_of, size)
    x = x_of(today)
    drawing.add(Line(x, bottom, x, top, strokeWidth=1.4, strokeDashArray=(4, 2)))
    drawing.add(chart_words((x, top + 0.15 * size), "today", size * 0.9, anchor="middle"))
    return drawing


def season_svg(lines: Sequence[QueueLine], width: float, today: date, *, size: float) -> str:
    """The same picture for a page; empty where no tree has a day."""
    drawing = season_picture(lines, width, today, size=size)
    return "" if drawing is None else svg_of(drawing)


def _days(line: QueueLine, today: date) -> list[date]:
    """Days of a tree's season; none where one is a slip of the pen that no picture can hold."""
    t, due = line.tree, None if line.closed else line.due
    ends = [d for days in (due, line.harvest) if days for d in (days.first, days.last)]
    days = [d for d in (t.bloom_date, t.first_pass_on, t.second_pass_on) if d] + ends
    return days if all(abs(d - today) < timedelta(days=500) for d in days) else []


def _season_row(drawing: Drawing, line: QueueLine, y: float, x_of: Any, size: float) -> None:
    half = size * 0.42
    if line.due is not None and not line.closed:
        left, right = x_of(line.due.first), x_of(line.due.last + timedelta(days=1))
        drawing.add(Rect(left, y - half, max(right - left, 2), 2 * half, fillColor=_THIN,
                         strokeColor=None))  # fmt: skip
    if line.harvest is not None:
        left, right = x_of(line.harvest.first), x_of(line.harvest.last + timedelta(days=1))
        drawing.add(Rect(left, y - half, max(right - left, size * 0.6), 2 * half, fillColor=None,
                         strokeColor=_RIPE, strokeWidth=1.4))  # fmt: skip
    if line.tree.bloom_date:
        x = x_of(line.tree.bloom_date)
        points = [x - half, y, x, y + half, x + half, y, x, y - half]
        drawing.add(Polygon(points, fillColor=colors.black, strokeColor=None))
    for day in (line.tree.first_pass_on, line.tree.second_pass_on):
        if day:
            x = x_of(day)
            drawing.add(Line(x, y - size * 0.7, x, y + size * 0.7, strokeWidth=2))


def name_rows(
    drawing: Drawing, names: Sequence[str], where: tuple[float, float, float], top: float
) -> list[float]:
    """Write a chart's names down its left side, cut to their room; the middle of each row.

    Parameters
    ----------
    drawing : Drawing
    names : sequence of str
    where : tuple of float, points
        Room for the names, height of a row, size of the letters.
    top : float, points
        Upper end of the rows.
    """
    room, row, size = where
    middles = [top - row * (i + 0.5) for i in range(len(names))]
    for name, y in zip(names, middles, strict=True):
        shown = name
        while words_width(shown, usual_fonts()[0], size) > room - 10 and len(shown) > 1:
            shown = f"{shown.removesuffix('.')[:-1]}."
        drawing.add(chart_words((room - 6, y - 0.35 * size), shown, size, anchor="end"))
    return middles
