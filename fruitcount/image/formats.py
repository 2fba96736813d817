"""What a file is, how large its picture would be, and a reader of its header: before decoding."""

from __future__ import annotations

import io
import os
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from tempfile import TemporaryFile
from threading import Lock
from typing import Any

import numpy as np
from PIL import Image, TiffImagePlugin

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError

# Largest photo decoded. Phones reach 50 MP; three bytes a pixel makes 240 MB at this limit.
MAX_PIXELS = 80_000_000
_PILLOW_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
# Brands of an ISO base media file that mean HEVC-coded still pictures (ISO/IEC 23008-12, annex B),
# and the two general picture brands that phones write as the main one.
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_BITS_PER_SAMPLE, _SAMPLES, COMPRESSION = 258, 277, 259
DEFLATED = (8, 32946)
"""Values of :data:`COMPRESSION` that mean zlib's packing."""


def sniff_format(data: bytes) -> str | None:
    """Tell the format from the first bytes; None when it is none that is read here."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return "TIFF"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    return None


def check_size(label: str, size: tuple[int, int], each_bytes: float = 3) -> None:
    """Refuse a picture without pixels or with more of them than fit.

    Parameters
    ----------
    label : str
        The file's name, for the message.
    size : tuple of (width, height), px
    each_bytes : float
        Bytes a pixel when decoded. More than three (16-bit colour, transparency) lowers the
        number of pixels allowed: the limit is :data:`MAX_PIXELS` of three bytes.

    Raises
    ------
    PhotoUnreadableError, PhotoTooLargeError
    """
    width_px, height_px = size
    if width_px < 1 or height_px < 1:
        raise PhotoUnreadableError(label, f"has no pixels ({width_px} x {height_px})")
    most = MAX_PIXELS * 3 / max(each_bytes, 3)
    if width_px * height_px > most:
        raise PhotoTooLargeError(
            label,
            f"has {width_px} x {height_px} = {width_px * height_px / 1e6:.0f} megapixels"
            f"{f' of {each_bytes:g} bytes' if each_bytes > 3 else ''}; "
            f"at most {most / 1e6:.0f} are read: save it smaller",
        )


def bytes_a_pixel(image: Any, data: bytes) -> float:
    """Bytes a pixel takes when decoded, from the header alone."""
    bands = len(image.getbands())
    if image.format == "PNG":
        return bands * (2 if data[24:25] == b"\x10" else 1)  # IHDR: bit depth
    if image.format == "TIFF":
        return _tiff_bytes(image.tag_v2)
    return 4 * bands if image.mode in ("I", "F") else bands


def _held(image: Any) -> int:
    """Bytes a pixel that are held beside the finished picture, as measured: three are the usual."""
    if image.format == "WEBP":
        return 8 if image.mode == "RGBA" else 3
    plain = image.format in ("JPEG", "MPO") and "progressive" not in image.info
    return 3 if plain or len(image.getbands()) == 1 else 4


_ALONE = Lock()

# Its own lines: where in it, then what is wrong, which may be no more than a warning.
_TIFF_SAYS = re.compile(rb"\w*(?:TIFF|JPEG|Decode)\w*: (Warning, )?")


def tiff_damage_said(load: Callable[[], object]) -> bool:
    """Whether the TIFF decoder writes of damage to the screen while it goes on without a fault.

    What others write there meanwhile comes out after it.
    """
    with _ALONE, TemporaryFile() as said:
        try:
            screen = os.dup(2)
        except OSError:  # there is none
            load()
            return False
        os.dup2(said.fileno(), 2)
        try:
            load()
        finally:
            os.dup2(screen, 2)
            os.close(screen)
        said.seek(0)
        lines = [(_TIFF_SAYS.match(line), line) for line in said]
        os.write(2, b"".join(line for by_tiff, line in lines if not by_tiff))
        return any(by_tiff and not by_tiff[1] for by_tiff, _ in lines)


def _tiff_bytes(tags: Any) -> float:
    bits = tags.get(_BITS_PER_SAMPLE) or (1,)
    bits = tuple(bits) if isinstance(bits, tuple) else (bits,)
    return float(max(bits)) * max(int(tags.get(_SAMPLES, 1)), len(bits)) / 8


@contextmanager
def opened(data: bytes, label: str) -> Iterator[Any]:
    """A Pillow image whose size was checked; what goes wrong inside says so in words.

    Raises
    ------
    PhotoUnreadableError, PhotoTooLargeError
    """
    try:
        with warnings.catch_warnings():
            # Our own limit is checked just below; damaged tags are not a reason to refuse a photo.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS) as image:
                check_size(label, image.size, max(bytes_a_pixel(image, data), _held(image)))
                yield image
    except Image.DecompressionBombError as error:
        raise PhotoTooLargeError(
            label, f"has too many pixels; at most {MAX_PIXELS / 1e6:.0f} million are read"
        ) from error
    except PhotoUnreadableError:
        raise
    except MemoryError as error:
        raise PhotoUnreadableError(label, "is too large for this machine's memory") from error
    except Exception as error:  # Pillow's plugins raise many kinds on damaged files
        raise PhotoUnreadableError(label, damage_words(data)) from error


def tiff_size(data: bytes) -> tuple[tuple[int, int], float]:
    """Width and height in px, and bytes a pixel, of a TIFF's first picture, from its directory."""
    tags = _first_tags(data)
    return (int(tags[256]), int(tags[257])), _tiff_bytes(tags)


def damage_words(data: bytes, missing_frac: float = 0.0) -> str:
    """What is wrong with a photo that does not decode, and how much is missing.

    Where the picture does not tell (0), the file's own account of its length tells the share of the
    file. Where all bytes are there and some are wrong, WebP, TIFF and HEIC decoders stop without
    saying how much of the picture that costs.
    """
    kind = sniff_format(data) or ""
    lost = "how much of the picture is lost, a file of this kind does not tell"
    if kind in ("JPEG", "PNG"):
        lost = "part of its data is missing"
    if missing_frac >= 0.01:
        lost = f"about {100 * missing_frac:.0f} % of the picture is missing"
    whole = {"WEBP": _webp_length, "TIFF": _tiff_length, "HEIF": _heif_length}.get(kind)
    missing = 0.0
    with suppress(Exception):  # the account itself may be damaged
        missing = 1 - len(data) / max(whole(data), 1) if whole else 0.0
    if missing > 0:
        lost = f"about {max(100 * missing, 1):.0f} % of the file is missing"
    return f"is damaged or cut short: {lost}; copy it from the camera again"


# What no unit of coded pixels holds (ITU-T H.265, 7.4.2).
_BLANK = re.compile(rb"\x00\x00[\x00-\x02]")
# One byte so often as none does that codes a photo: a part of the memory card that was lost or
# overwritten. (A WebP may hold it.)
_BLANK_N = 128


def heif_blank(data: bytes) -> bool:
    """Whether a stretch of a HEIC's coded pixels was overwritten by one byte, or lost its length.

    The decoder fills such places with what it likes, and says nothing.
    """
    with suppress(ValueError):  # an account that cannot be read is the decoder's to refuse
        return any(map(_unit_blank, _heif_items(data)))
    return False


def _unit_blank(item: bytes) -> bool:
    at, size = 0, int.from_bytes(item[:4], "big")
    coded = len(item) > 6 and item[5] == 1 and size <= len(item) - 4  # tags do not begin so
    while coded and at < len(item):
        size = int.from_bytes(item[at : at + 4], "big")
        if at + 4 + size > len(item) or _BLANK.search(item, at + 4, at + 4 + size):
            return True
        parts = np.frombuffer(item, np.uint8, size // _BLANK_N * _BLANK_N, at + 4)
        parts = parts.reshape(-1, _BLANK_N)
        if (parts == parts[:, :1]).all(axis=1).any():
            return True
        at += 4 + size
    return False


def _heif_items(data: bytes) -> Iterator[bytes]:
    """What lies in the file at the places of its table (ISO/IEC 14496-12, 8.11.3)."""
    at = data.index(b"iloc") + 4
    new, stream = data[at], io.BytesIO(data[at + 4 :])

    def number(n: int) -> int:
        read = stream.read(n)
        if len(read) < n:
            raise ValueError("the table is cut off")
        return int.from_bytes(read, "big")

    sizes = number(2)
    place_n, length_n, base_n, index_n = (sizes >> k & 15 for k in (12, 8, 4, 0))
    for _ in range(number(4 if new > 1 else 2)):
        number(4 if new > 1 else 2)
        inside = new and number(2) & 15  # not in the file but in the table's own box
        number(2)
        base = number(base_n)
        for _ in range(number(2)):
            number(index_n if new else 0)
            start, length = base + number(place_n), number(length_n)
            if not inside:
                yield data[start : start + length]


def webp_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kind and body of each chunk of a WebP."""
    at, end = 12, min(len(data), 8 + int.from_bytes(data[4:8], "little"))
    while at + 8 <= end:
        size = int.from_bytes(data[at + 4 : at + 8], "little")
        yield data[at : at + 4], data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2


def png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kind and bytes of each chunk of a PNG, its length before and its sum behind."""
    at = 8
    while at + 8 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : at + 8], data[at:end]
        at = end


def tiff_places(tags: Any) -> Iterator[tuple[int, int]]:
    """Start and length of each strip or tile of a TIFF's picture."""
    starts, sizes = (tags.get(324), tags.get(325)) if 324 in tags else (tags[273], tags[279])
    return ((int(start), int(size)) for start, size in zip(starts, sizes, strict=True))


def _webp_length(data: bytes) -> int:
    return 8 + int.from_bytes(data[4:8], "little")


def _tiff_length(data: bytes) -> int:
    return max(map(sum, tiff_places(_first_tags(data))))


def _heif_length(data: bytes) -> int:
    """End of the last box that the file names (ISO/IEC 14496-12)."""
    at = 0
    while at + 8 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        size = int.from_bytes(data[at + 8 : at + 16], "big") if size == 1 else size
        if size < 8:
            return len(data)
        at += size
    return at


def _first_tags(data: bytes) -> Any:
    tags = TiffImagePlugin.ImageFileDirectory_v2(data[:8])
    stream = io.BytesIO(data)
    stream.seek(tags.next)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of tags that are cut off: ours name the file
        tags.load(stream)
    return tags
