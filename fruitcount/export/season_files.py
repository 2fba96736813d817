"""The season in words, as a printed log and as a calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from fruitcount.export.block_files import BlockCounts, block_trees, write_blocks
from fruitcount.export.ical import calendar_text
from fruitcount.export.report_page import ReportSettings
from fruitcount.export.report_season import season_log
from fruitcount.months import MONTHS
from fruitcount.names import shown_name
from fruitcount.season import OrchardTree, QueueLine, SeasonFacts, queue
from fruitcount.store import Store, load_trees, season_history, tree_id_of
from fruitcount.whole_files import written_whole

__all__ = ["SeasonBook", "season_lines", "season_of_records", "write_season"]


@dataclass(frozen=True)
class SeasonBook:
    """A season's trees and, by name, their recorded years and 30-day heat sums."""

    trees: tuple[OrchardTree, ...]
    history: Mapping[str, Sequence[SeasonFacts]]
    gdh30: Mapping[str, float] = field(default_factory=dict)


def season_of_records(store: Store, *, year: int) -> SeasonBook:
    """Trees and history from the records."""
    trees = tuple(load_trees(store, year=year))
    history = {}
    for tree in trees:
        tree_id = tree_id_of(store, tree.name)
        if tree_id is not None:
            history[tree.name] = season_history(store, tree_id)
    return SeasonBook(trees, history)


def write_season(
    book: SeasonBook,
    folder: str | Path,
    *,
    year: int,
    today: date,
    settings: ReportSettings | None = None,
    counts: BlockCounts | None = None,
) -> tuple[list[QueueLine], list[Path]]:
    """Order the trees; write the season log and a summary a block (PDF) and the calendar (.ics).

    Parameters
    ----------
    book : SeasonBook
    folder : str or Path
        Made if it is not there.
    year : int
    today : date
        What is due is told for this day.
    settings : ReportSettings, optional
    counts : BlockCounts, optional
        What was counted on the trees, for the summaries.

    Returns
    -------
    list of QueueLine, and the files written.
    """
    lines = queue(book.trees, today, gdh30_by_tree=book.gdh30)
    out = Path(folder)
    how = replace(settings or ReportSettings(), made_on=today)
    log, calendar = f"season_{year}.pdf", f"thinning_{year}.ics"
    with written_whole(out) as draft:
        season_log(book.trees, draft / log, year=year, history=book.history, settings=how)
        (draft / calendar).write_bytes(calendar_text(lines, today=today).encode())
        blocks = block_trees(lines, counts or BlockCounts(), year=year)
        summaries = write_blocks(blocks, draft, year=year, settings=how)
    return lines, [out / log, out / calendar, *(out / path.name for path in summaries)]


def season_lines(lines: Sequence[QueueLine]) -> list[str]:
    """A line a tree, work for today first, earliest ripening first within each."""
    if not lines:
        return ["No trees are recorded for this season."]
    out = [f"{sum(line.for_today for line in lines)} of {len(lines)} trees have work today."]
    for line in lines:
        tree = line.tree
        what = ", ".join(part for part in (tree.variety or tree.species, tree.block) if part)
        month = f", ripens {MONTHS[tree.ripening_month - 1]}" if tree.ripening_month else ""
        due = f" [{line.due_from} to {line.due_to}]" if line.due_from and line.due_to else ""
        about = f" ({what}{month})" if what else ""
        out.append(f"{line.state}: {tree.name}{about}. {line.reason}{due}")
    return [shown_name(line, longest=2000) for line in out]
