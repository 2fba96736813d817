"""Which tree next: what can be done today, earliest ripening first."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from fruitcount.errors import SpeciesError
from fruitcount.season.heat import WARM_GDH30
from fruitcount.season.orchard import OrchardTree, name_order, ripening_order, season_part
from fruitcount.season.window import DAYS_AFTER_BLOOM, timing
from fruitcount.species import load_species

__all__ = ["SECOND_PASS_DAYS", "QueueLine", "queue"]

# the second pass two weeks on: common practice, no source; used where the species is not known
SECOND_PASS_DAYS = 14
_GROUPS = {
    "late": 0, "now": 0, "second pass due": 0, "soon": 1, "second pass later": 1, "too early": 2,
    "not told": 3, "done": 4, "over": 4, "not thinned": 5, "leave it": 5,
}  # fmt: skip


@dataclass(frozen=True)
class QueueLine:
    """One tree in the queue.

    Attributes
    ----------
    tree : OrchardTree
    state : str
        ``"late"``, ``"now"``, ``"second pass due"``, ``"soon"``, ``"second pass later"``,
        ``"too early"``, ``"not told"``, ``"done"``, ``"over"`` (its ripening month is past),
        ``"not thinned"`` or ``"leave it"``.
    reason : str
    due_from, due_to : date or None
        Days between which to do it, where they can be told.
    """

    tree: OrchardTree
    state: str
    reason: str
    due_from: date | None = None
    due_to: date | None = None

    @property
    def for_today(self) -> bool:
        """Whether there is work to do now."""
        return _GROUPS[self.state] == 0

    @property
    def closed(self) -> bool:
        """Whether nothing more is to be done this season: done, over, not thinned or left."""
        return _GROUPS[self.state] >= _GROUPS["done"]


def queue(
    trees: Sequence[OrchardTree], today: date, *, gdh30_by_tree: Mapping[str, float] | None = None
) -> list[QueueLine]:
    """Order the trees: work for today, then soon, later, not told, done, left.

    Within each the earliest to ripen comes first (it has the least time to gain from thinning),
    then those that are late, then by block and name.

    Parameters
    ----------
    trees : sequence of OrchardTree
    today : date
    gdh30_by_tree : mapping, optional
        Tree name to 30-day heat sum; over 6,000 a note says to thin earlier.
    """
    heat = gdh30_by_tree or {}
    lines = [_line(tree, today, heat.get(tree.name)) for tree in trees]
    return sorted(
        lines,
        key=lambda q: (
            _GROUPS[q.state],
            ripening_order(q.tree.ripening_month, southern=q.tree.southern),
            q.state != "late",
            name_order(q.tree.block),
            name_order(q.tree.name),
        ),
    )


def _line(tree: OrchardTree, today: date, heat: float | None) -> QueueLine:
    if tree.leave_it:
        return QueueLine(tree, "leave it", "Marked to be left this season.")
    if tree.second_pass_on:
        return QueueLine(tree, "done", f"Second pass done on {tree.second_pass_on}.")
    ripe = _ripe_by(tree)
    if ripe and today > ripe:
        return QueueLine(tree, "over", f"Its ripening month ended on {ripe}: over for this year.")
    if tree.first_pass_on:
        due = tree.first_pass_on + timedelta(days=_second_pass_days(tree.species))
        state = "second pass due" if today >= due else "second pass later"
        text = f"First pass on {tree.first_pass_on}; look again from {due}."
        return QueueLine(tree, state, text, due, due + timedelta(days=7))
    month = tree.ripening_month
    early = month is not None and season_part(month, southern=tree.southern) == "early"
    when = timing(
        tree.species, today, bloom_date=tree.bloom_date, size_mm=tree.size_mm, early=early
    )
    text = when.reason
    if heat is not None and heat > WARM_GDH30 and when.state in ("too early", "soon", "now"):
        text += f" Warm month after bloom ({heat:,.0f} degree hours): thin earlier."
    window = DAYS_AFTER_BLOOM.get(tree.species)
    if window and tree.bloom_date and when.state != "not thinned":
        first = tree.bloom_date + timedelta(days=window.first)
        return QueueLine(
            tree, when.state, text, first, tree.bloom_date + timedelta(days=window.last)
        )
    return QueueLine(tree, when.state, text)


def _ripe_by(tree: OrchardTree) -> date | None:
    """Last day of the first ripening month after bloom (or the first pass); None if not told."""
    start = tree.bloom_date or tree.first_pass_on
    month = tree.ripening_month
    if start is None or month is None:
        return None
    year = start.year + (month < start.month)
    return date(year, month, monthrange(year, month)[1])


def _second_pass_days(species: str) -> int:
    try:
        return round(load_species(species).second_pass_days.middle)
    except SpeciesError:
        return SECOND_PASS_DAYS
