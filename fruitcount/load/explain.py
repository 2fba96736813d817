"""Where each number of the load comes from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from fruitcount.load.settings import LoadDetail, LoadInputs
from fruitcount.reason import Reason
from fruitcount.species import Sourced, Species
from fruitcount.types import Limb

if TYPE_CHECKING:
    from fruitcount.load.report import LoadReport
    from fruitcount.load.state import LoadState

__all__ = ["explain_load"]

_OURS = "our choice"
_BEAM = "textbook bending of a round tapered cantilever"


def explain_load(
    report: LoadReport, limb: Limb, species: Species, inputs: LoadInputs, detail: LoadDetail
) -> tuple[Reason, ...]:
    """One reason for every number that the load report shows.

    Parameters
    ----------
    report : LoadReport
    limb : Limb
    species : Species
    inputs : LoadInputs
    detail : LoadDetail

    Returns
    -------
    tuple of Reason
        Empty where the load is not told.
    """
    if not report.known:
        return ()
    out = [
        *_material(report, species, inputs),
        *_state("before", report.before, inputs),
        *_state("after", report.after, inputs),
        _band(report, limb, species, detail),
    ]
    for number, relief in enumerate(report.reliefs, start=1):
        given = f"{relief.fruit_g:.0f} g of fruit and the wood beyond the cut"
        rule = "share of the stress at the worst section that goes with this cut alone"
        out.append(Reason(f"relief of cut {number}", relief.worst_stress_frac, rule, given, _BEAM))
    if report.prop is not None:
        rule = "kg on a rigid prop set before the weight comes on, where it lowers stress most"
        given = f"{report.prop.at_mm:.0f} mm from the base"
        source = "textbook propped cantilever"
        out.append(Reason("prop carries", report.prop.carries_kg, rule, given, source))
    return tuple(out)


def _material(report: LoadReport, species: Species, inputs: LoadInputs) -> list[Reason]:
    size = inputs.harvest_diameter_mm
    diameter = species.harvest_diameter_mm
    given = f"{diameter.number if size is None else size:g} mm at harvest"
    source = f"density: {_said(species.fruit_density_g_per_cm3)}"
    if size is None:
        source += f"; diameter: {_said(diameter)}"
    share = species.bark_circle_frac
    strength = f"{species.green_mor_mpa.number:g} MPa times {share.number:g}"
    return [
        Reason("one ripe fruit, g", report.fruit_g, "sphere times density", given, source),
        Reason(
            "breaking stress, MPa",
            report.breaking_mpa,
            "green wood strength times what real branches reached as a circle over bark",
            strength,
            f"strength: {_said(species.green_mor_mpa)}; share: {_said(share)}",
        ),
        Reason(
            "working stress, MPa",
            report.working_mpa,
            "breaking stress over the safety factor",
            f"safety factor {inputs.safety_factor:g}",
            _OURS,
        ),
    ]


def _state(word: str, state: LoadState, inputs: LoadInputs) -> list[Reason]:
    slope = "the line in the photo, plumb as the photo's vertical"
    if inputs.inclination_deg is not None:
        slope = f"{inputs.inclination_deg:g} degrees above level, as typed"
    factor = f"handling factor {inputs.handling_factor:g} ({_OURS}); {slope}"
    crop = f"{state.fruit_count} fruit, {state.wood_g:.0f} g of wood and leaves"
    return [
        Reason(f"crop {word}, g", state.fruit_g, "fruit times weight of one", crop, "arithmetic"),
        Reason(f"base moment {word}, N m", state.base_moment_n_m,
               "weights times their level arms", factor, _BEAM),
        Reason(f"worst stress {word}, MPa", state.worst_stress_mpa, "32 M / (pi d^3)",
               f"{state.worst_at_mm:.0f} mm from the base", _BEAM),
        Reason(f"load factor {word}", state.load_factor.middle,
               "breaking stress over the stress at the weakest place", state.weakest,
               f"verdict: fine from {inputs.safety_factor:g} with the low end above 1 ({_OURS})"),
    ]  # fmt: skip


def _band(report: LoadReport, limb: Limb, species: Species, detail: LoadDetail) -> Reason:
    own = limb.diameter_rel_sd_frac
    diameter = own if math.isfinite(own) else detail.diameter_rel_sd_frac
    parts = (
        f"thickness {diameter:.0%} (counts three times), strength "
        f"{detail.strength_rel_sd_frac:.0%} (memory), branch share "
        f"{species.bark_circle_se_frac.number / species.bark_circle_frac.number:.0%}, "
        f"crop {detail.fruit_rel_sd_frac:.0%} ({_OURS})"
    )
    rule = "standard deviation of the load factor as a share of it, delta method"
    share = _said(species.bark_circle_se_frac)
    return Reason("load factor spread", report.factor_rel_sd_frac, rule, parts, share)


def _said(number: Sourced) -> str:
    return f"{number.source} ({number.status})"
