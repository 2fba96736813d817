"""The limb drawn straight and to scale, with its load; the tree as its limbs.

A schematic for a phone screen and for print. Shoots rise from the limb, fruit hangs in rows. Colour
is never alone: each action has a shape, and "before" is dashed where "after" is solid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fruitcount.export.diagram_page import LEFT, RIGHT, WIDTH, Page, factor_bars, stress_chart
from fruitcount.export.words import ACTIONS, CUT_RGB, INK_RGB, WHITE, fruit_actions
from fruitcount.lines import line_length_px, places_on_wood
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Result
from fruitcount.plan.words import cut_lines
from fruitcount.tree.sheet import TreeSheet
from fruitcount.types import FloatArray, IntArray
from fruitcount.units import unit_of

MARK = 5.0
ROW = 13.0
BARK_RGB = (133, 104, 76)
FAINT_RGB = (150, 145, 138)
LEAN_COS, LEAN_SIN = math.cos(math.radians(52.0)), math.sin(math.radians(52.0))


def draw_limb(result: Result, units: str = "metric", *, words: bool = True) -> Page:
    """Lay out the whole diagram.

    Parameters
    ----------
    result : Result
        Where its limb was not found, only the words are drawn; stress and load factor are left out
        where the load is not known.
    units : {"metric", "us"}
    words : bool
        What to do and the load in words too; False where they stand beside it.

    Returns
    -------
    Page
        Its ``svg`` is for a screen, its ``drawing`` for a report.
    """
    page, plan, load = Page(), result.decision.plan, result.decision.load
    if words:
        page.title(plan.answer)
    if line_length_px(result.measurement.limb.line_px) > 0:
        view = _View.of(result)
        page.heading("Before: what hangs here and what comes off")
        _strip(page, view, before=True)
        for line in cut_lines(plan, units) if words else ():
            page.text(line)
        page.heading(f"After: {plan.keep_count} kept")
        _strip(page, view, before=False)
        _ruler(page, view, units)
    else:
        page.text("The limb line was not found, so the limb cannot be drawn.")
    if load.sure:
        stress_chart(page, load)
        factor_bars(page, load)
    for line in load_lines(load, units) if words else ():
        page.text(line)
    _legend(page)
    page.text("Drawn straight, to scale along the limb; marks are not to size.", small=True)
    page.text("An estimate. It does not promise that the limb will hold.", small=True)
    return page


def write_diagram(result: Result, path: Path, units: str = "metric") -> None:
    """Write a result's diagram as PDF."""
    draw_limb(result, units).write_pdf(path)


def draw_strip(result: Result, units: str = "metric") -> Page:
    """The limb as it hangs and what becomes of it, with what it can carry: to stand by a photo.

    The limb's line must be there; the rest is as in :func:`draw_limb`.
    """
    page, view = Page(), _View.of(result)
    _strip(page, view, before=True)
    _ruler(page, view, units)
    if result.decision.load.sure:
        factor_bars(page, result.decision.load)
    return page


def _legend(page: Page) -> None:
    page.y += 24
    for k, action in enumerate(("keep", "pinch", "cut", "yellowing")):
        x, y = 22 + (k % 2) * 180, page.y + (k // 2) * 19
        _fruit(page, action, x, y)
        page.words((x + 12, y + 4), ACTIONS[action].word)
    page.y += 26


@dataclass(frozen=True, eq=False)
class _View:
    """Fruit and wood in drawing units."""

    times: float
    mm_per_px: float
    base: float
    tip: float
    fork: FloatArray
    shoot_length: FloatArray
    line: IntArray
    at: FloatArray
    actions: list[str]
    cuts: tuple[tuple[int, float], ...]

    @classmethod
    def of(cls, result: Result) -> _View:
        """The view of one planned limb, whose line has a length."""
        fruitlets, limb = result.measurement.fruitlets, result.measurement.limb
        plan = result.decision.plan
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
        whole = RIGHT - LEFT if line == -1 else float(self.shoot_length[line])
        if before:
            return whole
        for shoot, at in self.cuts:
            if shoot == line:
                whole = min(whole, at)
            elif shoot == -1 and line >= 0 and self.fork[line] > at:
                return 0.0
        return whole

    def half(self, at: float) -> float:
        """Half the limb's thickness at a place, in drawing units."""
        return (self.base + (self.tip - self.base) * at / (RIGHT - LEFT)) / 2

    def on_shoot(self, axis: float, shoot: int, at: float) -> tuple[float, float]:
        """A place on a shoot, which leans from a limb drawn at the height ``axis``."""
        return LEFT + float(self.fork[shoot]) + at * LEAN_COS, axis - at * LEAN_SIN


def _strip(page: Page, view: _View, *, before: bool) -> None:
    """The limb with its shoots upwards and its fruit hanging in rows beneath."""
    wanted = [
        i
        for i in np.argsort(view.at, kind="stable").tolist()
        if view.actions[i] != "elsewhere"
        and (before or view.actions[i] == "keep")
        and math.isfinite(view.at[i])
    ]
    shoots = [s for s in range(len(view.fork)) if view.end(s, before=before) > 0]
    tallest = max([view.end(s, before=before) * LEAN_SIN for s in shoots], default=0)
    page.y += max(tallest + 10, 27 if before and view.cuts else 16) + view.base / 2
    axis = page.y
    _wood(page, view, axis, shoots, before=before)
    rows: list[float] = []
    for i in wanted:
        if view.line[i] == -1:
            _hang(page, view, axis, i, rows)
    sides: dict[int, int] = {}
    for i in wanted:
        shoot = int(view.line[i])
        if shoot >= 0:
            sides[shoot] = -sides.get(shoot, -1)
            x, y = view.on_shoot(axis, shoot, float(view.at[i]))
            aside = 7 * sides[shoot]
            _fruit(page, view.actions[i], x + aside * LEAN_SIN, y + aside * LEAN_COS)
    if before:
        for number, (shoot, at) in enumerate(view.cuts, start=1):
            _cut_mark(page, view, axis, number, shoot, at)
    page.y = axis + view.base / 2 + ROW * max(len(rows), 1) + 4


def _wood(page: Page, view: _View, axis: float, shoots: list[int], *, before: bool) -> None:
    for shoot in shoots:
        tip = view.on_shoot(axis, shoot, view.end(shoot, before=before))
        page.line(view.on_shoot(axis, shoot, 0.0), tip, rgb=BARK_RGB, width=3.0)
    end = view.end(-1, before=before)
    outline = [
        (LEFT + at, axis + s * view.half(at)) for at, s in ((0, -1), (end, -1), (end, 1), (0, 1))
    ]
    page.polygon(*outline, fill=BARK_RGB, edge=INK_RGB, width=0.6)
    if LEFT + end < RIGHT:
        page.dashed((LEFT + end, axis), (RIGHT, axis), FAINT_RGB, 1.5)


def _hang(page: Page, view: _View, axis: float, i: int, rows: list[float]) -> None:
    """Hang one fruit in the first row where it does not cover its neighbour."""
    x = LEFT + float(view.at[i])
    row = next((r for r, last in enumerate(rows) if x - last >= 2 * MARK + 2.5), len(rows))
    rows[row : row + 1] = [x]
    y = axis + view.base / 2 + ROW * (row + 0.75)
    page.line((x, axis), (x, y), rgb=FAINT_RGB, width=0.7)
    _fruit(page, view.actions[i], x, y)


def _fruit(page: Page, action: str, x: float, y: float) -> None:
    """The fruit's shape: disc, cross, slash or triangle, dark-edged on any ground."""
    rgb, r = ACTIONS[action].rgb, MARK
    if action in ("keep", "counted"):
        page.ring((x, y), r, rgb, 1.4)
    elif action == "yellowing":
        corners = ((x, y - r), (x + r, y + r * 0.8), (x - r, y + r * 0.8))
        page.polygon(*corners, fill=rgb, edge=INK_RGB, width=1.2)
    else:
        page.ring((x, y), r, WHITE, 0.8, FAINT_RGB)
        d = r * 0.8
        for side in (1, -1) if action == "pinch" else (1,):
            stroke = ((x - d, y + side * d), (x + d, y - side * d))
            page.line(*stroke, width=3.2)
            page.line(*stroke, rgb=rgb, width=2.0)


def _cut_mark(page: Page, view: _View, axis: float, number: int, shoot: int, at: float) -> None:
    """A bar across the wood with the cut's number above it."""
    if shoot == -1:
        (x, y), dx, dy, aside = (LEFT + at, axis), 0.0, view.half(at) + 7, (0, 8)
    else:
        x, y = view.on_shoot(axis, shoot, at)
        dx, dy, aside = 8 * LEAN_SIN, 8 * LEAN_COS, (6, 5)
    bar = ((x - dx, y - dy), (x + dx, y + dy))
    page.line(*bar, width=4.5)
    page.line(*bar, rgb=CUT_RGB, width=2.8)
    label = (x - dx - aside[0], y - dy - aside[1])
    page.ring(label, 7.5, CUT_RGB)
    page.words((label[0], label[1] + 4), str(number), 11.5, "middle")


def _ruler(page: Page, view: _View, units: str) -> None:
    """Distance from the base, in the user's units or in shares of the limb."""
    page.y += 4
    page.line((LEFT, page.y), (RIGHT, page.y))
    length_mm = (RIGHT - LEFT) / view.times * view.mm_per_px
    unit, unit_mm, _ = unit_of("length", units)
    whole = length_mm / unit_mm
    if not math.isfinite(length_mm):
        unit, whole = "% of the limb", 100.0
    step = next(s for s in (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1e9) if whole / s <= 7)
    for k in range(int(whole / step + 1e-9) + 1):
        x = LEFT + k * step / whole * (RIGHT - LEFT)
        page.line((x, page.y), (x, page.y + 5))
        page.words((x, page.y + 16), f"{k * step:g}", 11, "middle")
    page.y += 29
    page.words(((LEFT + RIGHT) / 2, page.y), f"{unit} from the base", 11, "middle")


BETWEEN, LONGEST, THICKEST = 46.0, 168.0, 13.0


def draw_tree(sheet: TreeSheet) -> Page:
    """The limbs from the lowest up, left and right of the trunk, in the order of the sheet.

    Blue is the part of a limb's fruit that stays; a dashed limb was not photographed.
    """
    page, trunk = Page(), WIDTH / 2
    floor = BETWEEN * math.ceil(len(sheet.limbs) / 2) + 26
    page.y = floor - 14
    page.polygon((trunk - 8, floor), (trunk - 3, 16), (trunk + 3, 16), (trunk + 8, floor),
                 fill=BARK_RGB)  # fmt: skip
    most = max((limb.whole_n for limb in sheet.limbs), default=1) or 1
    thick = max((limb.area_cm2 for limb in sheet.limbs if limb.area_cm2 > 0), default=1.0)
    for k, limb in enumerate(sheet.limbs):
        side, y = (-1 if k % 2 == 0 else 1), floor - 16 - BETWEEN * (k // 2)
        wide = THICKEST * math.sqrt(limb.area_cm2 / thick) if limb.area_cm2 > 0 else 3.0
        long = max(LONGEST * limb.whole_n / most, 4.0)
        start, end = trunk + 6 * side, trunk + (6 + long) * side
        keeps = start + (end - start) * min(limb.keep_n / max(limb.whole_n, 1), 1.0)
        if limb.counted:
            page.line((start, y), (end, y), rgb=BARK_RGB, width=max(wide, 2.0))
            page.line((start, y), (keeps, y), rgb=ACTIONS["keep"].rgb, width=max(wide - 2, 1.4))
        else:
            page.dashed((start, y), (end, y), FAINT_RGB, max(wide, 2.0))
        of = f"keep {limb.keep_n} of {limb.whole_n}"
        words = f"{limb.name[:20]}: {of if limb.counted else f'not seen, at most {limb.keep_n}'}"
        at = (trunk + 16 * side, y - THICKEST / 2 - 5)
        page.words(at, words, anchor="end" if side < 0 else "start")
    return page


def tree_words(sheet: TreeSheet) -> str:
    """The same in words, for those who do not see it."""
    limbs = (
        f"{x.name}, {x.whole_n} fruit, keep {x.keep_words}"
        if x.counted
        else f"{x.name}, not seen, at most {x.keep_n}"
        for x in sheet.limbs
    )
    return f"The tree, limb by limb: {'; '.join(limbs)}."
