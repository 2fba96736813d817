"""A photo's fruit as places along its limb, which another photo of the limb can be laid beside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fruitcount.lines import line_length_px, nearest_on_line, point_on_line
from fruitcount.types import FloatArray, IntArray, Kind, Measurement

NOMINAL_MM = 600.0
"""Taken for the limb's length where no photo has a scale: only shares of it matter then."""
_CHORD_FRAC = 0.04
_LENS_FRAC = 0.8


@dataclass(frozen=True, eq=False)
class Places:
    """Fruit of one photo in the limb's own frame.

    Attributes
    ----------
    along_mm, aside_mm : float arrays, shape (N,)
        Along the limb from its base, and off its line (positive to the right of one who looks
        from base to tip in the picture).
    size_mm : float array, shape (N,)
        Diameter; NaN where not told.
    yellow : bool array, shape (N,)
    sure : float array, shape (N,)
        0 to 1, the detector's score.
    length_mm : float
        Of the limb's line.
    heading : float, radians
        Of the limb in the picture, from base to tip: 0 to the right, pi/2 up.
    ray : float array, shape (N, 2)
        Where the fruit are in the picture, as tangents right of and below its middle.
    chord_mm : float array, shape (N,)
        Along the straight line between the limb's ends, from its middle.
    distance_mm : float
        Of the camera, roughly: a phone's lens is taken for as long as 0.8 of the picture's longer
        side (28 to 29 mm on 35 mm film).
    """

    along_mm: FloatArray
    aside_mm: FloatArray
    size_mm: FloatArray
    yellow: FloatArray
    sure: FloatArray
    length_mm: float
    ray: FloatArray
    chord_mm: FloatArray
    heading: float = 0.0
    distance_mm: float = 1000.0

    def __len__(self) -> int:
        return len(self.along_mm)

    def take(self, rows: IntArray) -> Places:
        """Some of the fruit."""
        each = ("along_mm", "aside_mm", "size_mm", "yellow", "sure", "ray", "chord_mm")
        return replace(self, **{name: getattr(self, name)[rows] for name in each})

    @property
    def reversed(self) -> Places:
        """The same fruit told from the other end of the line."""
        return replace(
            self,
            along_mm=self.length_mm - self.along_mm,
            aside_mm=-self.aside_mm,
            chord_mm=-self.chord_mm,
            heading=self.heading + np.pi,
        )


def places_of(measurement: Measurement, px_per_mm: float) -> Places:
    """Lay a photo's fruit along its limb.

    Parameters
    ----------
    measurement : Measurement
        With a limb that was found.
    px_per_mm : float
        The photo's scale, or one that makes its limb as long as on another photo.
    """
    fruit, line = measurement.fruitlets, measurement.limb.line_px
    along, _ = nearest_on_line(line, fruit.x_px, fruit.y_px)
    length = line_length_px(line)
    step = max(_CHORD_FRAC * length, 1.0)
    # the direction over a twelfth of the limb: a kink of the line does not swap the sides
    ahead, behind = (point_on_line(line, np.clip(along + d, 0, length)) for d in (step, -step))
    way = ahead - behind
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    xy = np.stack([fruit.x_px, fruit.y_px], 1)
    off = xy - point_on_line(line, along)
    aside = way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0]
    beyond = (way * off).sum(1)  # of a fruit before the base or beyond the tip
    lens_px = _LENS_FRAC * max(measurement.width_px, measurement.height_px)
    middle = np.array([measurement.width_px - 1, measurement.height_px - 1]) / 2
    chord = (line[-1] - line[0]) / max(float(np.hypot(*(line[-1] - line[0]))), 1e-9)
    return Places(
        (along + beyond) / px_per_mm,
        aside / px_per_mm,
        2 * fruit.r_px / px_per_mm,
        fruit.kind == Kind.YELLOWING,
        fruit.score,
        length / px_per_mm,
        (xy - middle) / lens_px,
        (xy - (line[0] + line[-1]) / 2) @ chord / px_per_mm,
        float(np.arctan2(line[0, 1] - line[-1, 1], line[-1, 0] - line[0, 0])),
        lens_px / px_per_mm,
    )
