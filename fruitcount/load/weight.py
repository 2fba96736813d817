"""Fruit weight at harvest, and what a limb of wood and leaves weighs."""

from __future__ import annotations

import math

import numpy as np

from fruitcount.species import Species
from fruitcount.types import FloatArray

__all__ = ["fruit_mass_g", "harvest_mass_g", "wood_mass_g"]


def fruit_mass_g(diameter_mm: float, density_g_per_cm3: float) -> float:
    """Mass of a fruit as a sphere: density times pi/6 d^3.

    For peach 0.96 g/cm3 gives the USDA household weights within 5 %.
    """
    return density_g_per_cm3 * math.pi / 6.0 * (diameter_mm / 10.0) ** 3


def harvest_mass_g(species: Species, harvest_diameter_mm: float | None) -> float:
    """Mass of one ripe fruit at the wanted diameter, or at the species' usual one."""
    diameter = species.harvest_diameter_mm.number
    if harvest_diameter_mm is not None:
        diameter = harvest_diameter_mm
    return fruit_mass_g(diameter, species.fruit_density_g_per_cm3.number)


def wood_mass_g(length_mm: FloatArray, diameter_mm: FloatArray, density_kg_m3: float) -> FloatArray:
    """Mass of short round pieces."""
    volume_mm3 = np.pi / 4.0 * diameter_mm**2 * length_mm
    mass: FloatArray = volume_mm3 * density_kg_m3 * 1e-6
    return mass
