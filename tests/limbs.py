"""Limbs and fruit drawn to known measures, for the plan and the load."""

from __future__ import annotations

import numpy as np

from fruitcount.types import Fruitlets, Limb, Shoot

PX_PER_MM = 2.0
BASE_PX = (300.0, 1500.0)


def straight_limb(length_mm, *, base_mm=np.nan, tip_mm=np.nan, up_deg=0.0, shoots=(), sd=0.05):
    """A straight limb; ``shoots`` are (fork_mm, length_mm, degrees above horizontal, base_mm)."""
    along = np.linspace(0, length_mm * PX_PER_MM, 60)
    up = np.radians(up_deg)
    line = np.column_stack([BASE_PX[0] + along * np.cos(up), BASE_PX[1] - along * np.sin(up)])
    made = []
    for fork_mm, shoot_mm, deg, shoot_base in shoots:
        start = np.array(
            [
                BASE_PX[0] + fork_mm * PX_PER_MM * np.cos(up),
                BASE_PX[1] - fork_mm * PX_PER_MM * np.sin(up),
            ]
        )
        out = np.linspace(0, shoot_mm * PX_PER_MM, 20)
        a = np.radians(deg)
        shoot_line = np.column_stack([start[0] + out * np.cos(a), start[1] - out * np.sin(a)])
        made.append(Shoot(shoot_line, fork_mm * PX_PER_MM, shoot_base))
    return Limb(
        line_px=line,
        length_px=length_mm * PX_PER_MM,
        length_mm=length_mm,
        base_diameter_mm=base_mm,
        tip_diameter_mm=tip_mm,
        diameter_rel_sd_frac=sd,
        shoots=tuple(made),
        diameter_source="caliper" if np.isfinite(base_mm) else "none",
    )


def fruit_on(limb, at_mm, *, shoot=None, diameter_mm=15.0, **columns):
    """Fruit hung just under the wood, ``at_mm`` along the limb or along its shoot."""
    at = np.asarray(at_mm, dtype=float) * PX_PER_MM
    n = len(at)
    shoot = np.full(n, -1) if shoot is None else np.asarray(shoot)
    x, y, along = np.zeros(n), np.zeros(n), at.copy()
    for i in range(n):
        line = limb.line_px if shoot[i] < 0 else limb.shoots[shoot[i]].line_px
        step = (line[-1] - line[0]) / np.hypot(*(line[-1] - line[0]))
        x[i], y[i] = line[0] + step * at[i]
        if shoot[i] >= 0:
            along[i] = limb.shoots[shoot[i]].fork_along_px
    size = np.broadcast_to(np.asarray(diameter_mm, dtype=float), (n,))
    made = {
        "x_px": x,
        "y_px": y,
        "r_px": size * PX_PER_MM / 2,
        "diameter_mm": size,
        "score": np.full(n, 0.9),
        "on_limb": np.ones(n, dtype=int),
        "shoot": shoot,
        "along_px": along,
        "along_mm": along / PX_PER_MM,
    }
    return Fruitlets.from_columns(**{**made, **columns})
