"""The plan in a grower's sentences, and where each number comes from."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fruitcount.flags import LOAD_DOUBTS, LOPPERS_MM, Flag, cut_tool
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.result import Choice, Plan
from fruitcount.plan.target import KeepTarget
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, Reason
from fruitcount.units import format_length, format_size, format_weight

OURS = "our choice"
TITLES = {"quick": "quick: shorten it", "full": "full crop: pinch"}
_ENDS = {
    "spacing": ("the widest published spacing", "the closest published spacing"),
    "very heavy set": ("the widest published spacing", "where the set is very heavy"),
    "wood": ("the most careful figure for the wood", "the boldest figure for the wood"),
    "tree share": ("this limb's share of the tree", "this limb's share of the tree"),
    "cap": ("your own limit", "your own limit"),
    "room": ("the room between clusters", "the room between clusters"),
    "what hangs here": ("the fewest that may hang here", "the most that may hang here"),
}
_WOOD_IN_DOUBT = "the wood, if it is as thin as it looks"


def headline(plan: Plan) -> str:
    """The answer in one line, such as ``KEEP 6 of 23 (5 to 8), take off 17``."""
    if plan.verdict == "thin":
        span = _span(plan.keep_low_n, plan.keep_high_n)
        return f"KEEP {plan.keep_count} of {plan.crop_count} ({span}), take off {plan.off_count}"
    if plan.verdict == "leave" and plan.off_count:
        return f"LEAVE IT, BUT SINGLE THE CLUSTERS: {plan.reason}"
    words = {"leave": "LEAVE IT", "check limb": "CHECK THE LIMB"}
    return f"{words.get(plan.verdict, 'CANNOT TELL')}: {plan.reason}"


def range_sentence(plan: Plan) -> str:
    """Which rule sets each end of the range; empty where there is no range."""
    if plan.verdict != "thin":
        return ""
    low, high = _ENDS[plan.keep_low_rule][0], _ENDS[plan.keep_high_rule][1]
    if plan.flags & LOAD_DOUBTS:  # then no load is known that a figure of the wood could rest on
        low = _WOOD_IN_DOUBT if plan.keep_low_rule == "wood" else low
        high = _WOOD_IN_DOUBT if plan.keep_high_rule == "wood" else high
    if plan.keep_low_n == plan.keep_high_n:
        return f"{plan.keep_low_n:.0f}: set by {low}."
    return f"Range: {plan.keep_low_n:.0f} by {low}, {plan.keep_high_n:.0f} by {high}."


def time_words(seconds: float) -> str:
    """Time of work in the steps a grower feels: half minutes below three, then minutes."""
    if not seconds > 0:
        return "no work"
    if seconds < 12:
        return "a few seconds"
    halves = max(1, round(seconds / 30))
    if halves == 1:
        return "about half a minute"
    if halves >= 6:
        return f"about {round(seconds / 60)} minutes"
    return f"about {halves / 2:g} minute{'s' if halves > 2 else ''}"


def cut_lines(plan: Plan, units: str = "metric") -> list[str]:
    """One line a cut, one for what is left to the fingers, and the time."""
    lines = []
    for number, cut in enumerate(plan.cuts, start=1):
        where = "the limb" if cut.shoot < 0 else f"side shoot {cut.shoot + 1}"
        known = math.isfinite(cut.from_base_mm)
        place = f" {format_length(cut.from_base_mm, units)} from the base" if known else ""
        thick = f", {format_size(cut.diameter_mm, units)} thick" if cut.diameter_mm > 0 else ""
        lines.append(
            f"Cut {number} ({cut_tool(cut.diameter_mm)}): {where}{place}{thick}; takes "
            f"{len(cut.fruit)} fruit ({cut.share_frac:.0%} of what comes off)"
        )
    if plan.pinches:
        lines.append(f"Pinch off {len(plan.pinches)} by hand (marked with a cross)")
    if plan.cuts or plan.pinches:
        lines.append(f"Work: {time_words(plan.work_seconds)}")
    return lines


def choice_lines(choices: Sequence[Choice], units: str = "metric") -> list[str]:
    """The plans side by side, the chosen one first, and what they differ in; none if in nothing."""
    lines = []
    for one in sorted(choices, key=lambda c: not c.chosen):
        acts = [f"{one.cuts_n} cut{'s' if one.cuts_n > 1 else ''}"] if one.cuts_n else []
        acts += [f"{one.pinches_n} pinched"] if one.pinches_n else []
        final = "" if math.isnan(one.final_n) else f", {one.final_n:.0f} at harvest"
        weight = "" if math.isnan(one.harvest_g) else f" ({format_weight(one.harvest_g, units)})"
        load = "" if one.load_word == "not known" else f"; load: {one.load_word}"
        lines.append(
            f"{'Chosen' if one.chosen else 'Or'}, {TITLES[one.name]}. {', '.join(acts)}, "
            f"{time_words(one.work_seconds)}; {one.keep_n} stay now{final}{weight}{load}"
        )
    by_name = {c.name: c for c in choices}
    if len(by_name) == 2 and all(math.isfinite(c.final_n) for c in choices):
        lines.append(_difference(by_name["quick"], by_name["full"], units))
    return lines


def _difference(quick: Choice, full: Choice, units: str) -> str:
    times = full.work_seconds / max(quick.work_seconds, 1.0)
    if time_words(quick.work_seconds) == time_words(full.work_seconds):
        longer = "about as long"
    elif times < 1.75:
        longer = "half as long again" if times > 1.25 else "about as long"
    else:
        longer = "twice as long" if times < 2.5 else f"{times:.0f} times as long"
    more = full.final_n - quick.final_n
    if more == 0:
        return f"Both have the same at harvest: they differ only in work, pinching takes {longer}."
    least = "more" if more > 0 else "fewer"
    grams = abs(full.harvest_g - quick.harvest_g)
    weight = f" ({format_weight(grams, units)})" if grams >= 50 else ""
    return f"The full crop has {abs(more):.0f} {least} at harvest{weight} and takes {longer}."


def verdict_for(
    crop: int,
    kept: BoolArray,
    target: KeepTarget,
    species: Species,
    inputs: GrowerInputs,
    flags: Flag,
) -> tuple[str, str]:
    """``"thin"``, ``"leave"``, ``"cannot tell"`` or ``"check limb"``, and one sentence why.

    ``kept`` has shape (N,), one a fruitlet.

    Cherries are not thinned (Kansas State, Oklahoma State, Nevada); a light set is left alone
    (common practice, no source). Otherwise the count decides; clusters come down to their rule
    also where the count is left.
    """
    off = int((~kept).sum())
    if Flag.COUNT_UNKNOWN in flags:
        return "cannot tell", "The fruit could not be counted on this photo."
    if Flag.LIMB_UNSURE in flags:
        return "check limb", "Is this the limb you meant? Draw or tap its line, then count again."
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
        here = f"{crop} fruit hang here and {target.centre:.0f} may stay: nothing to take off"
        if off:
            few = f"{crop} fruit are few enough, clusters are too close"
            here = f"{few}; take {off} off, leave {crop - off}"
        doubt = "; what the limb can carry is not known" if flags & LOAD_DOUBTS else ""
        return "leave", f"{here}{doubt}."
    here = f"{crop} fruit hang here and about {target.centre:.0f} should stay."
    if target.rule == "very heavy set":
        return "thin", f"{species.title} is thinned only where the set is very heavy: {here}"
    return "thin", here


def notes_for(plan: Plan, species: Species, inputs: GrowerInputs) -> tuple[str, ...]:
    """Sentences that go with the plan, most important first."""
    notes, thin = [], plan.verdict == "thin"
    most, may = plan.most_there_n, plan.target.centre
    there = f"Up to {most:.0f} fruit may hang here:"
    if thin and most > plan.crop_count:
        notes.append(f"{there} go by what stays, {plan.keep_count}.")
    elif plan.verdict == "leave" and most > max(may, plan.crop_count):
        notes.append(f"{there} if you find more than {may:.0f}, take off down to {may:.0f}.")
    later = plan.pass_number == 1 and plan.final_count < plan.keep_count
    if later and plan.verdict in ("thin", "leave"):
        notes.append(
            f"This is not the final count: about {species.second_pass_days.number:.0f} days later "
            f"a second pass goes to {plan.final_count:.0f} (common practice, no source)."
        )
    if thin and plan.rule == "room":
        notes.append("Clusters and gaps left no room for the full count, so fewer stay.")
    if plan.verdict == "leave" and species.thinned and inputs.light_set:
        notes.append("Count again after the natural drop.")
    if plan.yellowing_count:
        notes.append(
            f"{plan.yellowing_count} yellowing fruit "
            + ("is not counted: it" if plan.yellowing_count == 1 else "are not counted: they")
            + " will drop."
        )
    if inputs.drop_done is None and species.thinned and plan.crop_count:
        low, high = species.natural_drop_frac.low, species.natural_drop_frac.high
        notes.append(
            f"Has the natural drop happened? If not, {low:.0%} to {high:.0%} may still fall: "
            "say so, and more are left."
        )
    if thin and plan.plan_choice == "quick" and plan.pass_number == 1:
        notes += _clipper_words(plan)
    if plan.timing.sentence and thin:
        notes.append(plan.timing.sentence)
    if thin and species.name == "nectarine" and inputs.spacing_mm is None and plan.length_mm > 0:
        most = max(plan.length_mm // 304.8, 1.0)
        notes.append(
            f"For large nectarines growers end near one in 30 cm (12 in): {most:.0f} on this limb "
            "(common practice, no source); the count above follows the published spacing."
        )
    if plan.too_thick_to_cut:
        notes.append(
            f"Wood over {LOPPERS_MM:.0f} mm is not for hand tools: no cut is proposed there; ask "
            "a licensed arborist."
        )
    return tuple(notes)


def _clipper_words(plan: Plan) -> list[str]:
    """Why clippers do less than three-quarters; nothing where they do."""
    cut = sum(len(c.fruit) for c in plan.cuts)
    if plan.too_thick_to_cut or cut >= 0.75 * plan.off_count:
        return []
    if not cut:
        return ["No cut saves work here: what is too much hangs among what stays."]
    return [
        f"Clippers take only {cut} of the {plan.off_count} here: the others hang among those "
        "that stay."
    ]


def _span(low: float, high: float) -> str:
    return f"{low:.0f}" if low == high else f"{low:.0f} to {high:.0f}"


def explain(plan: Plan, species: Species, inputs: GrowerInputs) -> tuple[Reason, ...]:
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
    if math.isfinite(plan.final_count):
        out.append(
            Reason("at harvest", plan.final_count, "what a second pass keeps of what stays",
                   f"plan: {TITLES[plan.plan_choice]}", OURS)
        )  # fmt: skip
    if plan.off_count:
        out.extend(_work_reasons(plan, inputs))
    if math.isfinite(plan.timing.median_mm):
        latest = species.thinning_latest_mm
        out.append(
            Reason("median green diameter", plan.timing.median_mm, plan.timing.word,
                   f"late from {latest.number:g} mm", latest.said)
        )  # fmt: skip
    return tuple(out)


def _work_reasons(plan: Plan, inputs: GrowerInputs) -> list[Reason]:
    counts = f"crop {plan.crop_count}, keep {plan.keep_count}"
    averages = "Kansas State: clusters are fine if the average holds (published)"
    times = (
        f"cuts: {len(plan.cuts)}, {inputs.seconds_per_cut:g} s each; "
        f"pinched: {len(plan.pinches)}, {inputs.seconds_per_pinch:g} s each"
    )
    nine = "about nine-tenths on heavy limbs (common practice, no source)"
    least = "least-work choice of cuts and pinches"
    out = [
        Reason("take off", plan.off_count, "crop less keep", counts, "arithmetic"),
        Reason("closest two kept, mm", plan.gap_mm, "the count leads, then the widest spread",
               "one fruit a cluster", averages),
        Reason("work, seconds", plan.work_seconds, least, times, f"time your own ({OURS})"),
        Reason("share by clippers", plan.clipper_share_frac, "fruit in cuts over fruit off",
               f"cuts: {len(plan.cuts)}", nine),
    ]  # fmt: skip
    leaves = f"{inputs.keep_tip_leaves_mm:g} mm with leaves left, stub {inputs.stub_mm:g} mm"
    rule = "mm along the wood from the base, beyond the last kept fruit"
    return out + [
        Reason("cut", cut.from_base_mm, rule, f"brings off {len(cut.fruit)}; {leaves}",
               f"grower's rule ({OURS})")
        for cut in plan.cuts
    ]  # fmt: skip
