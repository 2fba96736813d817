"""The plan in sentences: the verdict, the notes, and where each number comes from."""

from __future__ import annotations

import math

from fruitcount.flags import Flag
from fruitcount.plan.inputs import GrowerInputs, PlanRules
from fruitcount.plan.result import Plan
from fruitcount.plan.target import KeepTarget
from fruitcount.reason import Reason
from fruitcount.species import Species

__all__ = ["explain", "notes_for", "verdict_for"]

OURS = "our choice"


def verdict_for(
    crop: int, target: KeepTarget, species: Species, inputs: GrowerInputs, flags: Flag
) -> tuple[str, str]:
    """``"thin"``, ``"leave"`` or ``"cannot tell"``, and one sentence why.

    Cherries are not thinned (Kansas State, Oklahoma State, Nevada); a light set is left alone
    (common practice, no source). Otherwise the count decides.
    """
    if Flag.COUNT_UNKNOWN in flags:
        return "cannot tell", "The fruit could not be counted on this photo."
    if not species.thinned:
        return "leave", f"{species.title} is not thinned by hand."
    if inputs.light_set:
        return "leave", "The set is light: a light set is left alone."
    if crop == 0:
        return "leave", "No green fruit was counted on this limb."
    if math.isnan(target.centre):
        return "cannot tell", (
            "The keep count needs a scale or the limb's length; "
            "the best fruit of each cluster is marked as a proposal."
        )
    if crop <= target.centre:
        return "leave", (
            f"{crop} fruit hang here and {target.centre:.0f} may stay: nothing to take off."
        )
    return "thin", f"{crop} fruit hang here: more than may stay."


def notes_for(plan: Plan, species: Species, inputs: GrowerInputs) -> tuple[str, ...]:
    """Sentences that go with the plan, most important first."""
    notes = []
    if plan.verdict == "thin" and inputs.pass_number == 1:
        notes.append(
            f"This is not the final count: about {species.second_pass_days.number:.0f} days later "
            f"a second pass goes to {plan.target.final:.0f} (common practice, no source)."
        )
    if plan.verdict == "thin" and plan.rule == "room":
        notes.append("Clusters and gaps left no room for the full count, so fewer stay.")
    if plan.verdict == "cannot tell" and plan.off_count:
        notes.append("One fruit of each cluster is proposed; the number to keep is not told.")
    if plan.verdict == "leave" and species.thinned and inputs.light_set:
        notes.append("Count again after the natural drop.")
    if plan.verdict == "leave" and plan.largest_cluster >= 3 and species.thinned:
        notes.append(
            f"Clusters of up to {plan.largest_cluster} hang here: breaking them to one gives "
            "larger fruit (UC IPM, Thinning plums: break clusters)."
        )
    if plan.yellowing_count:
        notes.append(
            f"{plan.yellowing_count} yellowing fruit "
            + ("is not counted: it" if plan.yellowing_count == 1 else "are not counted: they")
            + " will drop."
        )
    if inputs.drop_done is None and species.thinned and plan.crop_count:
        low, high = species.natural_drop_frac.low, species.natural_drop_frac.high
        notes.append(
            "Has the natural drop happened? If not, "
            f"{low:.0%} to {high:.0%} may still fall (from memory); tell it, and more are left."
        )
    if plan.timing.sentence and plan.verdict != "leave":
        notes.append(plan.timing.sentence)
    if species.thinned and inputs.spacing_mm is None and plan.verdict != "leave":
        notes.append("Published spacings for one species differ two- to threefold: see the range.")
    return tuple(notes)


def explain(
    plan: Plan, species: Species, inputs: GrowerInputs, rules: PlanRules
) -> tuple[Reason, ...]:
    """One reason for every number in the plan, in the order a reader meets them."""
    marks = "marks on the photo"
    ranged = f"pass {plan.pass_number}, range {plan.keep_low_n} to {plan.keep_high_n}"
    leads = f"the smallest of spacing, wood, tree share and cap leads ({OURS})"
    sound = "Krueger, UC prune sample rule: sound fruit only (published)"
    out = [
        Reason("crop on the limb", plan.crop_count, "green fruit not known to hang elsewhere",
               marks, "photo"),
        Reason("yellowing fruit", plan.yellowing_count, "not crop: it will drop", marks, sound),
        *plan.target.reasons,
        Reason("keep", plan.keep_count, f"governed by: {plan.rule}", ranged, leads),
    ]  # fmt: skip
    if plan.off_count:
        out.extend(_work_reasons(plan, inputs, rules))
    if math.isfinite(plan.timing.median_mm):
        latest = species.thinning_latest_mm
        late = f"late from {latest.number:g} mm"
        said = f"{latest.source} ({latest.status})"
        size = plan.timing.median_mm
        out.append(Reason("median green diameter", size, plan.timing.word, late, said))
    return tuple(out)


def _work_reasons(plan: Plan, inputs: GrowerInputs, rules: PlanRules) -> list[Reason]:
    counts = f"crop {plan.crop_count}, keep {plan.keep_count}"
    shares = (
        f"{rules.gap_share_frac:g} of an even share of the wood, or of the low spacing where that "
        f"leaves no room; in a first pass with cuts {rules.first_pass_gap_frac:g} of its spacing"
    )
    averages = f"Kansas State: clusters are fine if the average holds (published); shares ({OURS})"
    times = (
        f"{len(plan.cuts)} cuts at {inputs.seconds_per_cut:g} s, "
        f"{len(plan.pinches)} pinches at {inputs.seconds_per_pinch:g} s"
    )
    nine = "about nine-tenths on heavy limbs (common practice, no source)"
    least = "least-work choice of cuts and pinches"
    out = [
        Reason("take off", plan.off_count, "crop less keep", counts, "arithmetic"),
        Reason("closest two kept, mm", plan.gap_mm, "the count leads, spacing spreads it",
               shares, averages),
        Reason("work, seconds", plan.work_seconds, least, times, f"time your own ({OURS})"),
        Reason("share by clippers", plan.clipper_share_frac, "fruit in cuts over fruit off",
               f"{len(plan.cuts)} cuts", nine),
    ]  # fmt: skip
    for cut in plan.cuts:
        given = (
            f"brings off {len(cut.fruit)}; {inputs.keep_tip_leaves_mm:g} mm with leaves left, "
            f"stub {inputs.stub_mm:g} mm"
        )
        rule = "mm along the wood from the base, beyond the last kept fruit"
        out.append(Reason("cut", cut.from_base_mm, rule, given, f"grower's rule ({OURS})"))
    return out
