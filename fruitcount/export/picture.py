"""The annotated picture: what a grower reads at a glance, standing in the sun.

The photo is muted so that the marks stand out; each action has its own shape; cuts, the ruler along
the limb and the answer in words are drawn over and below it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import cv2
import numpy as np

from fruitcount.export.draw import dashed_line, mark, outlined_line, text, text_size
from fruitcount.export.words import (
    ACTIONS,
    BLACK,
    CUT_RGB,
    INK_RGB,
    LIMB_RGB,
    OVER_RGB,
    PAPER_RGB,
    WHITE,
    fruit_actions,
    main_lines,
)
from fruitcount.flags import CAUTIONS_SHORT
from fruitcount.image.opencv import zoomed
from fruitcount.lines import across_line, direction_of_line, point_on_line
from fruitcount.pipeline import Result
from fruitcount.types import FloatArray, Fruitlets, Limb, Photo, Pixels
from fruitcount.units import MM_PER_INCH, format_length

if TYPE_CHECKING:
    from fruitcount.views import JoinedLimb

# Legend marks are drawn on a dark band: yellow and sky blue do not show on paper.
_BAND_RGB = (52, 58, 64)


def annotated_picture(
    photo: Photo,
    result: Result,
    *,
    units: str = "metric",
    long_side_px: int = 2000,
    words: bool = True,
) -> Pixels:
    """Draw a result over its photo.

    Parameters
    ----------
    photo : Photo
    result : Result
        Of that photo.
    units : {"metric", "us"}
        Ruler in cm or in inches.
    long_side_px : int
        Longer side of the photo part. Larger shows more and weighs more.
    words : bool
        The answer in words below it; False leaves the meaning of the marks alone there.

    Returns
    -------
    uint8 array, shape (rows, columns, 3)
    """
    zoom = long_side_px / max(photo.width_px, photo.height_px)
    weight = max(2, round(long_side_px / 450))
    view = _View(_muted(zoomed(photo.rgb, zoom)), result, zoom, weight, units)
    if result.measurement.limb.found:
        _limb(view)
        _load(view)
    fruit = result.measurement.fruitlets
    for at, action in zip(_places(fruit, zoom), view.actions, strict=True):
        _mark(view.picture, at, action, weight)
    _cuts(view)
    width = view.picture.shape[1]
    below = footer(result, width, units) if words else legend(result, width)
    return np.vstack([view.picture, below])


def jpeg_bytes(rgb: Pixels) -> bytes:
    """A picture of shape (rows, columns, 3) as a JPEG file."""
    return bytes(cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR))[1])


def _muted(rgb: Pixels) -> Pixels:
    """Half the colour and a little less light: foliage steps back, marks come forward."""
    grey = cv2.cvtColor(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB)
    return np.asarray(cv2.addWeighted(rgb, 0.42, grey, 0.38, 0), np.uint8)


@dataclass(frozen=True, eq=False)
class _View:
    """A result over its enlarged photo, and how thick to draw."""

    picture: Pixels
    result: Result
    zoom: float
    weight: int
    units: str

    @property
    def limb(self) -> Limb:
        return self.result.measurement.limb

    @property
    def actions(self) -> list[str]:
        return fruit_actions(self.result.measurement.fruitlets, self.result.decision.plan)

    @property
    def circles(self) -> FloatArray:
        """x, y and radius of each fruit's mark as drawn, shape (N, 3)."""
        marks = _places(self.result.measurement.fruitlets, self.zoom)
        marks[:, 2] = np.maximum(marks[:, 2], 2.5 * self.weight) * 1.2
        return marks

    @property
    def strokes(self) -> list[tuple[FloatArray, FloatArray]]:
        """Both ends of each cut's stroke."""
        out = []
        for cut in self.result.decision.plan.cuts:
            line = self.limb.line_px if cut.shoot < 0 else self.limb.shoots[cut.shoot].line_px
            reach = across_line(line, cut.at_px) * 16.0 * self.weight
            at = np.array([cut.x_px, cut.y_px]) * self.zoom
            out.append((at - reach, at + reach))
        return out

    @cached_property
    def labels(self) -> list[tuple[str, float, float]]:
        """Words of each cut, and their top left."""
        out = []
        cuts = zip(self.result.decision.plan.cuts, self.strokes, strict=True)
        for number, (cut, (a, b)) in enumerate(cuts, 1):
            words = f"CUT {number}"
            if np.isfinite(cut.from_base_mm):
                words += f": {format_length(cut.from_base_mm, self.units)}"
            spot = _beside(self.picture, (b, a), words, 9 * self.weight, self.circles)
            out.append((words, *spot))
        return out

    @property
    def worst(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Where the limb would break first if all stayed; the directions across and along it."""
        line = self.limb.line_px
        load = self.result.decision.load
        along_px = load.before.worst_at_mm * self.limb.length_px / self.limb.length_mm
        at = point_on_line(line, along_px)[0] * self.zoom
        return at, across_line(line, along_px), direction_of_line(line, along_px)


def _places(fruit: Fruitlets, zoom: float) -> FloatArray:
    return np.column_stack([fruit.x_px, fruit.y_px, fruit.r_px]) * zoom


def _mark(picture: Pixels, at: FloatArray, action: str, weight: int) -> None:
    style, (x, y, r) = ACTIONS[action], at
    mark(picture, (x, y, r), style.shape, rgb=style.rgb, width=weight)


def _limb(view: _View) -> None:
    outlined_line(view.picture, view.limb.line_px * view.zoom, LIMB_RGB, view.weight)
    for shoot in view.limb.shoots:
        width = max(1, view.weight - 2)
        outlined_line(view.picture, shoot.line_px * view.zoom, LIMB_RGB, width)
    _ruler(view)


def _ruler(view: _View) -> None:
    """Ticks along the limb every 10 cm or 6 in; none when lengths are not told.

    Each number stands on that side of the limb, or a little way off, where least is drawn.
    """
    limb = view.limb
    if not np.isfinite(limb.length_mm):
        return
    step, unit, unit_mm = (10, "cm", 10.0) if view.units == "metric" else (6, "in", MM_PER_INCH)
    step_mm, px_per_mm = step * unit_mm, limb.length_px / limb.length_mm
    letters, reach, drawn = 7 * view.weight, 4.0 * view.weight, _drawn(view)
    for i in range(int(limb.length_mm / step_mm) + 1):
        along_px = i * step_mm * px_per_mm
        at = point_on_line(limb.line_px, along_px)[0] * view.zoom
        normal = across_line(limb.line_px, along_px)
        tick = np.array([at - normal * reach, at + normal * reach])
        outlined_line(view.picture, tick, WHITE, view.weight)
        words = f"{step * i} {unit}" if i else "base"
        size = np.array(text_size(words, letters))
        out = reach + 0.5 * float(np.abs(normal) @ size) + 0.4 * letters
        spots = [at + s * normal * k * out for k in (1.0, 1.7, 2.4) for s in (-1, 1)]
        x, y = min(spots, key=lambda s: _covered(s, size, drawn)) - size * (0.5, 0.7)
        text(view.picture, words, (x, y), size_px=letters, rgb=WHITE, edge_rgb=BLACK)


def _drawn(view: _View) -> FloatArray:
    """Circles (x, y, r) round what is drawn over the ruler: fruit, cuts, their words, arrows."""
    zoom, weight, decision = view.zoom, view.weight, view.result.decision
    parts = [(c.x_px * zoom, c.y_px * zoom, 16.0 * weight) for c in decision.plan.cuts]
    if len(decision.load.over_limit_mm):
        at, across, _ = view.worst
        parts += [(*(at + side * across * 9 * weight), 6.0 * weight) for side in (-1, 1)]
    words = [_box(*label, 9 * weight) for label in view.labels]
    return np.concatenate([view.circles, np.reshape(parts, (-1, 3)), *words])


def _covered(middle: FloatArray, size: FloatArray, drawn: FloatArray) -> float:
    """How far circles (x, y, r) reach into a box of that size: 0 where none does."""
    gap = np.maximum(np.abs(drawn[:, :2] - middle) - size / 2, 0.0)
    return float(np.maximum(drawn[:, 2] - np.hypot(gap[:, 0], gap[:, 1]), 0.0).sum())


def _load(view: _View) -> None:
    """Where the limb is over its working limit if all stayed, and where it would break first.

    Two lines beside the limb bracket the stretch; a pair of arrow heads points at the worst place.
    A limb that is within its limit gets neither.
    """
    weight, limb, over_mm = view.weight, view.limb, view.result.decision.load.over_limit_mm
    if not len(over_mm):
        return
    over = over_mm * limb.length_px / limb.length_mm
    if len(over) >= 2:
        stretch = np.linspace(over[0], over[-1], 40)
        middle = point_on_line(limb.line_px, stretch) * view.zoom
        sideways = np.array([across_line(limb.line_px, float(a)) for a in stretch]) * 4.5 * weight
        for side in (-1, 1):
            outlined_line(view.picture, middle + side * sideways, OVER_RGB, max(1, weight // 2))
    at, across, ahead = view.worst
    for side in (-1, 1):
        tip = at + side * across * 6 * weight
        wings = [tip + side * across * 5 * weight + s * ahead * 4 * weight for s in (-1, 1)]
        outlined_line(view.picture, np.array([wings[0], tip, wings[1]]), OVER_RGB, weight)


def _cuts(view: _View) -> None:
    for a, b in view.strokes:
        dashed_line(view.picture, a, b, rgb=CUT_RGB, width=2 * view.weight)
    for words, x, y in view.labels:
        text(view.picture, words, (x, y), size_px=9 * view.weight, rgb=WHITE, edge_rgb=BLACK)


def _box(words: str, x: float, y: float, letters: int) -> FloatArray:
    """Circles (x, y, r) that cover written words."""
    wide, high = text_size(words, letters)
    middles = np.arange(x + high / 2, x + wide + high / 2, high / 2)
    return np.stack(
        [middles, np.full(len(middles), y + high / 2), np.full(len(middles), float(high))], axis=1
    )


def _beside(
    picture: Pixels, ends: tuple[FloatArray, ...], words: str, letters: int, marks: FloatArray
) -> tuple[float, float]:
    """Top left of words at one of these ends, right or left of it, where least fruit is hidden."""
    size = np.array(text_size(words, letters), dtype=np.float64)
    most = np.array([picture.shape[1] - size[0] - 4, picture.shape[0] - 2 * size[1]])
    left, right = -letters / 3 - size[0], letters / 3
    corners = [
        np.clip(end + np.array([aside, -size[1] / 2]), 4, most)
        for end in ends
        for aside in (right, left)
    ]
    x, y = min(corners, key=lambda c: _covered(c + size / 2, size, marks))
    return float(x), float(y)


def footer(result: Result, width_px: int, units: str = "metric") -> Pixels:
    """Make the strip.

    Parameters
    ----------
    result : Result
    width_px : int
        Width of the picture it goes under; letters grow with it.
    units : {"metric", "us"}

    Returns
    -------
    uint8 array, shape (rows, width_px, 3)
    """
    big, small = max(16, width_px // 26), _small_px(width_px)
    margin = big // 2
    decision = result.decision
    answer, *rest = main_lines(result, units)
    lines = [(words, big) for words in _wrapped(answer, big, width_px - 2 * margin)]
    if len(decision.load.over_limit_mm):
        where = format_length(decision.load.before.worst_at_mm, units)
        rest.append(
            "Side lines: past its limit with all fruit left; arrow heads: where it would bend "
            f"hardest ({where} from the base)."
        )
    rest += [*decision.load.notes, *CAUTIONS_SHORT]
    for words in rest:
        lines += [(part, small) for part in _wrapped(words, small, width_px - 2 * margin)]
    band = legend(result, width_px)
    height = margin * 2 + sum(round(size * 1.45) for _, size in lines)
    strip = np.full((height, width_px, 3), PAPER_RGB, np.uint8)
    y = margin
    for words, size in lines:
        text(strip, words, (margin, y), size_px=size, rgb=INK_RGB)
        y += round(size * 1.45)
    return np.vstack([band, strip])


def _small_px(width_px: int) -> int:
    return max(11, width_px // 48)


def _wrapped(words: str, size_px: int, width_px: int) -> list[str]:
    lines, line = [], ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if line and text_size(longer, size_px)[0] > width_px:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]


def legend(result: Result, width_px: int) -> Pixels:
    """The band that tells each mark's meaning and how many there are; shape (rows, width_px, 3)."""
    size_px = _small_px(width_px)
    actions = fruit_actions(result.measurement.fruitlets, result.decision.plan)
    present = [(style, actions.count(name)) for name, style in ACTIONS.items() if name in actions]
    row = round(size_px * 2.2)
    spots, x, y = [], float(size_px), 0
    for style, count in present:
        words = f"{style.word}: {count}"
        need = 3.2 * size_px + text_size(words, size_px)[0]
        if x > size_px and x + need > width_px:
            x, y = float(size_px), y + row
        spots.append((style, words, x, y))
        x += need + size_px
    band = np.full((y + row if spots else 0, width_px, 3), _BAND_RGB, np.uint8)
    for style, words, left, top in spots:
        at = (left + size_px * 0.8, top + row / 2, size_px * 0.6)
        mark(band, at, style.shape, rgb=style.rgb, width=max(2, size_px // 8))
        spot = (left + 2.2 * size_px, top + (row - size_px) / 2 - size_px * 0.15)
        text(band, words, spot, size_px=size_px, rgb=PAPER_RGB)
    return band


def side_picture(
    rgb: Pixels, number: int, joined: JoinedLimb, actions: Sequence[str], long_px: int = 2000
) -> Pixels:
    """The joined limb's fruit on the photo of this number, each marked as told, with its number.

    The photo and the picture have shape (rows, columns, 3). Fruit of an empty action are left out.
    """
    zoom = long_px / max(rgb.shape[:2])
    picture = zoomed(rgb, zoom)
    places = _places(joined.photos[number].fruitlets, zoom)
    size_px = max(28, long_px // 66)
    for (x, y, r), row in zip(places, joined.fruit[number].tolist(), strict=True):
        if row >= 0 and actions[row]:
            _mark(picture, np.array([x, y, r]), actions[row], max(2, long_px // 500))
            spot = (x + r, y - r)
            text(picture, str(row + 1), spot, size_px=size_px, rgb=WHITE, edge_rgb=BLACK)
    return picture
