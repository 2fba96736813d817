"""The load in a grower's sentences, its figures, and where each number comes from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fruitcount.load.beam import Prop
from fruitcount.load.model import BEAM
from fruitcount.load.state import LoadState, branch_rel_sd_frac
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species.model import Species
from fruitcount.types import Limb, Reason
from fruitcount.units import format_length, format_weight

if TYPE_CHECKING:
    from fruitcount.load.report import LoadReport

_OURS = "our choice"
_BEAM = "textbook bending of a round tapered cantilever"


def load_lines(report: LoadReport, units: str = "metric") -> list[str]:
    """What the limb would carry and what to do, in a grower's sentences."""
    weight = format_weight(report.before.fruit_g, units)
    if not (report.known and report.sure):
        missing = "" if report.known else " (it needs a scale and the limb's thickness)"
        least = "" if math.isnan(report.before.fruit_g) else f"at least {weight} at harvest; "
        return [f"Load: {least}what the limb can carry is not known{missing}."]
    before, after = _state_words(report.before), _state_words(report.after)
    if report.after.fruit_count == report.before.fruit_count:  # nothing comes off
        before = before.removesuffix(" or lighten it")
    lines = [f"With all fruit left ({weight} at harvest) this limb would {before}."]
    if report.after.fruit_count < report.before.fruit_count:
        left = format_weight(report.after.fruit_g, units)
        lines.append(f"With what stays now ({left}) it would {after}.")
    if report.thin_wood and report.sag_high_mm >= 10:
        low, high = (format_length(x, units) for x in (report.sag_low_mm, report.sag_high_mm))
        lines.append(
            "Wood this thin hangs down before it breaks: the tip may sink by roughly "
            f"{low if low == high else f'{low} to {high}'}."
        )
    if report.prop is not None and report.after.verdict != "fine":
        lines.append(_prop_words(report.prop, report, units))
    return lines


def _state_words(state: LoadState) -> str:
    where = "" if state.weakest == "limb" else f" (its {state.weakest} gives way first)"
    if state.verdict == "fine":
        return "be fine"
    if state.verdict == "prop or lighten":
        return f"be near its limit{where}: prop it or lighten it"
    more = "can" if state.load_factor.middle < 1.0 else "is safe"
    return f"carry more than {'it ' if more == 'can' else ''}{more}{where}: do not hang this much"


def _prop_words(prop: Prop, report: LoadReport, units: str) -> str:
    share = prop.worst_stress_mpa / max(report.after.worst_stress_mpa, 1e-9)
    helps = "halves" if 0.4 <= share <= 0.6 else f"takes {1 - share:.0%} off"
    return (
        f"A prop {format_length(prop.at_mm, units)} from the base {helps} the strain: a "
        "padded fork under the limb, set before the fruit fills."
    )


def notes_of(
    *, thin_shoots: list[int], tip_assumed: bool, by_line: bool, too_thin_for_itself: bool
) -> tuple[str, ...]:
    """Sentences on one limb.

    Parameters
    ----------
    thin_shoots : list of int
        Side shoots of thin wood, loaded beyond their working stress.
    tip_assumed : bool
        The tip's thickness was not measured.
    by_line : bool
        The limb's slope was taken from the photo.
    too_thin_for_itself : bool
        By the estimate even the bare limb is past its working stress, yet it stands.
    """
    notes = []
    if too_thin_for_itself:
        notes.append(
            "By this estimate the bare limb could hardly carry itself, yet it stands: its "
            "thickness or slope is doubtful. Measure the base with a caliper."
        )
    if thin_shoots:
        names = ", ".join(str(s + 1) for s in thin_shoots)
        notes.append(f"Thin side shoots will hang down with this crop and may tear: {names}.")
    if tip_assumed:
        notes.append("The tip's thickness was not measured: half of the base was taken.")
    if by_line:
        notes.append("The limb's slope is read from the photo, held level.")
    return tuple(notes)


def explain_load(
    report: LoadReport, limb: Limb, species: Species, inputs: GrowerInputs
) -> tuple[Reason, ...]:
    """One reason for every number that the load report shows.

    Parameters
    ----------
    report : LoadReport
    limb : Limb
    species : Species
    inputs : GrowerInputs

    Returns
    -------
    tuple of Reason
        Empty where the load is not told.
    """
    if not report.known:
        return ()
    prop = report.prop
    return (
        *_material(report, species, inputs),
        *_state("before", report.before, inputs, thin=report.thin_wood),
        *_state("after", report.after, inputs, thin=report.thin_wood),
        _band(report, limb, species),
        *([Reason("prop carries", prop.carries_kg,
                  "kg on a rigid prop set before the weight comes on, where it lowers stress most",
                  f"{prop.at_mm:.0f} mm from the base", "textbook propped cantilever")]
          if prop is not None else []),
    )  # fmt: skip


def _material(report: LoadReport, species: Species, inputs: GrowerInputs) -> list[Reason]:
    size, diameter = inputs.harvest_diameter_mm, species.harvest_diameter_mm
    given = f"{diameter.number if size is None else size:g} mm at harvest"
    source = f"density: {species.fruit_density_g_per_cm3.said}"
    source += f"; diameter: {diameter.said}" if size is None else ""
    green, share = species.green_mor_mpa, species.bark_circle_frac
    return [
        Reason("one ripe fruit, g", report.fruit_g, "sphere times density", given, source),
        Reason("breaking stress, MPa", report.breaking_mpa,
               "green wood strength times what real branches reached as a circle over bark",
               f"{green.number:g} MPa times {share.number:g}",
               f"strength: {green.said}; share: {share.said}"),
        Reason("working stress, MPa", report.working_mpa,
               "breaking stress over the safety factor",
               f"safety factor {inputs.safety_factor:g}", _OURS),
    ]  # fmt: skip


def _state(word: str, state: LoadState, inputs: GrowerInputs, *, thin: bool) -> list[Reason]:
    """Reasons of one state; thin wood, which hangs down before it breaks, gets no stress."""
    slope = "the line in the photo, plumb as the photo's vertical"
    if inputs.inclination_deg is not None:
        slope = f"{inputs.inclination_deg:g} degrees above level, as typed"
    factor = f"handling factor {inputs.handling_factor:g} ({_OURS}); {slope}"
    crop = f"{state.fruit_count} fruit, {state.wood_g:.0f} g of wood and leaves"
    band = state.load_factor
    stress = Reason(f"worst stress {word}, MPa", state.worst_stress_mpa, "32 M / (pi d^3)",
                    f"{state.worst_at_mm:.0f} mm from the base", _BEAM)  # fmt: skip
    return [
        Reason(f"crop {word}, g", state.fruit_g, "fruit times weight of one", crop, "arithmetic"),
        Reason(f"base moment {word}, N m", state.base_moment_n_m,
               "weights times their level arms", factor, _BEAM),
        *([] if thin else [stress]),
        Reason(f"load factor {word}", band.middle,
               "breaking stress over the stress at the weakest place",
               f"{state.weakest}; nine in ten limbs lie from {band.low:.1f} to {band.high:.1f}",
               f"verdict: fine from {inputs.safety_factor:g} with the low end above 1 ({_OURS})"),
    ]  # fmt: skip


def _band(report: LoadReport, limb: Limb, species: Species) -> Reason:
    own = limb.diameter_rel_sd_frac
    diameter = own if math.isfinite(own) else BEAM.diameter_rel_sd_frac
    parts = (
        f"thickness {diameter:.0%} (counts up to three times), strength "
        f"{BEAM.strength_rel_sd_frac:.0%} (memory), one branch from the next "
        f"{branch_rel_sd_frac(species):.0%}, harvest size "
        f"{BEAM.harvest_size_rel_sd_frac:.0%} (counts three times), fruit not seen "
        f"{BEAM.unseen_rel_sd_frac:.0%}, fruit weight {BEAM.fruit_rel_sd_frac:.0%} ({_OURS})"
    )
    rule = "standard deviation of the load factor as a share of it, delta method"
    share = species.bark_circle_se_frac.said
    return Reason("load factor spread", report.after.factor_rel_sd_frac, rule, parts, share)
