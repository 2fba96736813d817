"""One tree's plan from its counted limbs: estimate, target, each limb's share and its cuts."""

from __future__ import annotations

import math
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import astuple, dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

from fruitcount.load.model import harvest_mass_g
from fruitcount.pipeline import Result, as_choice, decide
from fruitcount.plan.fruit_size import size_code
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.result import Choice, summed
from fruitcount.plan.words import TITLES
from fruitcount.species.model import load_species
from fruitcount.tree.checkpoint import measurement_in
from fruitcount.tree.count import TreeCount, tree_count
from fruitcount.tree.estimate import csa_cm2
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.sheet import LimbShare, TreeSheet, tree_sheet
from fruitcount.tree.target import target_of
from fruitcount.types import Measurement

Measured = Callable[[Mapping[str, Any]], Measurement | None]
Kept = Callable[[Mapping[str, Any], GrowerInputs, Callable[[], Any]], Any]
_FEWER = {
    "spacing": "its spacing has room for no more",
    "very heavy set": "its spacing has room for no more",
    "wood": "its wood carries no more",
    "room": "its clusters have room for no more",
}
_SAID = ("species", "ripening_month", "southern", "spacing_mm", "harvest_diameter_mm")


class LimbAnswer(NamedTuple):
    """What a limb's own plan, made with its share of the tree, comes to.

    Attributes
    ----------
    keep_n : int
    final_n : float
        Promised at harvest; NaN where not known.
    known : bool
        Whether there is a number to keep.
    rule : str
        What governs it: see :class:`fruitcount.plan.result.Plan`.
    plan_choice : str
    choices : tuple of Choice
        The chosen plan and the other one, which is the same where they do not differ.
    """

    keep_n: int
    final_n: float
    known: bool
    rule: str
    plan_choice: str
    choices: tuple[Choice, ...]


@dataclass(frozen=True, eq=False)
class LimbWork:
    """A limb planned with its share of the tree, each part worked out when it is asked for.

    Attributes
    ----------
    row : mapping
        Of the photo it is planned from.
    inputs : GrowerInputs
    measured : callable
        The row's photo as measured, or None.
    kept : callable, optional
        See :func:`plan_tree`.
    """

    row: Mapping[str, Any]
    inputs: GrowerInputs
    measured: Measured
    kept: Kept | None = None

    @cached_property
    def result(self) -> Result | None:
        """The measurement with what is decided; None where it is not known one by one."""
        known = self.measured(self.row)
        return None if known is None else Result(known, decide(known, self.inputs))

    @cached_property
    def answer(self) -> LimbAnswer | None:
        """The few numbers that the tree needs of it."""
        kept = self.kept or (lambda row, inputs, work: work())
        *told, choices = kept(self.row, self.inputs, self._answer) or (None,)
        return LimbAnswer._make((*told, tuple(Choice(*c) for c in choices))) if choices else None

    def _answer(self) -> tuple[Any, ...]:
        if self.result is None:
            return ()
        one = self.result.decision
        p, choices = one.plan, one.choices or (as_choice(one, chosen=True),) * 2
        rule, both = p.rule if p.rule == "room" else p.target.rule, [astuple(c) for c in choices]
        return (p.keep_count, p.final_count, p.number_known, rule, p.plan_choice, both)


@dataclass(frozen=True, eq=False)
class TreePlan:
    """One tree's plan.

    Attributes
    ----------
    tree : str
    sheet : TreeSheet
        Estimate, target and each limb's share.
    count : TreeCount
        What it rests on.
    size_class : str
        Trade size code of the wanted ripe size; empty where the species has none.
    notes : tuple of str
        What had to be assumed, for the count and after.
    work : mapping
        Limb name to its own plan; limbs whose fruit are not known one by one have none.
    """

    tree: str
    sheet: TreeSheet
    count: TreeCount
    size_class: str
    notes: tuple[str, ...] = ()
    work: Mapping[str, LimbWork] = field(default_factory=dict)

    @cached_property
    def results(self) -> Mapping[str, Result]:
        """Limb name to its measurement, decided with the tree's share."""
        made = {name: limb.result for name, limb in self.work.items()}
        return {name: result for name, result in made.items() if result is not None}

    @cached_property
    def choices(self) -> tuple[Choice, ...]:
        """The chosen plans of all limbs and the other ones, summed; empty where they agree."""
        answers = {name: limb.answer for name, limb in self.work.items()}
        pairs = {name: x.choices for name, x in answers.items() if x is not None and x.known}
        both = next((pair for pair in pairs.values() if len({c.name for c in pair}) > 1), ())
        if len({pair[0].name for pair in pairs.values()}) != 1:
            return ()
        limbs = [x for x in self.sheet.limbs if x.name in pairs]
        return tuple(
            summed(one, [self._of_limb(limb, pairs[limb.name][k]) for limb in limbs])
            for k, one in enumerate(both)
        )

    def _of_limb(self, limb: LimbShare, choice: Choice) -> Choice:
        times, fruit_g = self.count.true_per_seen, self.sheet.fruit_g or math.nan
        keep_n, final_n = _with_hidden(choice.keep_n, choice.final_n, limb, times)
        return replace(choice, keep_n=keep_n, final_n=final_n, harvest_g=final_n * fruit_g)

    @property
    def too_few(self) -> str:
        """Where fewer are left at harvest than wanted: how many, and what would leave more."""
        sheet, all_seen = self.sheet, len(self.sheet.counted) == len(self.sheet.limbs)
        final, wanted = round(sheet.whole_work.final_n), sheet.target
        if final >= math.floor(wanted.low_n):
            return ""
        mine = next((c.final_n for c in self.choices if c.chosen), math.nan)
        other = next((c for c in self.choices if c.final_n > mine), None)
        if other is not None:
            more = f"{other.final_n:.0f}" if all_seen else "more"
            what = f'for {more} choose the plan "{TITLES[other.name]}"'
            short = all_seen and other.final_n < math.floor(wanted.low_n)
            what += ", the limbs bear no more" if short else ""
        elif sum(x.whole_n for x in sheet.limbs) < wanted.low_n:
            what = "no more hang there" if all_seen else "by what was seen no more hang there"
        else:
            what = "spacing and wood of these limbs allow no more"
        where = "" if all_seen else " on the whole tree"
        return f"only {final} fruit at harvest{where}, {wanted.span} are wanted; {what}"


def plan_tree(
    rows: Sequence[Mapping[str, Any]],
    tree: str,
    facts: TreeFacts,
    *,
    measured: Measured = measurement_in,
    kept: Kept | None = None,
) -> TreePlan:
    """Estimate a tree from its counted photos, set its target and share it over the limbs.

    The target comes from the crates where they are given, else from the trunk, else from the
    spacing over all limbs. Where a limb's own spacing or wood allows fewer than its share, the
    lower number stands; a limb not photographed gets no more than limbs like it may keep.

    Parameters
    ----------
    rows : sequence of mapping
        One a photo, such as :func:`fruitcount.tree.folder.read_rows` gives.
    tree : str
        Its name in the rows.
    facts : TreeFacts
    measured : callable, optional
        A row's photo as measured, or None; by default what the row holds as ``measurement``.
        Planned with what ``facts`` say, the choice that it was counted with, and its share.
    kept : callable, optional
        What a row's own plan came to before with these inputs, as plain values; the last argument
        works it out.

    Raises
    ------
    BadInputError
        When no limb of the tree was counted, or nothing tells a target.
    """
    species = load_species(facts.species)
    count = tree_count(rows, tree, facts)
    limbs, area = count.limbs, csa_cm2([x.size.base_diameter_mm for x in count.limbs])
    fruit_g = harvest_mass_g(species, facts.harvest_diameter_mm)
    target, remarks = target_of(limbs, area, species, facts, fruit_g)
    times, by_hand = count.true_per_seen, count.hand_limbs
    sheet = tree_sheet(
        [
            LimbShare(x.name, float(a), by_hand.get(x.name, x.count_n * times))
            for x, a in zip(limbs, area, strict=True)
        ],
        count.total,
        target=target,
        pace_n_per_min=facts.pace_n_per_min,
        fruit_g=fruit_g,
    )
    wanted = facts.harvest_diameter_mm or species.harvest_diameter_mm.number
    code = size_code(species, wanted) if species.size_codes else ""
    work: dict[str, LimbWork] = {}
    answers: dict[str, LimbAnswer] = {}
    own_n: dict[str, int] = {}  # each limb's own number, of its fruit seen
    by_file = {str(r["file"]): r for r in rows if str(r.get("tree") or "") == tree}
    for limb in sheet.limbs:
        mine = [by_file[file] for file in count.files.get(limb.name, ())]
        choice = facts.plan_choice or next(
            (str(r["plan_choice"]) for r in mine if r.get("plan_choice")), "quick"
        )
        inputs = GrowerInputs(
            plan_choice=choice, limb_target=limb.keep_n / times,
            **{name: getattr(facts, name) for name in _SAID},
        )  # fmt: skip
        for row in mine:
            one = LimbWork(row, inputs, measured, kept)
            if one.answer is not None:
                answers[limb.name], work[limb.name], mine = one.answer, one, [row]
                break
        known_n = [int(r["keep_n"]) for r in mine if r.get("keep_n") is not None]
        own_n |= {limb.name: min(known_n)} if known_n else {}
    sheet, said = _as_planned(sheet, answers, own_n, times)
    return TreePlan(tree, sheet, count, code, (*count.notes, *remarks, *said), work)


def _as_planned(
    sheet: TreeSheet,
    answers: Mapping[str, LimbAnswer],
    own_n: Mapping[str, int],
    true_per_seen: float,
) -> tuple[TreeSheet, list[str]]:
    """What each limb's own plan keeps now and at harvest; without one its share, or less."""
    plans = {name: answer for name, answer in answers.items() if answer.known}
    limbs, unchecked = [], []
    lowered: dict[str, str] = {}
    for limb in sheet.limbs:
        plan, share = plans.get(limb.name), limb.keep_n
        keep = final = min(share, round(own_n.get(limb.name, share) * true_per_seen))
        if plan is not None:
            keep, final = _with_hidden(plan.keep_n, plan.final_n, limb, true_per_seen)
        elif limb.counted and limb.name not in own_n:
            unchecked.append(limb.name)
        if keep < share:
            here = (
                "no more hang there" if limb.whole_n < share else "its photo's plan keeps no more"
            )
            lowered[limb.name] = _FEWER.get(plan.rule, here) if plan else here
        own = _own_words(keep, own_n.get(limb.name, keep), true_per_seen, plan)
        limbs.append(replace(limb, keep_n=keep, final_n=final, own_words=own))
    limbs, capped = _like_the_others(limbs, lowered, plans)
    said = []
    chosen = sorted({TITLES[answer.plan_choice] for answer in answers.values()})
    if len(chosen) > 1:  # else the line of the chosen plan says it
        said.append(f"Plan, {' or, as chosen for each limb, '.join(chosen)}.")
    if capped:
        said.append(
            "Limbs nobody has seen get no more than limbs like them may keep; load not checked."
        )
    for why in sorted(set(lowered.values())):
        names = ", ".join(name for name, x in lowered.items() if x == why)
        said.append(f"Limb {names}: less than its share of the target, {why}.")
    if unchecked:
        said.append(
            f"Limb {', '.join(unchecked)}: only its share of the target is known; its own spacing "
            "and wood were not checked."
        )
    if answers and true_per_seen != 1:
        said.append("Cuts and pinches are of the fruit seen on the photo; Now, Keep and Off "
                    "include those hidden.")  # fmt: skip
    return sheet.with_limbs(limbs), said


def _with_hidden(
    keep_n: int, final_n: float, limb: LimbShare, true_per_seen: float
) -> tuple[int, int]:
    """What of all its fruit, hidden ones too, a limb keeps now and at harvest."""
    keep, final = round(keep_n * true_per_seen), final_n * true_per_seen
    keep = min(keep, limb.whole_n)
    return keep, keep if math.isnan(final) else min(round(final), keep)


def _own_words(keep_n: int, own_n: int, true_per_seen: float, plan: LimbAnswer | None) -> str:
    """What the limb by itself would keep, and why it is another number; empty where it is not."""
    if keep_n == own_n:
        return ""
    words, whole_n = f"alone the limb would keep {own_n}", round(own_n * true_per_seen)
    if whole_n != own_n:
        words += f" of the fruit seen, {whole_n} with those hidden"
        if keep_n == whole_n:
            return words
    by_share = keep_n < whole_n and (plan is None or plan.rule == "tree share")
    why = "its share of the tree is smaller" if by_share else "the tree is planned another way"
    return f"{words}; {why}"


def _like_the_others(
    limbs: Sequence[LimbShare], lowered: Container[str], planned: Container[str]
) -> tuple[list[LimbShare], bool]:
    """Limbs without a plan end as those with one do.

    Where all limbs to thin were lowered, those not photographed keep no more than like them.
    """
    own = [x for x in limbs if x.name in planned]
    per_kept = sum(x.final_n for x in own) / max(sum(x.keep_n for x in own), 1) if own else 1.0
    alike = [x for x in limbs if x.counted and x.keep_n < x.whole_n]
    per_cm2 = max((x.keep_n / x.area_cm2 for x in alike), default=math.inf)
    if any(x.name not in lowered for x in alike):
        per_cm2 = math.inf
    out = []
    for x in limbs:
        most = math.inf if x.counted else max(per_cm2 * x.area_cm2 // 1, 1)
        keep = int(min(x.keep_n, most))
        final = x.final_n if x.name in planned else round(keep * per_kept)
        out.append(replace(x, keep_n=keep, final_n=final))
    return out, any(y.keep_n < x.keep_n for x, y in zip(limbs, out, strict=True))
