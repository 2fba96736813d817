"""The few unit conversions. SI inside; US customary only at the edge.

The international inch (25.4 mm) and the avoirdupois pound (0.45359237 kg) are exact by
definition (international yard and pound agreement, 1959).
"""

from __future__ import annotations

import math

from fruitcount.checks import one_of

__all__ = [
    "GRAVITY_N_PER_KG",
    "KG_PER_LB",
    "MM_PER_INCH",
    "SYSTEMS",
    "format_length",
    "format_size",
    "format_weight",
    "g_to_n",
]

MM_PER_INCH = 25.4
KG_PER_LB = 0.45359237
GRAVITY_N_PER_KG = 9.81
SYSTEMS = ("metric", "us")


def g_to_n(mass_g: float) -> float:
    """Weight in newton of a mass in gram, with g = 9.81 N/kg."""
    return mass_g / 1000.0 * GRAVITY_N_PER_KG


def format_length(length_mm: float, system: str = "metric") -> str:
    """A limb length or a distance along it: whole cm, or inches to the nearest half.

    Parameters
    ----------
    length_mm : float, mm
        NaN is written as ``"not told"``.
    system : {"metric", "us"}
        Which units to write.
    """
    one_of("system", system, SYSTEMS)
    if math.isnan(length_mm):
        return "not told"
    if system == "metric":
        return f"{length_mm / 10:.0f} cm"
    return f"{round(length_mm / MM_PER_INCH * 2) / 2:g} in"


def format_size(size_mm: float, system: str = "metric") -> str:
    """A fruit or limb diameter: mm to one place, or inches to two."""
    one_of("system", system, SYSTEMS)
    if math.isnan(size_mm):
        return "not told"
    return f"{size_mm:.1f} mm" if system == "metric" else f"{size_mm / MM_PER_INCH:.2f} in"


def format_weight(mass_g: float, system: str = "metric") -> str:
    """A crop weight: kg or lb to one place."""
    one_of("system", system, SYSTEMS)
    if math.isnan(mass_g):
        return "not told"
    return (
        f"{mass_g / 1000:.1f} kg" if system == "metric" else f"{mass_g / 1000 / KG_PER_LB:.1f} lb"
    )
