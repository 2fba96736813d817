"""Where each fruit hangs: along the limb, how far off it, on which shoot, in which cluster."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from fruitcount.flags import Flag
from fruitcount.image.opencv import sample_grid
from fruitcount.lines import nearest_on_line
from fruitcount.types import FloatArray, Fruitlets, IntArray, Limb, Maps, Scale

# Farthest that a fruit's near side may be from the wood's middle line and still hang on it. Larger
# counts more fruit to the limb. Stalks and short spurs of stone fruit reach about this far (common
# practice, no source).
MAX_GAP_MM = 40.0

# The same as a share of the limb's length, used without a scale.
MAX_GAP_FRAC = 0.08

# The gap may always be this many of the fruit's own radii. Larger counts more.
MAX_GAP_RADII = 1.5

# Fruit whose outlines are nearer than this belong to one cluster.
CLUSTER_GAP_MM = 5.0

# The same in radii of the smaller fruit, used without a scale.
CLUSTER_GAP_RADII = 0.5


def place_fruitlets(fruitlets: Fruitlets, limb: Limb, scale: Scale) -> Fruitlets:
    """Fill the place columns: along, offset, on_limb, shoot, cluster.

    Parameters
    ----------
    fruitlets : Fruitlets
        Circles in px.
    limb : Limb
    scale : Scale

    Returns
    -------
    Fruitlets
        The same fruit in the same order. Without a limb ``on_limb`` is -1 and ``along`` NaN,
        but clusters are still told. A fruit beyond either end of the line, or too far off it,
        gets ``on_limb`` 0; a fruit on a side shoot has ``along`` of that shoot's fork.
    """
    cluster = cluster_numbers(fruitlets, _cluster_gap(fruitlets, scale))
    if not limb.found or len(fruitlets) == 0:
        blank = np.full(len(fruitlets), np.nan)
        unknown = np.full(len(fruitlets), -1)
        return fruitlets.with_columns(
            along_px=blank, along_mm=blank, offset_px=blank, shoot=unknown, on_limb=unknown,
            cluster=cluster
        )  # fmt: skip
    along, offset, shoot = _nearest(fruitlets, limb)
    reach = _reach(fruitlets, limb, scale)
    gap = offset - fruitlets.r_px
    on_limb = np.where(np.isfinite(gap), (gap <= reach).astype(np.int64), -1)
    mm = scale.mm_per_px if scale.known else np.nan
    return fruitlets.with_columns(
        along_px=along,
        along_mm=along * mm,
        offset_px=offset,
        shoot=np.where(on_limb == 1, shoot, -1),
        on_limb=on_limb,
        cluster=cluster,
    )


def _nearest(fruitlets: Fruitlets, limb: Limb) -> tuple[FloatArray, FloatArray, IntArray]:
    along, offset = nearest_on_line(limb.line_px, fruitlets.x_px, fruitlets.y_px)
    shoot = np.full(len(fruitlets), -1)
    for k, side in enumerate(limb.shoots):
        if len(side.line_px) < 2:
            continue
        _, gap = nearest_on_line(side.line_px, fruitlets.x_px, fruitlets.y_px)
        # The limb wins ties: a fruit at the fork hangs on the limb.
        closer = gap < offset - 0.5 * np.nan_to_num(fruitlets.r_px)
        along[closer] = side.fork_along_px
        offset[closer] = gap[closer]
        shoot[closer] = k
    unknown = ~np.isfinite(fruitlets.x_px) | ~np.isfinite(fruitlets.y_px)
    along[unknown] = offset[unknown] = np.nan
    return along, offset, shoot


def _reach(fruitlets: Fruitlets, limb: Limb, scale: Scale) -> FloatArray:
    fixed = MAX_GAP_MM * scale.px_per_mm if scale.known else MAX_GAP_FRAC * limb.length_px
    return np.asarray(np.maximum(fixed, MAX_GAP_RADII * fruitlets.r_px), np.float64)


def _cluster_gap(fruitlets: Fruitlets, scale: Scale) -> float:
    if scale.known:
        return CLUSTER_GAP_MM * scale.px_per_mm
    radii = fruitlets.r_px[np.isfinite(fruitlets.r_px)]
    return CLUSTER_GAP_RADII * float(np.median(radii)) if len(radii) else 0.0


# Thickness of a limb over its length: on 45 photographs one of 35 right lines had more, and two of
# ten wrong ones. A trunk or a stretch of wall has more.
STOUTEST = 0.25

# Likelihood of wood within two radii from which a fruit sits along wood.
NEAR_WOOD = 0.5

# With fewer fruit nothing is said by where they hang.
FEWEST = 4


def doubts_by_fruit(fruitlets: Fruitlets, limb: Limb, maps: Maps) -> Flag:
    """``LIMB_UNSURE`` where the fruit, or the line's own shape, speak against a line.

    More than half of the fruit hang elsewhere while they sit along other wood; or the wood is too
    thick for its length. A line by hand is not doubted. Our choice of limits.

    Parameters
    ----------
    fruitlets : Fruitlets
        Placed.
    limb : Limb
    maps : Maps
        Its ``wood`` is asked where finite.
    """
    if not limb.found or limb.by_hand:
        return Flag.NONE
    known = limb.width_px[np.isfinite(limb.width_px)]
    stout = len(known) > 0 and float(np.median(known)) > STOUTEST * limb.length_px
    off = fruitlets.take(np.flatnonzero(fruitlets.on_limb == 0))
    along_wood = int((_wood_beside(off, maps) > NEAR_WOOD).sum())
    astray = len(fruitlets) >= FEWEST and 2 * along_wood > len(fruitlets)
    return Flag.LIMB_UNSURE if stout or astray else Flag.NONE


def _wood_beside(fruitlets: Fruitlets, maps: Maps) -> FloatArray:
    """Largest likelihood of wood one to two radii from each centre, shape (N,)."""
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    reach = np.concatenate([1.15 * ring, 1.5 * ring, 2.0 * ring])
    if len(fruitlets) == 0:
        return np.zeros(0)
    at = np.stack([fruitlets.x_px, fruitlets.y_px], axis=-1)[:, None, :]
    cell = (at + fruitlets.r_px[:, None, None] * reach + 0.5) / maps.px_per_cell - 0.5
    wood = sample_grid(maps.wood, cell[..., 0], cell[..., 1])
    return np.asarray(np.nan_to_num(wood).max(axis=1), np.float64)


def cluster_numbers(fruitlets: Fruitlets, gap_px: float) -> IntArray:
    """A number for each fruit; fruit of one cluster share it, a lone fruit has its own.

    Parameters
    ----------
    fruitlets : Fruitlets
    gap_px : float, px
        Outlines nearer than this are one cluster. Larger makes larger clusters.

    Returns
    -------
    int array, shape (N,)
        Numbered in the order of first appearance.
    """
    n = len(fruitlets)
    if n == 0:
        return np.zeros(0, np.int64)
    x, y, r = fruitlets.x_px, fruitlets.y_px, np.nan_to_num(fruitlets.r_px)
    apart = np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :]) - r[:, None] - r[None, :]
    with np.errstate(invalid="ignore"):
        joined = apart <= gap_px
    _, label = connected_components(csr_array(joined), directed=False)
    _, first = np.unique(label, return_index=True)
    order = np.argsort(np.argsort(first))
    return np.asarray(order[label], np.int64)
