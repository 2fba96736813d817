"""Which tree when: one rule from fruitlet size, days after bloom and heat; and week by week."""

from __future__ import annotations

import math
from calendar import monthrange
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from fruitcount.errors import SpeciesError, at_least
from fruitcount.season.heat import WARM_GDH30, days_sooner
from fruitcount.season.orchard import OrchardTree, believed_day, name_order
from fruitcount.species.model import Species, latest_size_mm, load_species, size_word
from fruitcount.units import MONTHS, northern_month, season_year

# under the window by this much is "soon"; a week's work is given a week; our own choices
_SOON_DAYS, _WORK_DAYS = 10, 6
# the second pass two weeks on: common practice, no source; used where the species is not known
_SECOND_PASS_DAYS = 14
# fruitlets of 13 to 25 mm about 40 days after bloom (UC; Marini 2003) have grown about 0.5 mm a
# day; more than twice that, and a little at bloom, is taken for a mistake, our own choice
_MOST_AT_BLOOM_MM, _MOST_MM_PER_DAY = 5.0, 1.0
# fruit grow on: a photo's size tells of the days after it, our own choice
_STALE_DAYS = 10
# our own choice: where neither ripening month nor days to harvest are known
_LATEST_HARVEST_DAYS = 200
# thinning gains little size so near to harvest: our own choice
_TOO_NEAR_DAYS = 21
_LAST_CALL, _LATE = " Past dime size: do not wait.", " Thin now, expect less gain."
_BY_SIZE = {
    "too early": ("too early", ""), "early but possible": ("soon", " Early but possible."),
    "in time": ("now", ""), "last call": ("now", _LAST_CALL), "late": ("late", _LATE),
}  # fmt: skip
_GROUPS = {
    "late": 0, "now": 0, "second pass due": 0, "measure again": 0, "soon": 1,
    "second pass later": 1, "too early": 2, "not known": 3, "done": 4, "over": 4,
    "not thinned": 5, "leave it": 5,
}  # fmt: skip


@dataclass(frozen=True)
class Days:
    """First and last day of something, where they come from, whether it should be done by now."""

    first: date
    last: date
    source: str = ""
    overdue: bool = False


@dataclass(frozen=True)
class QueueLine:
    """One tree in the queue.

    Attributes
    ----------
    tree : OrchardTree
    state : str
        ``"late"``, ``"now"``, ``"second pass due"``, ``"measure again"`` (size and bloom date do
        not agree), ``"soon"``, ``"second pass later"``, ``"too early"``, ``"not known"``,
        ``"done"``, ``"over"`` (the season is past), ``"not thinned"`` or ``"leave it"``.
    reason : str
    due : Days or None
        When to do it, where that can be said; never before today for work that is due.
    harvest : Days or None
        When it is likely to ripen.
    """

    tree: OrchardTree
    state: str
    reason: str
    due: Days | None = None
    harvest: Days | None = None

    @property
    def words(self) -> str:
        """When, why, and the harvest, in sentences."""
        when = "" if self.due is None or self.state == "measure again" else day_words(self.due)
        if self.for_today and when and self.due:
            when = "This week" if self.due.overdue else f"By {day_word(self.due.last)}"
        ripe = f"Harvest about {day_words(self.harvest)}." if self.harvest else ""
        return " ".join(part for part in (when and f"{when}.", self.reason, ripe) if part)

    @property
    def for_today(self) -> bool:
        """Whether there is work to do now."""
        return _GROUPS[self.state] == 0

    @property
    def closed(self) -> bool:
        """Whether nothing more is to be done this season: done, over, not thinned or left."""
        return _GROUPS[self.state] >= _GROUPS["done"]


def queue(
    trees: Sequence[OrchardTree],
    today: date,
    *,
    gdh30_by_tree: Mapping[str, float] | None = None,
    year: int | None = None,
) -> list[QueueLine]:
    """Order the trees: work for today, then soon, later, not known, done, left.

    Within each the earliest to ripen comes first (it has the least time to gain from thinning),
    then those that are late, then by block and name.

    Parameters
    ----------
    trees : sequence of OrchardTree
    today : date
        What was done after this day is not done yet.
    gdh30_by_tree : mapping, optional
        Tree name to 30-day heat sum; over 6,000 thinning comes earlier, and harvest too.
    year : int, optional
        Season that the trees are told of; default the one that ``today`` lies in.

    Raises
    ------
    BadInputError
        When the day is outside the years that are believed.
    """
    believed_day("day", today)
    heat = gdh30_by_tree or {}
    lines = []
    for tree in trees:
        gdh30 = heat.get(tree.name, math.nan)
        line = _line(tree, today, gdh30, year)
        lines.append(replace(line, harvest=harvest_days(tree, gdh30)))
    return sorted(
        lines,
        key=lambda q: (
            _GROUPS[q.state],
            _ripening_order(q.tree),
            q.state != "late",
            name_order(q.tree.block),
            name_order(q.tree.name),
        ),
    )


def ripening_month(tree: OrchardTree) -> int | None:
    """A tree's ripening month: typed, else by its days from bloom to harvest."""
    harvest = harvest_days(tree)
    return tree.ripening_month or (harvest.first.month if harvest else None)


def _ripening_order(tree: OrchardTree) -> int:
    month = ripening_month(tree)
    return 99 if month is None else northern_month(month, southern=tree.southern)


def species_of(tree: OrchardTree) -> Species | None:
    """A tree's species; None where it is not told or of no known name."""
    try:
        return load_species(tree.species) if tree.species else None
    except SpeciesError:
        return None


def _line(tree: OrchardTree, today: date, gdh30: float, year: int | None) -> QueueLine:
    species, first_pass = species_of(tree), tree.first_pass_on
    if tree.leave_it:
        return QueueLine(tree, "leave it", "Marked to be left this season.")
    if species is not None and not species.thinned:
        return QueueLine(tree, "not thinned", f"{species.title} is not thinned by hand.")
    if tree.second_pass_on and tree.second_pass_on <= today:
        return QueueLine(tree, "done", f"Second pass done on {day_word(tree.second_pass_on)}.")
    season = season_year(today, southern=tree.southern)
    window = _window(tree, species, gdh30)
    end = _harvest_end(tree, year or season, gdh30)
    if (year or season) < season or today > end:
        past = (
            f"Its season ended on {day_word(end)} {end.year}."
            if today > end
            else f"The season of {year} is over."
        )
        return QueueLine(tree, "over", past)
    if (year or season) > season:
        return QueueLine(tree, "too early", f"The season of {year} has not begun.")
    last = end if end == date.max else end - timedelta(days=_TOO_NEAR_DAYS)
    last = max(last, window.last) if window else last
    if today > last:
        near = "Too near harvest to make fruit larger: lighten only a limb that could break."
        return QueueLine(tree, "over", near)
    if first_pass and first_pass <= today:
        return _second_pass(tree, species, first_pass, today, last)
    return _first_pass(tree, species, window, today, gdh30)


def _second_pass(
    tree: OrchardTree, species: Species | None, done_on: date, today: date, last: date
) -> QueueLine:
    days = round(species.second_pass_days.middle) if species else _SECOND_PASS_DAYS
    due = done_on + timedelta(days=days)
    first, again = day_word(done_on), day_word(due)
    if due > last:
        text = f"First pass on {first}; harvest is too near for a second."
        return QueueLine(tree, "done", text)
    state = "second pass due" if today >= due else "second pass later"
    text = f"First pass on {first}; look again from {again}."
    return QueueLine(tree, state, text, _open_days(due, due + timedelta(days=7), today))


def _open_days(first: date, last: date, today: date) -> Days:
    """Days still open: work that should be done by now is for the week that begins today."""
    overdue = last < today
    return Days(
        max(first, today), today + timedelta(days=_WORK_DAYS) if overdue else last, overdue=overdue
    )


def _first_pass(
    tree: OrchardTree, species: Species | None, window: Days | None, today: date, gdh30: float
) -> QueueLine:
    by_days = _by_days(tree, window, today)
    state, text = by_days if species is None else _by_fruit(tree, species, by_days, today)
    if state == "measure again":
        return QueueLine(tree, state, text, Days(today, today))
    if gdh30 > WARM_GDH30 and state != "not known":
        text += f" Warm month after bloom ({gdh30:,.0f} degree hours): thin earlier."
    due = None
    if state in ("now", "late"):
        in_time = window and state == "now" and _LAST_CALL not in text
        due = _open_days(today, window.last if window and in_time else date.min, today)
    elif window is not None and state != "not known":
        due = _open_days(window.first, window.last, today)
    return QueueLine(tree, state, text, due)


def _by_fruit(
    tree: OrchardTree, species: Species, by_days: tuple[str, str], today: date
) -> tuple[str, str]:
    """What the fruit's size says, typed or from photos, held against the days after bloom."""
    size_mm, on = tree.size_mm, today
    if size_mm is None and tree.photos_on is not None and tree.photos_on <= today:
        size_mm, on = tree.photos_mm, tree.photos_on
    if size_mm is None:
        return by_days
    grown = (on - tree.bloom_date).days if tree.bloom_date else math.inf
    if grown < 0 or size_mm > _MOST_AT_BLOOM_MM + grown * _MOST_MM_PER_DAY:
        wrong = f"{size_mm:.0f} mm is too large {_after_bloom(grown)}: check size and bloom date."
        return "measure again", wrong
    state, text = _by_size(tree, species, size_mm, on if on < today else None)
    if state in ("too early", "soon") and by_days[0] in ("now", "late"):
        now = _after_bloom((today - tree.bloom_date).days) if tree.bloom_date else "by now"
        return "measure again", f"{size_mm:.0f} mm is small for {now}: measure a limb again."
    if state != "late" and (today - on).days > _STALE_DAYS:
        if by_days[0] != "not known":
            return by_days
        return "measure again", f"{text} That was {(today - on).days} days ago."
    return state, text


def _window(tree: OrchardTree, species: Species | None, gdh30: float) -> Days | None:
    """Days after bloom between which to thin; a warm month moves them as it moves harvest.

    That both move alike is our own choice; the published rule says only "earlier".
    """
    if species is None or not species.thinning_days.known or tree.bloom_date is None:
        return None
    sooner = timedelta(days=round(max(days_sooner(gdh30), 0.0)))
    low, high = (timedelta(days=d) for d in (species.thinning_days.low, species.thinning_days.high))
    start = tree.bloom_date - sooner
    return Days(start + low, start + high)


def _by_days(tree: OrchardTree, window: Days | None, today: date) -> tuple[str, str]:
    bloom = tree.bloom_date
    if bloom is None:
        return "not known", "Give its species and its day of full bloom, or measure a limb."
    days = (today - bloom).days
    if days < 0:
        return "too early", f"Full bloom is given as {day_word(bloom)}."
    if window is None:
        return "not known", f"{_after_bloom(days)}; fruit size decides: measure a limb."
    usual = f"usual {(window.first - bloom).days}-{(window.last - bloom).days}"
    text = f"{_after_bloom(days)}; {usual}."
    if today > window.last:
        return "late", text + _LATE
    if today >= window.first:
        return "now", text
    return "soon" if today >= window.first - timedelta(days=_SOON_DAYS) else "too early", text


def _after_bloom(days: float) -> str:
    if days < 0:
        return "before bloom"
    return "1 day after bloom" if days == 1 else f"{days:.0f} days after bloom"


def _by_size(
    tree: OrchardTree, species: Species, size_mm: float, on: date | None
) -> tuple[str, str]:
    """The rule that the plan of a limb uses too (:mod:`fruitcount.species.model`)."""
    month = ripening_month(tree)
    north = None if month is None else northern_month(month, southern=tree.southern)
    early = species.season_of(north) == "early"
    low, high = species.thinning_size_mm.low, latest_size_mm(species, early_ripening=early)
    state, more = _BY_SIZE[size_word(size_mm, species, early_ripening=early)]
    told = f"measured {size_mm:.0f} mm on {day_word(on)}" if on else ""
    told = told or f"measure {size_mm:.0f} mm"
    return state, f"Fruitlets {told}; usual {low:.0f}-{high:.0f} mm.{more}"


def harvest_days(tree: OrchardTree, gdh30: float = math.nan) -> Days | None:
    """When a tree is likely to ripen: bloom, and days from bloom typed or published.

    Parameters
    ----------
    tree : OrchardTree
    gdh30 : float
        Heat of the 30 days after bloom: a warmer month makes it sooner
        (:func:`fruitcount.season.heat.days_sooner`; figures for peach). NaN leaves the days.

    Returns
    -------
    Days or None
        None where days are not known, or the published ones miss the tree's ripening month.
    """
    species, bloom = species_of(tree), tree.bloom_date
    if bloom is None:
        return None
    ends, source = (tree.harvest_days, tree.harvest_days), "your days from bloom"
    if tree.harvest_days is None:
        if species is None or not species.harvest_days.known:
            return None
        ends = (round(species.harvest_days.low), round(species.harvest_days.high))
        source = species.harvest_days.source
    sooner = days_sooner(gdh30)
    first, last = (bloom + timedelta(days=round((end or 0) - sooner)) for end in ends)
    months = {first.month, last.month}
    if tree.harvest_days is None and tree.ripening_month not in (None, *months):
        return None
    return Days(first, last, source)


def _harvest_end(tree: OrchardTree, year: int, gdh30: float) -> date:
    """Last day of a tree's harvest: by its days from bloom, else by its ripening month."""
    harvest = harvest_days(tree, gdh30)
    if harvest is not None:
        return harvest.last
    start, month = tree.bloom_date or tree.first_pass_on, tree.ripening_month
    if month is None:
        return start + timedelta(days=_LATEST_HARVEST_DAYS) if start else date.max
    if start is None:  # the southern season of a year ends in June of the next
        ripe = year + (tree.southern and month < 7)
    else:
        ripe = start.year + (month < start.month)
    return date(ripe, month, monthrange(ripe, month)[1])


def day_word(day: date) -> str:
    """``25 August``, for people."""
    return f"{day.day} {MONTHS[day.month - 1]}"


def day_words(days: Days) -> str:
    """``25 August``, or the two ends of a range, for people."""
    first, last = day_word(days.first), day_word(days.last)
    return first if first == last else f"{first} to {last}"


@dataclass(frozen=True)
class Week:
    """Seven days' work.

    Attributes
    ----------
    first : date
    trees : tuple of str
        In the order of the queue.
    hours : float
        Of those trees whose work is known.
    unknown_n : int
        Trees whose hours are not known.
    short_h : float
        Hours more than the grower has; 0 where it fits or nothing is told.
    """

    first: date
    trees: tuple[str, ...]
    hours: float
    unknown_n: int
    short_h: float


def due_weeks(
    lines: Sequence[QueueLine],
    today: date,
    *,
    hours_by_tree: Mapping[str, float],
    hours_a_week: float | None = None,
) -> list[Week]:
    """Share the work over the weeks in which it is due.

    Each tree goes to the first week of its days that has room for it, those whose days end first
    before others; where no week has room, to the last of its days, which then is short of hours.

    Parameters
    ----------
    lines : sequence of QueueLine
        In the order of the queue.
    today : date
        Weeks are counted from it, so that the first one has seven days to work.
    hours_by_tree : mapping
        Tree name to hours of work; NaN or absent where not known.
    hours_a_week : float, optional
        Hours that the grower has; more of them puts more trees in the earlier weeks.

    Returns
    -------
    list of Week
        Only weeks with work.
    """
    room = math.inf if hours_a_week is None else at_least("hours_a_week", hours_a_week, 0.0)
    jobs: dict[int, dict[str, float]] = {}

    def hours_in(week: int) -> float:
        return math.fsum(h for h in jobs.get(week, {}).values() if not math.isnan(h))

    due = [(q.due, q.tree.name) for q in lines if q.due is not None and not q.closed]
    for days, name in sorted(due, key=lambda job: job[0].last):
        hours = hours_by_tree.get(name, math.nan)
        first, last = ((day - today).days // 7 for day in (days.first, days.last))
        need = 0.0 if math.isnan(hours) else hours
        week = next((w for w in range(first, last + 1) if hours_in(w) + need <= room), last)
        jobs.setdefault(week, {})[name] = hours
    return [
        Week(
            today + timedelta(days=7 * week), tuple(name for _, name in due if name in work),
            hours_in(week), sum(map(math.isnan, work.values())), max(hours_in(week) - room, 0.0),
        )
        for week, work in sorted(jobs.items())
    ]  # fmt: skip
