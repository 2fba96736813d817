"""The nouns that pass between stages: Photo, Scale, Maps, Fruitlets, Limb.

All are frozen. Array fields are read-only copies, so that no stage can change what another
measured. Pixel coordinates have their origin at the centre of the top-left pixel, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from fruitcount.flags import Flag
from fruitcount.fruitlets import F32, FloatArray, Fruitlets, Pixels, read_only

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
    location : tuple of (latitude, longitude) in degrees, or None
        Only read when asked for; never written unless asked for.
    """

    rgb: Pixels
    name: str = ""
    sha256: str = ""
    taken_at: datetime | None = None
    file_format: str = ""
    location: tuple[float, float] | None = None

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
