"""The nouns that pass between stages: Photo, Scale, Maps, Fruitlets, Limb.

All are frozen. Array fields are read-only copies, so that no stage can change what another
measured. Of the table of marks every column always exists; what is not measured yet is NaN or
``-1``. Pixel coordinates have their origin at the centre of the top-left pixel, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from enum import IntEnum
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from fruitcount.errors import BadInputError
from fruitcount.flags import Flag

FloatArray = NDArray[np.float64]
F32 = NDArray[np.float32]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Pixels = NDArray[np.uint8]


class Kind(IntEnum):
    """What a marked circle is."""

    FRUIT = 0
    YELLOWING = 1
    DAMAGED = 2


def read_only(values: Any, dtype: Any) -> Any:
    """Copy to an array that no later stage can change."""
    out = np.array(values, dtype=dtype)
    out.setflags(write=False)
    return out


@dataclass(frozen=True, eq=False)
class Fruitlets:
    """Fruitlets of one photo, one length-N array a column.

    Attributes
    ----------
    x_px, y_px, r_px : float arrays
        Circle in photo pixels.
    score : float array
        0 to 1; how sure the detector is. 1 for marks made by hand.
    kind : int array
        A :class:`Kind`.
    yellow_frac : float array
        0 to 1; how yellow against this photo's own light. NaN if not told.
    roundness_frac, visible_frac : float arrays
        Outline roundness (1 = circle) and share of the outline seen. NaN if not told.
    diameter_mm, diameter_sd_mm : float arrays (across the narrow way)
        Diameter and its standard deviation; NaN without a scale.
    on_limb : int array
        1 on the photographed limb, 0 not, -1 could not tell.
    shoot : int array
        -1 on the main limb, else index in ``Limb.shoots``.
    along_px, along_mm : float arrays
        Where the fruit hangs, along the main limb from its base (for a fruit on a side shoot:
        where that shoot leaves the limb plus nothing, so the position of the fork).
    offset_px : float array
        Distance of the fruit's centre from the limb (or shoot) line.
    cluster : int array
        Fruit of one cluster share a number; -1 if not grouped yet.
    by_hand : bool array
        Made or changed by the user.
    """

    x_px: FloatArray
    y_px: FloatArray
    r_px: FloatArray
    score: FloatArray
    kind: IntArray
    yellow_frac: FloatArray
    roundness_frac: FloatArray
    visible_frac: FloatArray
    diameter_mm: FloatArray
    diameter_sd_mm: FloatArray
    on_limb: IntArray
    shoot: IntArray
    along_px: FloatArray
    along_mm: FloatArray
    offset_px: FloatArray
    cluster: IntArray
    by_hand: BoolArray

    def __post_init__(self) -> None:
        n = len(np.asarray(self.x_px))
        for name, (dtype, _) in _COLUMNS.items():
            column = read_only(getattr(self, name), dtype)
            if column.shape != (n,):
                raise BadInputError(f"{name} must have shape ({n},), got {column.shape}")
            object.__setattr__(self, name, column)

    @classmethod
    def from_columns(cls, **columns: Any) -> Self:
        """Build from the columns that are known; the others are filled as not measured.

        Parameters
        ----------
        **columns : array-like
            At least ``x_px``; all of one length.

        Raises
        ------
        BadInputError
            When a name is unknown or lengths differ.
        """
        unknown = set(columns) - set(_COLUMNS)
        if unknown:
            raise BadInputError(f"unknown fruitlet columns: {', '.join(sorted(unknown))}")
        n = len(columns["x_px"])
        full = {
            name: columns.get(name, np.full(n, blank, dtype=dtype))
            for name, (dtype, blank) in _COLUMNS.items()
        }
        return cls(**full)

    @classmethod
    def empty(cls) -> Self:
        """No fruitlets: the usual type with length 0."""
        return cls.from_columns(x_px=[])

    def __len__(self) -> int:
        return len(self.x_px)

    def take(self, which: Any) -> Self:
        """Select by boolean mask or by index array; the one way to filter or reorder."""
        return replace(self, **{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def joined(self, others: Fruitlets) -> Self:
        """These and then others."""
        both = {
            name: np.concatenate([getattr(self, name), getattr(others, name)])
            for name in CIRCLE_COLUMNS
        }
        return replace(self, **both)

    def with_columns(self, **columns: Any) -> Self:
        """A copy with some columns replaced."""
        return replace(self, **columns)

    @property
    def counts_as_crop(self) -> BoolArray:
        """Fruit on this limb that will be crop: not yellowing, not known to be off the limb."""
        mask: BoolArray = (self.kind != Kind.YELLOWING) & (self.on_limb != 0)
        return mask

    @property
    def middle_size_mm(self) -> float:
        """Median diameter of the fruit that count as crop; NaN where none is measured."""
        sizes = self.diameter_mm[self.counts_as_crop & np.isfinite(self.diameter_mm)]
        return float(np.median(sizes)) if len(sizes) else float("nan")


# Type of each column, and its value where nothing was measured.
_KINDS: dict[str, tuple[Any, Any]] = {
    "FloatArray": (np.float64, np.nan),
    "IntArray": (np.int64, -1),
    "BoolArray": (np.bool_, False),
}
_COLUMNS = {f.name: _KINDS[str(f.type)] for f in fields(Fruitlets)}
_COLUMNS["kind"] = (np.int64, int(Kind.FRUIT))
CIRCLE_COLUMNS = tuple(_COLUMNS)

# Diameters between which fruit are looked for and believed: pea to a little over coin size.
SMALLEST_FRUIT_MM, LARGEST_FRUIT_MM = 4.0, 35.0


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photograph, turned upright once.

    Attributes
    ----------
    rgb : uint8 array, shape (rows, columns, 3)
        sRGB values, upright.
    name : str
        The file's name without its folder.
    sha256 : str
        Hash of the file's bytes: the photo's identity in every record.
    taken_at : datetime or None
        EXIF capture time (no zone), where present.
    file_format : str
        ``"JPEG"``, ``"PNG"``, ``"WEBP"``, ``"TIFF"`` or ``"HEIF"``.
    """

    rgb: Pixels
    name: str = ""
    sha256: str = ""
    taken_at: datetime | None = None
    file_format: str = ""

    @property
    def width_px(self) -> int:
        """Columns."""
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Rows."""
        return int(self.rgb.shape[0])


@dataclass(frozen=True, eq=False)
class Scale:
    """Pixels per millimetre near the limb, and how sure of it we are.

    Attributes
    ----------
    px_per_mm : float
        NaN when there is no scale (then ``flags`` holds ``NO_SCALE``).
    rel_sd_frac : float
        One standard deviation of ``px_per_mm`` as a share of it.
    source : {"card", "two points", "coin", "bank card", "fruit", "none"}
        What the scale came from.
    corners_px : array, shape (4, 2)
        x, y of the card's corners, clockwise from its own top left; empty (0, 2) without a card.
    side_mm : float
        The card's printed side; NaN without a card.
    card_id : int
        -1 without a card.
    tilt_deg : float
        Angle between the card's plane and the picture plane; NaN without a card.
    flags : Flag
        Scale flags only.
    """

    px_per_mm: float = float("nan")
    rel_sd_frac: float = float("nan")
    source: str = "none"
    corners_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    side_mm: float = float("nan")
    card_id: int = -1
    tilt_deg: float = float("nan")
    flags: Flag = Flag.NONE

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_px", read_only(self.corners_px, np.float64))

    @property
    def known(self) -> bool:
        """Whether lengths in mm can be told."""
        return bool(np.isfinite(self.px_per_mm))

    @property
    def mm_per_px(self) -> float:
        """The one crossing from pixels to millimetres; NaN without a scale."""
        return 1.0 / self.px_per_mm


@dataclass(frozen=True, eq=False)
class Maps:
    """Per-pixel maps on a resampled grid, what the blob stage reads.

    Attributes
    ----------
    heatmap : float32 array, shape (h, w)
        0 to 1, peaks at fruit centres.
    radius_px : float32 array, shape (h, w)
        Fruit radius in *photo* pixels expected if a fruit centre lies here; NaN if not told.
    wood : float32 array, shape (h, w)
        0 to 1, how likely the pixel is wood; NaN everywhere if the source cannot tell.
    px_per_cell : float
        Photo pixels per map cell. Map cell (row, col) has its centre at photo
        x = (col + 0.5) * px_per_cell - 0.5, and likewise y.
    source : str
        Name of the heatmap source that made it.
    yellow : float32 array, shape (h, w), or empty
        0 to 1, how likely a fruit centred here is yellowing; shape (0, 0) if not told.
    visible : float32 array, shape (h, w), or empty
        0 to 1, share of a fruit centred here that shows; shape (0, 0) if not told.
    others : tuple of Maps
        The same photo at other sizes, by another net.
    """

    heatmap: F32
    radius_px: F32
    wood: F32
    px_per_cell: float
    source: str
    yellow: F32 = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    visible: F32 = field(default_factory=lambda: np.zeros((0, 0), np.float32))
    others: tuple[Maps, ...] = ()


@dataclass(frozen=True, eq=False)
class Shoot:
    """A side shoot, from where it leaves the main limb to its tip.

    Attributes
    ----------
    line_px : array, shape (N, 2)
        x, y from fork to tip.
    fork_along_px : float
        Where it leaves the limb, along the limb from its base.
    base_diameter_mm : float
        NaN if not told.
    """

    line_px: FloatArray
    fork_along_px: float
    base_diameter_mm: float = float("nan")

    def __post_init__(self) -> None:
        object.__setattr__(self, "line_px", read_only(self.line_px, np.float64))


@dataclass(frozen=True, eq=False)
class Limb:
    """The photographed limb: its centre line from base to tip, and its thickness.

    Attributes
    ----------
    line_px : array, shape (N, 2)
        x, y from base to tip; shape (0, 2) when not found.
    width_px : array, shape (N,)
        Thickness across the line at each point; NaN where hidden.
    length_px, length_mm : float
        Length along the line; NaN if not told.
    base_diameter_mm, tip_diameter_mm : float
        NaN if not told.
    diameter_rel_sd_frac : float
        One standard deviation of the diameters as a share of them.
    shoots : tuple of Shoot
    diameter_source : {"photo", "caliper", "none"}
    by_hand : bool
        The line was given by the user.
    right_chance : float
        Chance, 0 to 1, that the line is the limb the user means; NaN if not known.
    flags : Flag
        Limb flags only.
    """

    line_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    width_px: FloatArray = field(default_factory=lambda: np.zeros(0))
    length_px: float = float("nan")
    length_mm: float = float("nan")
    base_diameter_mm: float = float("nan")
    tip_diameter_mm: float = float("nan")
    diameter_rel_sd_frac: float = float("nan")
    shoots: tuple[Shoot, ...] = ()
    diameter_source: str = "none"
    by_hand: bool = False
    right_chance: float = float("nan")
    flags: Flag = Flag.NONE

    def __post_init__(self) -> None:
        object.__setattr__(self, "line_px", read_only(self.line_px, np.float64))
        object.__setattr__(self, "width_px", read_only(self.width_px, np.float64))

    @property
    def found(self) -> bool:
        """Whether there is a line to measure along."""
        return len(self.line_px) >= 2

    @property
    def base_range_mm(self) -> tuple[float, float]:
        """Thickness at the base that holds nine times in ten; NaN where not known."""
        spread = float(np.exp(1.645 * self.diameter_rel_sd_frac))
        return self.base_diameter_mm / spread, self.base_diameter_mm * spread


@dataclass(frozen=True, eq=False)
class Measurement:
    """All that was measured on one photo, before any decision.

    The automatic result and every hand-corrected version of it are both of this type.

    Attributes
    ----------
    name, sha256 : str
        The photo's file name and the hash of its bytes.
    width_px, height_px : int
        Size of the upright photo.
    taken_at : datetime or None
    scale : Scale
    fruitlets : Fruitlets
    limb : Limb
    flags : Flag
        Every flag raised so far, those of scale and limb included.
    source : str
        Heatmap source that was used.
    count_range_n : tuple of (low, high)
        Fewest and most fruit of this limb likely to be there, nine times in ten, of those that
        the photo shows; NaN where not known.
    """

    name: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: datetime | None
    scale: Scale
    fruitlets: Fruitlets
    limb: Limb
    flags: Flag = Flag.NONE
    source: str = ""
    count_range_n: tuple[float, float] = (float("nan"), float("nan"))


@dataclass(frozen=True)
class Reason:
    """One number of a result, explained.

    Attributes
    ----------
    number : str
        What the number is called in the result.
    value : float
    rule : str
        How it was worked out, in words.
    given : str
        The inputs that went in, with their values.
    source : str
        Who says so, with its status in brackets.
    """

    number: str
    value: float
    rule: str
    given: str
    source: str
