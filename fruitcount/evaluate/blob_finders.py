"""Blob finders to compare with: each takes our heatmap map and returns circles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from skimage.feature import blob_dog, blob_log

from fruitcount.detect.circles import circles_from_maps
from fruitcount.detect.heatmap import DetectSettings
from fruitcount.image.opencv import cv2
from fruitcount.types import FloatArray, Fruitlets, Maps

_cv2: Any = cv2  # its type stub lacks the blob detector


@dataclass(frozen=True)
class BlobFinder:
    """A finder, and the thresholds among which it may choose its best."""

    find: Callable[[Maps, float], Fruitlets]
    thresholds: tuple[float, ...]


def _shipped(maps: Maps, threshold: float) -> Fruitlets:
    del threshold
    return _ours(maps, DetectSettings().threshold_for(maps.source))


def _ours(maps: Maps, threshold: float) -> Fruitlets:
    x, y, r, score = circles_from_maps(maps, threshold)
    return Fruitlets.from_columns(x_px=x, y_px=y, r_px=r, score=score)


def _log(maps: Maps, threshold: float) -> Fruitlets:
    low, high = _sigmas(maps)
    blobs = blob_log(maps.heatmap, min_sigma=low, max_sigma=high, num_sigma=6, threshold=threshold)
    return _from_blobs(maps, blobs)


def _dog(maps: Maps, threshold: float) -> Fruitlets:
    low, high = _sigmas(maps)
    return _from_blobs(
        maps, blob_dog(maps.heatmap, min_sigma=low, max_sigma=high, threshold=threshold)
    )


def _simple(maps: Maps, threshold: float) -> Fruitlets:
    grey = np.clip(maps.heatmap * 255, 0, 255).astype(np.uint8)
    p = _cv2.SimpleBlobDetector_Params()
    p.filterByColor, p.blobColor = True, 255
    p.filterByCircularity = p.filterByConvexity = p.filterByInertia = False
    p.filterByArea, p.minArea, p.maxArea = True, 4.0, float(grey.size) / 20
    p.minThreshold, p.maxThreshold, p.thresholdStep = 255 * threshold, 250.0, 10.0
    p.minDistBetweenBlobs = 3.0
    points = _cv2.SimpleBlobDetector_create(p).detect(grey)
    table = np.array([(k.pt[1], k.pt[0], k.size / 2) for k in points], np.float64).reshape(-1, 3)
    return _circles(maps, table[:, 1], table[:, 0], table[:, 2])


def _sigmas(maps: Maps) -> tuple[float, float]:
    """Spread of peaks to look for: a fifth to three fifths of the radius the maps expect."""
    told = maps.radius_px[maps.heatmap > 0.3]
    told = told[np.isfinite(told)]
    middle = float(np.median(told)) / maps.px_per_cell if len(told) else 6.0
    return max(0.8, 0.2 * middle), max(1.2, 0.6 * middle)


def _from_blobs(maps: Maps, blobs: FloatArray) -> Fruitlets:
    return _circles(maps, blobs[:, 1], blobs[:, 0], blobs[:, 2] * np.sqrt(2))


def _circles(maps: Maps, column: FloatArray, row: FloatArray, r_cells: FloatArray) -> Fruitlets:
    k = maps.px_per_cell
    return Fruitlets.from_columns(
        x_px=(column + 0.5) * k - 0.5, y_px=(row + 0.5) * k - 0.5, r_px=r_cells * k
    )


# Fourteen steps each, so that none wins by a luckier grid.
_LOW = tuple(round(0.02 * 1.25**k, 4) for k in range(14))
_EVEN = tuple(round(0.2 + 0.05 * k, 2) for k in range(14))
BLOB_FINDERS: dict[str, BlobFinder] = {
    "ours, shipped threshold": BlobFinder(_shipped, (0.0,)),
    "ours, best threshold": BlobFinder(_ours, _EVEN),
    "scikit-image blob_log": BlobFinder(_log, _LOW),
    "scikit-image blob_dog": BlobFinder(_dog, _LOW),
    "OpenCV SimpleBlobDetector": BlobFinder(_simple, _EVEN),
}
