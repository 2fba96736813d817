"""What each kind of stone fruit looks like: sizes in mm and colours.

All judged by eye from photographs. Reflectances are linear, not sRGB. None of the figures here
is a published one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

RGB = tuple[float, float, float]


@dataclass(frozen=True)
class Kind:
    """Look of one kind. Ranges are (low, high) and drawn evenly unless said otherwise."""

    name: str
    diameter_mm: tuple[float, float]
    length_ratio: tuple[float, float]  # length over diameter
    tip: tuple[float, float]  # pointedness; 0 is round
    suture: float  # depth of the groove, share of the radius
    fuzz: float  # sheen, 0 to 1
    rough: float
    stalk_mm: tuple[float, float]
    cluster: tuple[float, ...]  # chance of 1, 2, 3, … fruit at a bearing node
    green: tuple[RGB, ...]
    blush: RGB
    blush_max: float
    leaf_mm: tuple[float, float]
    leaf_ratio: tuple[float, float]  # width over length
    leaf_peak: float  # where the leaf is widest, 0 base to 1 tip
    bark: tuple[RGB, ...]
    node_mm: tuple[float, float]
    shuck: float = 0.0  # share of fruit that still wear the dried flower cup


RED_BARK: tuple[RGB, ...] = (
    (0.17, 0.055, 0.035),
    (0.13, 0.06, 0.04),
    (0.2, 0.1, 0.06),
    (0.12, 0.09, 0.07),
)
GREY_BARK: tuple[RGB, ...] = (
    (0.13, 0.1, 0.08),
    (0.2, 0.17, 0.14),
    (0.1, 0.06, 0.05),
    (0.16, 0.09, 0.06),
)

PEACH = Kind(
    "peach", (9, 30), (1.05, 1.5), (0.1, 0.5), 0.07, 0.9, 0.75, (1.0, 4.0), (0.66, 0.28, 0.06),
    (
        (0.22, 0.26, 0.09), (0.17, 0.21, 0.08), (0.27, 0.3, 0.13), (0.24, 0.25, 0.11),
        (0.31, 0.34, 0.14), (0.36, 0.36, 0.17), (0.42, 0.41, 0.21),  # pale under thick fuzz
    ),
    (0.2, 0.075, 0.045), 0.8, (80, 150), (0.2, 0.29), 0.45, RED_BARK, (16, 34)
)  # fmt: skip
NECTARINE = Kind(
    "nectarine", (9, 28), (1.0, 1.35), (0.05, 0.4), 0.06, 0.1, 0.3, (1.0, 4.0),
    (0.66, 0.28, 0.06), ((0.14, 0.21, 0.05), (0.18, 0.25, 0.07), (0.12, 0.17, 0.05)),
    (0.22, 0.03, 0.025), 1.0, (80, 150), (0.2, 0.29), 0.45, RED_BARK, (16, 34)
)  # fmt: skip
PLUM = Kind(
    "plum", (8, 26), (1.05, 1.5), (0.0, 0.15), 0.035, 0.3, 0.42, (7, 16),
    (0.3, 0.35, 0.2, 0.1, 0.05),
    ((0.14, 0.24, 0.06), (0.17, 0.28, 0.1), (0.2, 0.28, 0.12), (0.1, 0.18, 0.05)),
    (0.16, 0.06, 0.08), 0.5, (50, 95), (0.42, 0.6), 0.55, GREY_BARK, (14, 40)
)  # fmt: skip
APRICOT = Kind(
    "apricot", (10, 30), (0.98, 1.15), (0.0, 0.2), 0.06, 0.6, 0.6, (1.5, 5.0),
    (0.5, 0.3, 0.15, 0.05),
    ((0.22, 0.3, 0.1), (0.27, 0.34, 0.13), (0.18, 0.26, 0.08)),
    (0.25, 0.1, 0.05), 0.5, (55, 90), (0.7, 0.95), 0.45, RED_BARK, (12, 30)
)  # fmt: skip
CHERRY = Kind(
    "cherry-plum", (7, 20), (0.92, 1.1), (0.0, 0.05), 0.03, 0.0, 0.18, (20, 45),
    (0.2, 0.25, 0.25, 0.2, 0.1),
    ((0.17, 0.27, 0.045), (0.22, 0.32, 0.06), (0.13, 0.21, 0.04)),
    (0.4, 0.09, 0.03), 0.5, (70, 150), (0.4, 0.55), 0.58, GREY_BARK, (18, 45)
)  # fmt: skip

# More looks, for sample photographs only: training draws from KINDS.
PLUM_APRICOT = replace(
    PLUM, name="plum-apricot", length_ratio=(1.0, 1.2), suture=0.05, fuzz=0.35, rough=0.5,
    stalk_mm=(4, 9), green=((0.19, 0.27, 0.08), (0.23, 0.3, 0.11), (0.16, 0.24, 0.07)),
    blush=(0.2, 0.07, 0.05), blush_max=0.7, leaf_ratio=(0.5, 0.68)
)  # fmt: skip
SWEET_CHERRY = replace(
    CHERRY, name="cherry", length_ratio=(0.95, 1.1), stalk_mm=(25, 45), suture=0.05
)

SPLITTING = (PEACH, NECTARINE, APRICOT)
"""Kinds whose flower cup dries round the fruit and splits (shuck split)."""

KINDS: tuple[Kind, ...] = (PEACH, NECTARINE, PLUM, APRICOT, CHERRY)
KIND_WEIGHTS = (0.4, 0.12, 0.16, 0.12, 0.2)


def at_shuck_split(kind: Kind, share: float) -> Kind:
    """The kind just after bloom, `share` of its fruit in their shucks: slender, pointed, small."""
    lo, hi = kind.length_ratio
    return replace(
        kind,
        shuck=share,
        diameter_mm=(kind.diameter_mm[0] * 0.8, kind.diameter_mm[1] * 0.75),
        length_ratio=(lo + 0.1, hi + 0.3),
        tip=(kind.tip[0] + 0.1, kind.tip[1] + 0.35),
    )
