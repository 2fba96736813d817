"""Drawn scenes with exact truth: leaves, a tapered limb, shaded fruit discs, a scale card.

Not meant to look real: meant to be quick, seeded and exactly known, for tests, benchmark and
completeness. Accuracy claims come from photographs, never from these.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import at_least, in_range, one_of, positive
from fruitcount.evaluate.known import Truth, truth_from_columns
from fruitcount.evaluate.strokes import LEAF_RGB, Canvas, draw_card, draw_fruit, draw_leaf
from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray, Fruitlets, Kind, Photo

LIGHTS = {"sun": (1.15, 0.9), "shade": (0.75, 0.3), "dusk": (0.45, 0.4)}
"""Word to (overall brightness, how much fruit shading falls off)."""

_FRUIT_RGB = {
    Kind.FRUIT: (138, 168, 84),
    Kind.YELLOWING: (214, 190, 88),
    Kind.DAMAGED: (126, 120, 70),
}
_BARK_RGB = (104, 84, 66)


@dataclass(frozen=True)
class SceneSettings:
    """What to draw.

    Attributes
    ----------
    width_px, height_px : int
    px_per_mm : float
        Larger draws everything larger; at the default the limb is about 350 mm long.
    fruit_n : int
        Fruit on the limb.
    diameter_mm : tuple of (smallest, largest)
    yellowing_frac : float
        Share of fruit that is small and yellow.
    hidden_frac : float
        Share of fruit with a leaf drawn over a part.
    leaf_n : int
        Leaves behind.
    base_diameter_mm, tip_diameter_mm : float
        Limb thickness; it tapers evenly.
    light : str
        A key of ``LIGHTS``.
    card_id : int
        Number of the card, 0 to 49; -1 draws none.
    card_side_mm : float
        Black side of the card.
    noise : float
        Standard deviation of pixel noise, in grey levels.
    """

    width_px: int = 960
    height_px: int = 640
    px_per_mm: float = 2.4
    fruit_n: int = 16
    diameter_mm: tuple[float, float] = (12.0, 20.0)
    yellowing_frac: float = 0.0
    hidden_frac: float = 0.0
    leaf_n: int = 140
    base_diameter_mm: float = 14.0
    tip_diameter_mm: float = 6.0
    light: str = "sun"
    card_id: int = 12
    card_side_mm: float = 40.0
    noise: float = 3.0

    def __post_init__(self) -> None:
        at_least("width_px", self.width_px, 64)
        at_least("height_px", self.height_px, 64)
        positive("px_per_mm", self.px_per_mm)
        at_least("fruit_n", self.fruit_n, 0)
        in_range("yellowing_frac", self.yellowing_frac, 0, 1)
        in_range("hidden_frac", self.hidden_frac, 0, 1)
        in_range("card_id", self.card_id, -1, 49)
        one_of("light", self.light, tuple(LIGHTS))


def draw_scene(seed: int, settings: SceneSettings | None = None) -> tuple[Photo, Truth]:
    """Draw a limb with fruit, and tell exactly what was drawn.

    Parameters
    ----------
    seed : int
        The same seed and settings give the same photo.
    settings : SceneSettings, optional

    Returns
    -------
    photo : Photo
    truth : Truth
        Visible shares are counted from the drawn pixels.
    """
    s = settings or SceneSettings()
    rng = np.random.default_rng(seed)
    canvas = _background(rng, s)
    line = _limb_line(rng, s)
    _draw_limb(canvas, rng, line, s)
    columns = _place(rng, line, s)
    owner = np.full(canvas.shape[:2], -1, np.int32)
    falloff = LIGHTS[s.light][1]
    for i in range(s.fruit_n):
        rgb = _FRUIT_RGB[Kind(columns["kind"][i])]
        disc = (columns["x_px"][i], columns["y_px"][i], columns["r_px"][i])
        draw_fruit(canvas, disc, rgb, rng=rng, falloff=falloff, owner=owner, index=i)
    _cover(canvas, rng, columns, s, owner)
    if s.card_id >= 0:
        draw_card(canvas, _card_corner(s), s.card_side_mm * s.px_per_mm, s.card_id)
    full = np.maximum(np.pi * columns["r_px"] ** 2, 1)
    seen = np.bincount(owner[owner >= 0], minlength=s.fruit_n)[: s.fruit_n]
    columns["visible_frac"] = np.clip(seen / full, 0, 1)
    return _finish(canvas, rng, s, seed), _truth(columns, line, s, seed)


def fruitlets_of(truth: Truth, *, asked_only: bool = True) -> Fruitlets:
    """Known fruit as perfect detections with score 1: a stand-in for a detector in tests."""
    keep = ~truth.ignore if asked_only else np.ones(len(truth), bool)
    return Fruitlets.from_columns(
        x_px=truth.x_px[keep],
        y_px=truth.y_px[keep],
        r_px=truth.r_px[keep],
        score=np.ones(int(keep.sum())),
        kind=truth.kind[keep],
        visible_frac=truth.visible_frac[keep],
        diameter_mm=truth.diameter_mm[keep],
        along_mm=truth.along_mm[keep],
        on_limb=truth.on_limb[keep],
    )


def _background(rng: np.random.Generator, s: SceneSettings) -> Canvas:
    """Soft green noise with leaves of many shades."""
    small = rng.normal(0, 1, (s.height_px // 16 + 2, s.width_px // 16 + 2)).astype(np.float32)
    soft = cv2.resize(
        cv2.GaussianBlur(small, (0, 0), 1.0),
        (s.width_px, s.height_px),
        interpolation=cv2.INTER_CUBIC,
    )
    canvas = np.array(LEAF_RGB, np.float32) * (0.75 + 0.35 * soft[..., None])
    canvas = np.ascontiguousarray(canvas, np.float32)
    unit = math.hypot(s.width_px, s.height_px) / 1150
    for _ in range(s.leaf_n):
        at = (rng.uniform(0, s.width_px), rng.uniform(0, s.height_px))
        draw_leaf(canvas, rng, at, rng.uniform(30, 80) * unit)
    return np.asarray(cv2.GaussianBlur(canvas, (0, 0), 0.7), np.float32)


def _limb_line(rng: np.random.Generator, s: SceneSettings) -> FloatArray:
    """A gently bent line from the left to the right of the frame, base left."""
    t = np.linspace(0, 1, 200)
    x = s.width_px * (0.06 + 0.86 * t)
    sag = rng.uniform(-0.08, 0.08) * s.height_px
    rise = rng.uniform(-0.12, 0.12) * s.height_px
    y = s.height_px * 0.62 + rise * (t - 0.5) + sag * np.sin(math.pi * t)
    return np.column_stack([x, y])


def _draw_limb(
    canvas: Canvas, rng: np.random.Generator, line: FloatArray, s: SceneSettings
) -> None:
    left, right = _limb_sides(line, s)
    outline = np.concatenate([left, right[::-1]]).round().astype(np.int32)
    mask = np.zeros(canvas.shape[:2], np.uint8)
    cv2.fillPoly(mask, [outline], 1)
    rows, columns = np.nonzero(mask)
    grain = 1 + 0.12 * rng.standard_normal(len(rows)).astype(np.float32)
    canvas[rows, columns] = np.array(_BARK_RGB, np.float32) * grain[:, None]


def _limb_sides(line: FloatArray, s: SceneSettings) -> tuple[FloatArray, FloatArray]:
    normal = _normals(line)
    t = np.linspace(0, 1, len(line))[:, None]
    width = s.px_per_mm * (s.base_diameter_mm + t * (s.tip_diameter_mm - s.base_diameter_mm))
    return line + normal * width / 2, line - normal * width / 2


def _normals(line: FloatArray) -> FloatArray:
    step = np.gradient(line, axis=0)
    step /= np.linalg.norm(step, axis=1, keepdims=True)
    return np.column_stack([-step[:, 1], step[:, 0]])


def _lengths(line: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def _place(rng: np.random.Generator, line: FloatArray, s: SceneSettings) -> dict[str, Any]:
    """Hang fruit beside the limb; later fruit may overlap earlier fruit by a third at most."""
    n = s.fruit_n
    yellow = rng.random(n) < s.yellowing_frac
    diameter = rng.uniform(*s.diameter_mm, n) * np.where(yellow, 0.65, 1.0)
    r = diameter / 2 * s.px_per_mm
    lengths, normals = _lengths(line), _normals(line)
    at, xy = np.zeros(n), np.zeros((n, 2))
    for i in range(n):
        best = -math.inf
        for _ in range(40):
            k = int(rng.integers(8, len(line) - 8))
            side = rng.choice([-1.0, 1.0])
            point = line[k] + side * normals[k] * r[i] * rng.uniform(0.6, 1.5)
            gap = np.linalg.norm(xy[:i] - point, axis=1) / (r[:i] + r[i])
            nearest = float(gap.min()) if i else math.inf
            if nearest > best:
                best, at[i], xy[i] = nearest, lengths[k], point
            if nearest >= 0.85:
                break
    kind = np.where(yellow, int(Kind.YELLOWING), int(Kind.FRUIT))
    return {
        "x_px": xy[:, 0],
        "y_px": xy[:, 1],
        "r_px": r,
        "diameter_mm": diameter,
        "along_mm": at / s.px_per_mm,
        "kind": kind,
        "on_limb": np.ones(n, int),
    }


def _cover(
    canvas: Canvas,
    rng: np.random.Generator,
    columns: dict[str, Any],
    s: SceneSettings,
    owner: NDArray[np.int32],
) -> None:
    for i in np.nonzero(rng.random(s.fruit_n) < s.hidden_frac)[0]:
        r = columns["r_px"][i]
        at = (
            columns["x_px"][i] + rng.uniform(-0.8, 0.8) * r,
            columns["y_px"][i] + rng.uniform(-0.8, 0.8) * r,
        )
        draw_leaf(canvas, rng, at, 4.5 * r, owner)


def _card_corner(s: SceneSettings) -> tuple[float, float]:
    margin = 0.3 * s.card_side_mm * s.px_per_mm
    return (s.width_px * 0.05 + margin, s.height_px * 0.04 + margin)


def _finish(canvas: Canvas, rng: np.random.Generator, s: SceneSettings, seed: int) -> Photo:
    lit = canvas * np.float32(LIGHTS[s.light][0])
    lit += s.noise * rng.standard_normal(lit.shape, dtype=np.float32)
    rgb = np.clip(lit.round(), 0, 255).astype(np.uint8)
    digest = hashlib.sha256(rgb.tobytes()).hexdigest()
    return Photo(rgb=rgb, name=f"drawn-{seed}.png", sha256=digest, file_format="PNG")


def _truth(columns: dict[str, Any], line: FloatArray, s: SceneSettings, seed: int) -> Truth:
    return truth_from_columns(
        f"drawn-{seed}.png",
        (s.width_px, s.height_px),
        columns=columns,
        px_per_mm=s.px_per_mm,
        limb_length_mm=float(_lengths(line)[-1]) / s.px_per_mm,
        base_diameter_mm=s.base_diameter_mm,
        limb_line_px=line,
        light=s.light,
    )
