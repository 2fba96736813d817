"""What every sample photograph must keep to, checked on its truth."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .shots import Shot
from .truth import area_centre
from .wood import OBJ_CARD, OBJ_TARGET

MARGIN_FRAC = 0.03


def _outside(p: NDArray[Any], w: int, h: int, margin: float) -> bool:
    return bool((p < margin).any() or (p > np.array([w, h]) - 1 - margin).any())


def faults(s: Shot, sc: Any, rec: dict[str, Any], ids: NDArray[Any]) -> list[str]:
    """Rules the picture breaks, in words; empty when it is sound. `rec` is its truth record."""
    w, h = rec["width"], rec["height"]
    margin = MARGIN_FRAC * min(w, h)
    return [
        *_limb_faults(sc, rec, ids, margin),
        *_card_faults(s, sc, rec, ids, margin),
        *_fruit_faults(s, sc, rec, margin),
    ]


def _limb_faults(sc: Any, rec: dict[str, Any], ids: NDArray[Any], margin: float) -> list[str]:
    out = []
    cam, main = sc.cam, sc.stems[0]
    line, _ = cam.project(main.points)
    if _outside(line, cam.width, cam.height, margin):
        out.append("limb leaves the frame")
    span = main.points[-1] - main.points[0]
    lean = np.rad2deg(np.arcsin(abs(span @ cam.forward) / np.linalg.norm(span)))
    if lean > 20:
        out.append(f"limb leans {lean:.0f} degrees out of the picture")
    seen = wood_seen(main, cam, ids)
    if seen < 0.55:
        out.append(f"only {seen:.0%} of the wood is seen")
    return out


def wood_seen(main: Any, cam: Any, ids: NDArray[Any]) -> float:
    """Share of the limb's length at which some of its own wood shows across its width."""
    p, d, r = main.at(np.linspace(0, main.arc[-1], 300))
    side = np.cross(d, cam.forward)
    hit = np.zeros(300, bool)
    for k in (-0.8, -0.4, 0.0, 0.4, 0.8):
        q, _ = cam.project(p + side * (r * k)[:, None])
        ij = np.clip(np.rint(q).astype(int), 0, [cam.width - 1, cam.height - 1])
        hit |= ids[ij[:, 1], ij[:, 0]] == OBJ_TARGET
    return float(hit.mean())


def _card_faults(
    s: Shot, sc: Any, rec: dict[str, Any], ids: NDArray[Any], margin: float
) -> list[str]:
    out = []
    cam, card = sc.cam, sc.card
    o, _ = cam.project(card.outline)
    if _outside(o, cam.width, cam.height, margin * 0.5):
        out.append("card leaves the frame")
    seen = float((ids == OBJ_CARD).sum()) / area_centre(o)[0]
    if seen < 0.985:
        out.append(f"only {seen:.1%} of the card is seen")
    c = np.array(rec["card"]["corners_px"])
    side = (
        float(np.linalg.norm(c - np.roll(c, 1, 0), axis=1).max())
        * max(s.size)
        / max(cam.width, cam.height)
    )
    if side < 110:
        out.append(f"card side is {side:.0f} px")
    _, zc = cam.project(card.centre)
    if abs(cam.focal_px / float(zc) / rec["px_per_mm"] - 1) > 0.005:
        out.append("card and limb disagree on the scale")
    p, _, _ = sc.stems[0].at(np.array([s.card_along * sc.stems[0].arc[-1]]))
    gap = float(abs(cam.project(p)[1][0] - zc))
    if gap > 15:
        out.append(f"card is {gap:.0f} mm off the limb's depth")
    return out


def _fruit_faults(s: Shot, sc: Any, rec: dict[str, Any], margin: float) -> list[str]:
    out = []
    own = [f for f in rec["fruit"] if f["on_limb"]]
    if len(own) != s.fruit:
        out.append(f"{len(own)} fruit of {s.fruit} in the frame")
    xy = np.array([[f["x"], f["y"]] for f in own])
    rad = np.array([f["r_px"] for f in own])[:, None]
    if _outside(xy - rad, rec["width"], rec["height"], margin * 0.3) or _outside(
        xy + rad, rec["width"], rec["height"], margin * 0.3
    ):
        out.append("a fruit leaves the frame")
    vis = np.array([f["visible"] for f in own])
    if (vis >= 0.5).mean() < 0.7:
        out.append(f"only {(vis >= 0.5).mean():.0%} of the fruit show half of themselves")
    if (vis < 0.05).any():
        out.append(f"{(vis < 0.05).sum()} fruit are wholly hidden")
    fr = sc.fruit
    mine = fr.on_limb
    wood = np.concatenate([st.points for st in sc.stems])
    gap = (
        np.linalg.norm(fr.centre[mine][:, None] - wood[None], axis=2).min(1)
        - (fr.diameter * fr.ratio)[mine] / 2
    )
    limit = s.kind.stalk_mm[1] + s.base_mm / 2 + 9
    if (gap > limit).any():
        out.append(f"a fruit hangs {gap.max():.0f} mm off the wood")
    along = np.array([f["along_mm"] for f in own])
    if abs((along > rec["limb"]["length_mm"] / 3).sum() - round(s.fruit * s.outer_frac)) > 1:
        out.append("too few or too many fruit on the outer two thirds")
    return out
