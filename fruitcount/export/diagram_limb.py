"""The limb of a diagram: drawn straight and to scale, shoots upwards, fruit hanging in rows."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fruitcount.export.actions import ACTIONS, CUT_RGB, INK_RGB, WHITE, fruit_actions
from fruitcount.export.diagram_page import LEFT, RIGHT, Page
from fruitcount.export.shapes import Line, Polygon, Ring, Words, dashed
from fruitcount.lines import line_length_px, places_on_wood
from fruitcount.plan import Plan
from fruitcount.types import FloatArray, Fruitlets, Limb
from fruitcount.units import MM_PER_INCH

__all__ = ["LimbView", "fruit_mark", "limb_ruler", "limb_strip"]

MARK = 5.0
ROW = 13.0
BARK_RGB = (133, 104, 76)
FAINT_RGB = (150, 145, 138)
SHOOT_LEANS = math.radians(52.0)


@dataclass(frozen=True, eq=False)
class LimbView:
    """Fruit and wood in drawing units."""

    times: float
    mm_per_px: float
    length: float
    base: float
    tip: float
    fork: FloatArray
    shoot_length: FloatArray
    line: NDArray[np.int64]
    at: FloatArray
    actions: list[str]
    cuts: tuple[tuple[int, float], ...]

    @classmethod
    def of(cls, fruitlets: Fruitlets, limb: Limb, plan: Plan) -> LimbView:
        """The view of one planned limb, whose line has a length."""
        length_px = limb.length_px if limb.length_px > 0 else line_length_px(limb.line_px)
        times = (RIGHT - LEFT) / length_px
        mm_per_px = (limb.length_mm if limb.length_mm > 0 else math.nan) / length_px
        line, at = places_on_wood(fruitlets, limb)
        wide = limb.base_diameter_mm / mm_per_px * times
        thin = limb.tip_diameter_mm / mm_per_px * times
        base = float(np.clip(wide, 3.0, 40.0)) if np.isfinite(wide) else 9.0
        return cls(
            times=times,
            mm_per_px=mm_per_px,
            length=RIGHT - LEFT,
            base=base,
            tip=float(np.clip(thin, 2.0, base)) if np.isfinite(thin) else max(base / 2, 2.0),
            fork=np.array([s.fork_along_px for s in limb.shoots]) * times,
            shoot_length=np.array([line_length_px(s.line_px) for s in limb.shoots]) * times,
            line=line,
            at=at * times,
            actions=fruit_actions(fruitlets, plan),
            cuts=tuple((c.shoot, c.at_px * times) for c in plan.cuts),
        )

    def end(self, line: int, *, before: bool) -> float:
        """Where the wood of a line ends; 0 for a shoot gone with the limb it hung on."""
        whole = self.length if line == -1 else float(self.shoot_length[line])
        if before:
            return whole
        for shoot, at in self.cuts:
            if shoot == line:
                whole = min(whole, at)
            elif shoot == -1 and line >= 0 and self.fork[line] > at:
                return 0.0
        return whole

    def thickness(self, at: float) -> float:
        """Of the limb at a place, in drawing units."""
        return self.base + (self.tip - self.base) * at / self.length


def limb_strip(page: Page, view: LimbView, *, before: bool) -> None:
    """The limb with its shoots upwards and its fruit hanging in rows beneath."""
    wanted = [
        i
        for i, action in enumerate(view.actions)
        if action != "elsewhere" and (before or action == "keep") and math.isfinite(view.at[i])
    ]
    shoots = [s for s in range(len(view.fork)) if view.end(s, before=before) > 0]
    tallest = max([view.end(s, before=before) * math.sin(SHOOT_LEANS) for s in shoots], default=0)
    page.y += max(tallest + 10, 27 if before and view.cuts else 16) + view.base / 2
    axis = page.y
    _wood(page, view, axis, shoots, before=before)
    rows: list[float] = []
    for i in sorted(wanted, key=lambda k: view.at[k]):
        if view.line[i] == -1:
            _hang(page, view, axis, i, rows)
    sides: dict[int, int] = {}
    for i in sorted(wanted, key=lambda k: view.at[k]):
        shoot = int(view.line[i])
        if shoot >= 0:
            sides[shoot] = -sides.get(shoot, -1)
            x, y = _on_shoot(view, axis, shoot, float(view.at[i]))
            dx, dy = 7 * math.sin(SHOOT_LEANS), 7 * math.cos(SHOOT_LEANS)
            fruit_mark(page, view.actions[i], x + dx * sides[shoot], y + dy * sides[shoot])
    if before:
        for number, (shoot, at) in enumerate(view.cuts, start=1):
            _cut_mark(page, view, axis, number, shoot, at)
    page.y = axis + view.base / 2 + ROW * max(len(rows), 1) + 4


def _wood(page: Page, view: LimbView, axis: float, shoots: list[int], *, before: bool) -> None:
    for shoot in shoots:
        start = _on_shoot(view, axis, shoot, 0.0)
        tip_place = _on_shoot(view, axis, shoot, view.end(shoot, before=before))
        page.add(Line((start, tip_place), BARK_RGB, 3.0))
    end = view.end(-1, before=before)
    half, tip = view.base / 2, view.thickness(end) / 2
    page.add(
        Polygon(
            (
                (LEFT, axis - half),
                (LEFT + end, axis - tip),
                (LEFT + end, axis + tip),
                (LEFT, axis + half),
            ),
            BARK_RGB,
            INK_RGB,
            0.6,
        )
    )
    if end < view.length:
        page.add(*dashed((LEFT + end, axis), (LEFT + view.length, axis), FAINT_RGB, width=1.5))


def _on_shoot(view: LimbView, axis: float, shoot: int, at: float) -> tuple[float, float]:
    return (
        LEFT + float(view.fork[shoot]) + at * math.cos(SHOOT_LEANS),
        axis - at * math.sin(SHOOT_LEANS),
    )


def _hang(page: Page, view: LimbView, axis: float, i: int, rows: list[float]) -> None:
    """Hang one fruit in the first row where it does not cover its neighbour."""
    x = LEFT + float(view.at[i])
    row = next((r for r, last in enumerate(rows) if x - last >= 2 * MARK + 2.5), len(rows))
    if row == len(rows):
        rows.append(x)
    rows[row] = x
    y = axis + view.base / 2 + ROW * (row + 0.75)
    page.add(Line(((x, axis), (x, y)), FAINT_RGB, 0.7))
    fruit_mark(page, view.actions[i], x, y)


def fruit_mark(page: Page, action: str, x: float, y: float) -> None:
    """The fruit's shape: disc, cross, slash or triangle, dark-edged on any ground."""
    rgb, r = ACTIONS[action].rgb, MARK
    if action == "keep":
        page.add(Ring(x, y, r, rgb, INK_RGB, 1.4))
    elif action == "counted":
        page.add(Ring(x, y, r, WHITE, INK_RGB, 1.4))
    elif action == "yellowing":
        corners = ((x, y - r), (x + r, y + r * 0.8), (x - r, y + r * 0.8))
        page.add(Polygon(corners, rgb, INK_RGB, 1.2))
    else:
        page.add(Ring(x, y, r, WHITE, FAINT_RGB, 0.8))
        strokes = [((x - r * 0.8, y + r * 0.8), (x + r * 0.8, y - r * 0.8))]
        if action == "pinch":
            strokes.append(((x - r * 0.8, y - r * 0.8), (x + r * 0.8, y + r * 0.8)))
        for stroke in strokes:
            page.add(Line(stroke, INK_RGB, 3.2), Line(stroke, rgb, 2.0))


def _cut_mark(page: Page, view: LimbView, axis: float, number: int, shoot: int, at: float) -> None:
    """A bar across the wood with the cut's number above it."""
    if shoot == -1:
        x, y = LEFT + at, axis
        dx, dy = 0.0, view.thickness(at) / 2 + 7
    else:
        x, y = _on_shoot(view, axis, shoot, at)
        dx, dy = 8 * math.sin(SHOOT_LEANS), 8 * math.cos(SHOOT_LEANS)
    bar = ((x - dx, y - dy), (x + dx, y + dy))
    page.add(Line(bar, INK_RGB, 4.5), Line(bar, CUT_RGB, 2.8))
    label = (x - dx, y - dy - 8) if shoot == -1 else (x - dx - 6, y - dy - 5)
    page.add(Ring(label[0], label[1], 7.5, CUT_RGB, INK_RGB, 1.0))
    page.add(Words(label[0], label[1] + 4, str(number), INK_RGB, 11.5, "middle"))


def limb_ruler(page: Page, view: LimbView, system: str) -> None:
    """Distance from the base, in the user's units or in shares of the limb."""
    page.y += 4
    page.add(Line(((LEFT, page.y), (RIGHT, page.y)), INK_RGB, 1.0))
    length_mm = view.length / view.times * view.mm_per_px
    if math.isfinite(length_mm):
        unit, unit_mm = ("in", MM_PER_INCH) if system == "us" else ("cm", 10.0)
        whole = length_mm / unit_mm
    else:
        unit, whole = "% of the limb", 100.0
    step = next(s for s in (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1e9) if whole / s <= 7)
    for k in range(int(whole / step + 1e-9) + 1):
        x = LEFT + k * step / whole * view.length
        page.add(Line(((x, page.y), (x, page.y + 5)), INK_RGB, 1.0))
        page.add(Words(x, page.y + 16, f"{k * step:g}", INK_RGB, 11, "middle"))
    page.y += 29
    page.add(Words((LEFT + RIGHT) / 2, page.y, f"{unit} from the base", INK_RGB, 11, "middle"))
