"""Bending of a round, tapered cantilever: moment, stress, deflection, and a prop.

Textbook small-angle beam theory. A load is a weight at a horizontal distance; what matters at a
section is the sum of weights beyond it times their horizontal arms, so a curved limb needs no
more than the horizontal place of each section and load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.types import BoolArray, FloatArray
from fruitcount.units import GRAVITY_N_PER_KG


@dataclass(frozen=True, eq=False)
class Beam:
    """Sections of a limb from base to tip.

    Attributes
    ----------
    along_mm : float array, shape (K,)
        Rising from 0.
    reach_mm : float array, shape (K,)
        Horizontal place of each section, measured from the base.
    diameter_mm : float array, shape (K,)
    """

    along_mm: FloatArray
    reach_mm: FloatArray
    diameter_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Weights:
    """Weights on the beam.

    Attributes
    ----------
    joins_mm : float array, shape (M,)
        Where the weight enters the limb, along it (for a shoot: its fork).
    reach_mm : float array, shape (M,)
        Horizontal place of the weight itself.
    force_n : float array, shape (M,)
    """

    joins_mm: FloatArray
    reach_mm: FloatArray
    force_n: FloatArray

    def take(self, which: BoolArray) -> Weights:
        """Some of the weights."""
        return Weights(self.joins_mm[which], self.reach_mm[which], self.force_n[which])

    @classmethod
    def of(cls, *parts: Weights) -> Weights:
        """All weights of several kinds together."""
        return cls(
            np.concatenate([p.joins_mm for p in parts]),
            np.concatenate([p.reach_mm for p in parts]),
            np.concatenate([p.force_n for p in parts]),
        )


def bending_moment_n_m(beam: Beam, weights: Weights) -> FloatArray:
    """Bending moment at each section, N m, positive sagging outwards to +reach.

    Parameters
    ----------
    beam : Beam
    weights : Weights
        Those that enter at or beyond a section count there. Moment is linear in each.

    Returns
    -------
    float array, shape (K,)
    """
    order = np.argsort(weights.joins_mm, kind="stable")
    joins = weights.joins_mm[order]
    force = weights.force_n[order]
    pull = force * weights.reach_mm[order]
    # Sums over all weights from position i outwards.
    force_out = np.append(np.cumsum(force[::-1])[::-1], 0.0)
    pull_out = np.append(np.cumsum(pull[::-1])[::-1], 0.0)
    first = np.searchsorted(joins, beam.along_mm - 1e-9, side="left")
    moment: FloatArray = (pull_out[first] - beam.reach_mm * force_out[first]) / 1000.0
    return moment


def bending_stress_mpa(moment_n_m: FloatArray, diameter_mm: FloatArray) -> FloatArray:
    """Largest bending stress in a solid round section: 32 M / (pi d^3).

    All have shape (N,), one a section: newton metre and mm to MPa.
    """
    stress: FloatArray = 32.0 * np.abs(moment_n_m) * 1000.0 / (np.pi * diameter_mm**3)
    return stress


def breaking_moment_n_m(stress_mpa: float, diameter_mm: FloatArray) -> FloatArray:
    """Moment at which solid round sections reach a stress: doubling d gives eight times.

    ``diameter_mm`` and what is given back have shape (K,).
    """
    return stress_mpa * np.pi * diameter_mm**3 / 32.0 / 1000.0


def deflection_mm(beam: Beam, moment_n_m: FloatArray, moe_mpa: float) -> FloatArray:
    """How far each section sinks, small-angle, mm.

    Each bit of curvature turns all wood beyond it; the sink of a place is the sum of those turns
    times their horizontal distance to it. Underestimates real droop by half on young apricot
    stems (Almeras et al. 2002, Trees): a caution, not a prediction.

    Parameters
    ----------
    beam : Beam
    moment_n_m : float array, shape (K,)
    moe_mpa : float
        Stiffness. Raising it lowers every value in proportion.
    """
    second_moment_mm4 = np.pi * beam.diameter_mm**4 / 64.0
    bends = moment_n_m * 1000.0 / (moe_mpa * second_moment_mm4)  # 1/mm
    return _cumulative(bends, beam.along_mm) * beam.reach_mm - _cumulative(
        bends * beam.reach_mm, beam.along_mm
    )


def _cumulative(values: FloatArray, along: FloatArray) -> FloatArray:
    """Cumulative trapezoid integral from the base."""
    steps = np.diff(along) * (values[1:] + values[:-1]) / 2
    return np.concatenate([[0.0], np.cumsum(steps)])


def prop_reaction_n(beam: Beam, moment_n_m: FloatArray, section: int) -> float:
    """Force on a rigid prop set under a section before the weight comes on.

    ``moment_n_m`` has shape (N,), one a section.

    The prop's force is the one that brings the section's sink back to zero; stiffness cancels.
    Checked against the propped cantilevers of the textbooks: 3/8 of an even load with the prop
    at the tip, 5/16 of a load at mid-length.

    Returns
    -------
    float
        Newton, upwards; 0 at the base.
    """
    unit = bending_moment_n_m(
        beam, Weights(beam.along_mm[[section]], beam.reach_mm[[section]], np.ones(1))
    )
    per_newton = deflection_mm(beam, unit, 1.0)[section]
    return float(deflection_mm(beam, moment_n_m, 1.0)[section] / per_newton) if per_newton else 0.0


@dataclass(frozen=True)
class Prop:
    """A prop set before the weight comes on.

    Attributes
    ----------
    at_mm : float
        Along the limb from its base.
    carries_kg : float
        Force on it, handling factor included.
    worst_stress_mpa : float
        Of the limb with the prop.
    """

    at_mm: float
    carries_kg: float
    worst_stress_mpa: float


def propped_moment_n_m(beam: Beam, moment_n_m: FloatArray, section: int) -> FloatArray:
    """Moment along the limb with a rigid prop under one section.

    Shape (N,) before and after, one a section, in newton metre.
    """
    force = prop_reaction_n(beam, moment_n_m, section)
    up = Weights(beam.along_mm[[section]], beam.reach_mm[[section]], np.array([-force]))
    return moment_n_m + bending_moment_n_m(beam, up)


def best_prop(beam: Beam, moment_n_m: FloatArray) -> Prop | None:
    """Try a prop under every fourth section and take the one that lowers the worst stress most.

    Parameters
    ----------
    beam : Beam
    moment_n_m : float array, shape (K,)
        Of the crop to be carried.

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
    return Prop(float(beam.along_mm[best]), force / GRAVITY_N_PER_KG, best_stress)
