"""Where one prop would help most, and what it would carry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.lines import line_length_px, point_on_line
from fruitcount.load.beam import (
    Beam,
    Weights,
    bending_moment_n_m,
    bending_stress_mpa,
    prop_reaction_n,
)
from fruitcount.types import FloatArray, Limb
from fruitcount.units import GRAVITY_N_PER_KG

__all__ = ["Prop", "best_prop", "propped_moment_n_m"]


@dataclass(frozen=True)
class Prop:
    """A prop set before the weight comes on.

    Attributes
    ----------
    at_mm : float
        Along the limb from its base.
    x_px, y_px : float
        Where to draw it.
    carries_n, carries_kg : float
        Force on it, handling factor included.
    worst_stress_mpa : float
        Of the limb with the prop.
    load_factor : float
        With the prop, middle of the band.
    """

    at_mm: float
    x_px: float
    y_px: float
    carries_n: float
    carries_kg: float
    worst_stress_mpa: float
    load_factor: float


def propped_moment_n_m(beam: Beam, moment_n_m: FloatArray, section: int) -> FloatArray:
    """Moment along the limb with a rigid prop under one section."""
    force = prop_reaction_n(beam, moment_n_m, section)
    up = Weights(beam.along_mm[[section]], beam.reach_mm[[section]], np.array([-force]))
    return moment_n_m + bending_moment_n_m(beam, up)


def best_prop(beam: Beam, moment_n_m: FloatArray, breaking_mpa: float, limb: Limb) -> Prop | None:
    """Try a prop under every fourth section and take the one that lowers the worst stress most.

    Parameters
    ----------
    beam : Beam
    moment_n_m : float array, shape (K,)
        Of the crop to be carried.
    breaking_mpa : float
    limb : Limb
        For the place in the photo.

    Returns
    -------
    Prop or None
        ``None`` where no prop lowers the worst stress, or the limb carries nothing.
    """
    bare = float(bending_stress_mpa(moment_n_m, beam.diameter_mm).max())
    best, best_stress = -1, bare * (1 - 1e-6)
    for section in range(4, len(beam.along_mm), 4):
        moment = propped_moment_n_m(beam, moment_n_m, section)
        stress = float(bending_stress_mpa(moment, beam.diameter_mm).max())
        if stress < best_stress:
            best, best_stress = section, stress
    if best < 0:
        return None
    force = prop_reaction_n(beam, moment_n_m, best)
    share = beam.along_mm[best] / beam.along_mm[-1]
    x_px, y_px = point_on_line(limb.line_px, share * line_length_px(limb.line_px))[0]
    return Prop(
        at_mm=float(beam.along_mm[best]),
        x_px=float(x_px),
        y_px=float(y_px),
        carries_n=force,
        carries_kg=force / GRAVITY_N_PER_KG,
        worst_stress_mpa=best_stress,
        load_factor=breaking_mpa / best_stress if best_stress > 0 else float("inf"),
    )
