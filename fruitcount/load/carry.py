"""How many ripe fruit the wood may carry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fruitcount.load.beam import Weights, bending_moment_n_m, breaking_moment_n_m
from fruitcount.load.model import BEAM, LimbModel, limb_model
from fruitcount.load.state import factor_rel_sd_frac
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.target import CarryLimit
from fruitcount.species.model import Species
from fruitcount.types import FloatArray, Fruitlets, Limb
from fruitcount.units import GRAVITY_N_PER_KG


def carry_limit(limb: Limb, species: Species, inputs: GrowerInputs) -> CarryLimit:
    """Fruit that the wood may carry at harvest, spread evenly over the limb and its shoots.

    What the plan keeps is spread so; and where the fruit hangs now does not move the count, so
    one fruit more never costs others.

    Parameters
    ----------
    limb : Limb
    species : Species
    inputs : GrowerInputs
        Raising the safety or handling factor, or the harvest diameter, lowers the count.

    Returns
    -------
    CarryLimit
    """
    # Thin wood hangs down before it breaks: its count is that of a limb just thick enough.
    at_least = BEAM.thin_wood_mm
    thin = 0 < limb.base_diameter_mm < at_least
    times = at_least / limb.base_diameter_mm if thin else 1.0
    counted = replace(
        limb,
        base_diameter_mm=limb.base_diameter_mm * times,
        tip_diameter_mm=limb.tip_diameter_mm * times,
        width_px=limb.width_px * times,
        shoots=tuple(replace(s, base_diameter_mm=s.base_diameter_mm * times) for s in limb.shoots),
    )
    model = limb_model(Fruitlets.empty(), counted, species, inputs)
    working = species.breaking_stress_mpa / inputs.safety_factor
    if model is None:
        why = "The wood's limit needs a scale and the limb's thickness."
        return CarryLimit(math.nan, math.nan, math.nan, why)
    spread = math.exp(BEAM.band_z * factor_rel_sd_frac(limb, species))
    own = bending_moment_n_m(model.beam, model.wood)
    one_n = model.fruit_g / 1000.0 * GRAVITY_N_PER_KG * inputs.handling_factor
    spread_n = one_n * model.wood_mm / model.wood_mm.sum()
    even = Weights(model.wood.joins_mm, model.wood.reach_mm, spread_n)
    one = bending_moment_n_m(model.beam, even)
    count, section = _largest(own, one, model, working)
    low, high = (_largest(own, one, model, working * s)[0] for s in (1 / spread, spread))
    at_mm = float(model.beam.along_mm[section])
    if thin:
        why = (
            f"Wood under {at_least:.0f} mm hangs down before it breaks: the count is that of a "
            "limb just so thick (our choice)."
        )
    elif np.isclose(count, 0.0):
        why = (
            "By this estimate the bare limb is at its working stress already, so thickness or "
            "slope are doubtful. Measure the base with a caliper."
        )
    else:
        why = f"The section {at_mm / 10:.0f} cm from the base reaches its working stress first."
    return CarryLimit(count, low, high, why)


def _largest(
    own: FloatArray, one: FloatArray, model: LimbModel, working_mpa: float
) -> tuple[float, int]:
    """Largest count with |own + count * one| within the working moment at every section."""
    may = breaking_moment_n_m(working_mpa, model.beam.diameter_mm)
    with np.errstate(divide="ignore", invalid="ignore"):
        counts = (may - np.sign(one) * own) / np.abs(one)
    counts = np.where(np.abs(one) > 1e-12, counts, np.inf)
    counts = np.where(np.abs(own) > may, 0.0, counts)
    section = int(np.argmin(counts))
    return max(float(counts[section]), 0.0), section
