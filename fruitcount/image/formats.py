"""What a file is, how large its picture would be, and a reader of its header: before decoding."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from PIL import Image, TiffImagePlugin

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError

# Largest photo decoded. Phones reach 50 MP; three bytes a pixel makes 240 MB at this limit.
MAX_PIXELS = 80_000_000
_PILLOW_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
# Brands of an ISO base media file that mean HEVC-coded still pictures (ISO/IEC 23008-12, annex B),
# and the two general picture brands that phones write as the main one.
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_BITS_PER_SAMPLE, _SAMPLES = 258, 277


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
                check_size(label, image.size, bytes_a_pixel(image, data))
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


def damage_words(data: bytes) -> str:
    """What is wrong with a photo that does not decode, and the share of its file that is missing.

    The file's own account of its length tells that share. Where all bytes are there and some are
    wrong, WebP, TIFF and HEIC decoders stop without saying how much of the picture that costs.
    """
    whole = {"WEBP": _webp_length, "TIFF": _tiff_length, "HEIF": _heif_length}.get(
        sniff_format(data) or ""
    )
    if whole is None:
        return "is damaged or cut short"
    missing = 0.0
    with suppress(Exception):  # the account itself may be damaged
        missing = 1 - len(data) / max(whole(data), 1)
    lost = "how much of the picture is lost, a file of this kind does not tell"
    if missing > 0:
        lost = f"about {max(100 * missing, 1):.0f} % of the file is missing"
    return f"is damaged or cut short: {lost}"


def _webp_length(data: bytes) -> int:
    return 8 + int.from_bytes(data[4:8], "little")


def _tiff_length(data: bytes) -> int:
    tags = _first_tags(data)
    starts, sizes = (tags.get(324), tags.get(325)) if 324 in tags else (tags[273], tags[279])
    return max(int(a) + int(n) for a, n in zip(starts, sizes, strict=True))


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
    tags.load(stream)
    return tags
