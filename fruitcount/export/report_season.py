"""Season log: what happened to each tree, in order, and this season against the ones before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from reportlab.platypus import Spacer

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
from fruitcount.months import MONTHS
from fruitcount.season import OrchardTree, SeasonFacts, before_after, season_steps
from fruitcount.season.orchard import name_order
from fruitcount.species import species_title
from fruitcount.units import KG_PER_LB, MM_PER_INCH, format_size

__all__ = ["LogEntry", "season_entries", "season_log"]


_G_PER_OZ = 1000 * KG_PER_LB / 16


@dataclass(frozen=True)
class LogEntry:
    """One thing that happened.

    Attributes
    ----------
    day : date
    tree, what : str
    """

    day: date
    tree: str
    what: str


def season_entries(trees: Sequence[OrchardTree]) -> list[LogEntry]:
    """Bloom and thinning of each tree, by date, then by name."""
    out = []
    for tree in trees:
        if tree.bloom_date:
            out.append(LogEntry(tree.bloom_date, tree.name, "full bloom"))
        for pass_, day in (
            ("first thinning pass", tree.first_pass_on),
            ("second thinning pass", tree.second_pass_on),
        ):
            if day:
                label = pass_
                after = (
                    f", {(day - tree.bloom_date).days} days after bloom" if tree.bloom_date else ""
                )
                out.append(LogEntry(day, tree.name, label + after))
    return sorted(out, key=_log_order)


def _log_order(entry: LogEntry) -> tuple[Any, ...]:
    return entry.day, name_order(entry.tree), entry.what


def season_log(
    trees: Sequence[OrchardTree],
    path: str | Path,
    *,
    year: int,
    history: Mapping[str, Sequence[SeasonFacts]] | None = None,
    entries: Sequence[LogEntry] = (),
    settings: ReportSettings | None = None,
) -> Path:
    """Write the log of a season.

    Parameters
    ----------
    trees : sequence of OrchardTree
        As they were in that season.
    path : str or Path
    year : int
    history : mapping, optional
        Tree name to its recorded seasons, this one included.
    entries : sequence of LogEntry
        More than :func:`season_entries` knows.
    settings : ReportSettings, optional
    """
    how = settings or ReportSettings()
    width, _ = usable_pt(how)
    facts = {name: {f.year: f for f in seasons} for name, seasons in (history or {}).items()}
    story: list[Any] = [text(f"Season {year}", 17, bold=True)]
    story.append(text(trees_told(len(trees)), 10))
    story += [*heading("Trees"), _tree_table(trees, how, width)]
    log = sorted(
        [*season_entries(trees), *entries], key=lambda e: (e.day, name_order(e.tree), e.what)
    )
    story += heading("What was done")
    if log:
        rows = [[e.day.isoformat(), e.tree, e.what] for e in log]
        widths = [0.16 * width, 0.26 * width, 0.58 * width]
        story.append(text_table(["Day", "Tree", "What"], rows, widths=widths, left=(0, 1, 2)))
    else:
        story.append(text("Nothing recorded.", 10))
    counted = [(n, f[year]) for n, f in facts.items() if year in f and _any_told(f[year])]
    if counted:
        story += [*heading("Before and after"), _counts_table(counted, how, width)]
    changes = _change_rows(history or {}, how)
    if changes:
        unit, small = _units(how)
        head = ["Tree", "Season", "Against", "Fruit left", f"Harvest {unit}", f"One fruit {small}"]
        widths = [s * width for s in (0.28, 0.12, 0.12, 0.16, 0.16, 0.16)]
        story += [*heading("Season over season"), text_table(head, changes, widths=widths)]
    story += [Spacer(1, 6), text("Counts are estimates; - means not recorded.", 8)]
    return build_pdf(story, path, title=f"Season log {year}", settings=how)


def _tree_table(trees: Sequence[OrchardTree], how: ReportSettings, width: float) -> Any:
    head = ["Tree", "Block", "Species, variety", "Ripens", "Trunk", "Size", "Note"]
    shares = (0.16, 0.12, 0.24, 0.09, 0.11, 0.10, 0.18)
    rows = []
    for t in trees:
        kind = ", ".join(part for part in (species_title(t.species), t.variety) if part)
        rows.append(
            [
                t.name,
                t.block,
                kind,
                MONTHS[t.ripening_month - 1][:3] if t.ripening_month else "",
                _trunk(t.trunk_circumference_mm, how),
                format_size(t.size_mm, how.units) if t.size_mm else "-",
                ("left this season. " if t.leave_it else "") + t.note,
            ]
        )
    return text_table(
        head, rows, widths=[s * width for s in shares], left=(0, 1, 2, 3, 6), size=8.5
    )


def _trunk(around_mm: float | None, how: ReportSettings) -> str:
    if around_mm is None:
        return "-"
    if how.units == "metric":
        return f"{around_mm / 10:.0f} cm"
    return f"{around_mm / MM_PER_INCH:.1f} in"


def _counts_table(
    counted: Sequence[tuple[str, SeasonFacts]], how: ReportSettings, width: float
) -> Any:
    unit, small = _units(how)
    head = ["Tree", "Before", "After", "Off", "Share off", f"Harvest {unit}", f"One fruit {small}"]
    rows = []
    for name, f in counted:
        off = share = "-"
        if f.fruit_before_n is not None and f.fruit_after_n is not None:
            change = before_after(f.fruit_before_n, f.fruit_after_n)
            off, share = number(change.off_n), number(100 * change.off_frac) + " %"
        rows.append(
            [name, number(f.fruit_before_n), number(f.fruit_after_n), off, share,
             _harvest(f.harvest_kg, how), _fruit(f.fruit_g, how)]
        )  # fmt: skip
    widths = [s * width for s in (0.22, 0.11, 0.11, 0.11, 0.13, 0.16, 0.16)]
    return text_table(head, rows, widths=widths)


def _any_told(facts: SeasonFacts) -> bool:
    told = (facts.fruit_before_n, facts.fruit_after_n, facts.harvest_kg, facts.fruit_g)
    return any(value is not None for value in told)


def _harvest(kg: float | None, how: ReportSettings) -> str:
    if kg is None:
        return "-"
    return number(kg if how.units == "metric" else kg / KG_PER_LB, 1)


def _units(how: ReportSettings) -> tuple[str, str]:
    """Units of a harvest and of one fruit."""
    return ("kg", "g") if how.units == "metric" else ("lb", "oz")


def _fruit(mass_g: float | None, how: ReportSettings) -> str:
    if mass_g is None or how.units == "metric":
        return number(mass_g)
    return number(mass_g / _G_PER_OZ, 1)


def _signed(value: float, digits: int = 0) -> str:
    told = number(value, digits)
    return f"+{told}" if value > 0 else told


def _change_rows(
    history: Mapping[str, Sequence[SeasonFacts]], how: ReportSettings
) -> list[list[str]]:
    times = 1.0 if how.units == "metric" else 1 / KG_PER_LB
    small, digits = (1.0, 0) if how.units == "metric" else (1 / _G_PER_OZ, 1)
    return [
        [name, str(s.year), str(s.previous_year), _signed(s.fruit_change_n),
         _signed(s.harvest_change_kg * times, 1), _signed(s.fruit_change_g * small, digits)]
        for name, seasons in history.items()
        for s in season_steps(seasons)
    ]  # fmt: skip
