"""A season as one book: queue, work and weeks; in words, as PDF files and as a calendar."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from fruitcount.errors import BadInputError, SpeciesError
from fruitcount.export.ical import calendar_bytes
from fruitcount.export.report_block import BlockTree, block_summary
from fruitcount.export.report_page import ReportSettings, trees_told
from fruitcount.export.report_season import season_log, week_cells
from fruitcount.files import file_stem, shown_name, written_whole
from fruitcount.jobs.tree_source import TreeSource, facts_of
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.season.queue import QueueLine, Week, due_weeks, queue
from fruitcount.store.base import Store
from fruitcount.store.orchard import season_history, tree_id_of
from fruitcount.tree.plan import plan_tree
from fruitcount.units import MONTHS, season_year


@dataclass(frozen=True)
class WorkFacts:
    """What the keeper tells of the work.

    Attributes
    ----------
    limbs_n : int or None
        Limbs on every tree, where their sizes are not known.
    pace_n_per_min : float or None
        Fruit taken off in a minute.
    hours_a_week : float or None
        Hours there are for thinning; more of them bring more trees into the earlier weeks.
    """

    limbs_n: int | None = None
    pace_n_per_min: float | None = None
    hours_a_week: float | None = None


@dataclass(frozen=True)
class SeasonBook:
    """A season of an orchard.

    Attributes
    ----------
    year : int
        That the files are named by.
    today : date
    trees : tuple of BlockTree
        In the order of the queue.
    weeks : tuple of Week
    history : mapping
        Tree name to its recorded seasons.
    """

    year: int
    today: date
    trees: tuple[BlockTree, ...]
    weeks: tuple[Week, ...]
    history: Mapping[str, Sequence[SeasonFacts]] = field(default_factory=dict)

    @property
    def lines(self) -> list[QueueLine]:
        """The queue."""
        return [t.line for t in self.trees]

    @property
    def blocks(self) -> dict[str, list[BlockTree]]:
        """Trees by block, in the order of the queue."""
        out: dict[str, list[BlockTree]] = {}
        for t in self.trees:
            out.setdefault(t.line.tree.block, []).append(t)
        return out


def season_book(
    trees: Sequence[OrchardTree],
    today: date,
    *,
    year: int | None = None,
    gdh30: Mapping[str, float] | None = None,
    source: TreeSource | None = None,
    work: WorkFacts | None = None,
) -> SeasonBook:
    """Order the trees, estimate the counted ones, and share the work over the weeks.

    Parameters
    ----------
    trees : sequence of OrchardTree
    today : date
    year : int, optional
        Season that the trees are told of; default each tree's own on that day.
    gdh30 : mapping, optional
        Tree name to 30-day heat sum.
    source : TreeSource, optional
        Counted photos; a tree without any is listed without numbers.
    work : WorkFacts, optional
    """
    lines = queue(trees, today, gdh30_by_tree=gdh30, year=year)
    named = year or season_year(today, southern=bool(trees) and all(t.southern for t in trees))
    work = work or WorkFacts()
    counted = [_counted(line, source or TreeSource((), {}), work, named) for line in lines]
    if source is not None and source.answers is not None:
        source.answers.save()
    hours = {t.line.tree.name: t.work.minutes / 60 for t in counted if t.work is not None}
    weeks = due_weeks(lines, today, hours_by_tree=hours, hours_a_week=work.hours_a_week)
    return SeasonBook(named, today, tuple(counted), tuple(weeks))


def _counted(line: QueueLine, source: TreeSource, work: WorkFacts, year: int) -> BlockTree:
    """A tree with estimate, target and work, where there is work and they can be told.

    What was counted before the first pass hangs there no more.
    """
    name, thinned = line.tree.name, line.tree.first_pass_on
    mine = [r for r in source.rows if r.get("tree") == name]
    mine = [r for r in mine if thinned is None or ("on" in r and r["on"] > thinned)]
    if line.closed or not mine:
        return BlockTree(line)
    facts = source.facts.get(name) or facts_of(line.tree, year=year)
    facts = replace(facts, pace_n_per_min=work.pace_n_per_min)
    if not facts.limb_sizes:
        facts = replace(facts, limbs_n=work.limbs_n)
    try:
        answer = plan_tree(mine, name, facts, measured=source.measured, kept=source.answers)
    except (BadInputError, SpeciesError):
        return BlockTree(line)
    return BlockTree(line, answer.sheet.total, answer.sheet.keep_n, answer.sheet.whole_work)


def history_of(store: Store, trees: Sequence[OrchardTree]) -> dict[str, list[SeasonFacts]]:
    """Recorded seasons of each tree."""
    numbers = {tree.name: tree_id_of(store, tree.name) for tree in trees}
    return {name: season_history(store, n) for name, n in numbers.items() if n is not None}


def write_season(
    book: SeasonBook, folder: str | Path, *, settings: ReportSettings | None = None
) -> list[Path]:
    """Write the season log and a summary a block (PDF), and the calendar if anything is in it.

    Parameters
    ----------
    book : SeasonBook
    folder : str or Path
        Made if it is not there.
    settings : ReportSettings, optional
    """
    how = replace(settings or ReportSettings(), made_on=book.today)
    with written_whole(folder) as draft:
        out = [draft / f"season_{book.year}.pdf"]
        season_log(book.lines, out[0], year=book.year, history=book.history, weeks=book.weeks,
                   settings=how)  # fmt: skip
        calendar = calendar_bytes(book.lines, today=book.today)
        if calendar:
            out.append(draft / f"thinning_{book.year}.ics")
            out[-1].write_bytes(calendar)
        for block, trees in book.blocks.items():
            name, k = file_stem(block, "all"), 2
            path = draft / f"block_{name}_{book.year}.pdf"
            while path in out:  # two names may differ only in what no file can hold
                path, k = draft / f"block_{name}-{k}_{book.year}.pdf", k + 1
            out.append(block_summary(trees, path, block=block, settings=how))
    return [Path(folder) / path.name for path in out]


def season_lines(book: SeasonBook) -> list[str]:
    """A line a tree, work for today first, earliest ripening first within each; then the weeks."""
    lines = book.lines
    if not lines:
        return ["No trees are recorded for this season."]
    due_n = sum(line.for_today for line in lines)
    out = [f"{due_n or 'None'} of {trees_told(len(lines))} due now."]
    for line in lines:
        tree = line.tree
        what = ", ".join(part for part in (tree.variety or tree.species, tree.block) if part)
        ripens = MONTHS[tree.ripening_month - 1] if tree.ripening_month else ""
        month = f", ripens {ripens}" if ripens and line.harvest is None else ""
        about = f" ({what}{month})" if what else ""
        out.append(f"{line.state}: {tree.name}{about}. {line.words}")
    if any(math.isfinite(t.work.minutes) for t in book.trees if t.work is not None):
        out += [
            f"Week from {day}: {hours}: {trees}" for day, trees, hours in week_cells(book.weeks)
        ]
    return [shown_name(line, longest=2000) for line in out]
