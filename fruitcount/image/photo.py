"""A file or its bytes to a :class:`Photo`: sniffed, size-checked, decoded, turned upright once.

What a file is comes from its content, never from its name. The size is read from the header and
checked *before* decoding, because a decoder will unpack a 48 kB file of 400 megapixels in full.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import warnings
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError
from fruitcount.image.heif import open_apart
from fruitcount.image.opencv import cv2
from fruitcount.names import shown_name
from fruitcount.types import Photo

__all__ = ["MAX_PIXELS", "read_photo", "sniff_format"]

# Largest photo decoded. Phones reach 50 MP; three bytes a pixel makes 240 MB at this limit.
MAX_PIXELS = 80_000_000
# Largest file read. 80 megapixels of 16-bit RGBA without compression are 640 MB.
MAX_BYTES = 700_000_000

_PILLOW_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
# Brands of an ISO base media file that mean HEVC-coded still pictures (ISO/IEC 23008-12, annex B),
# and the two general picture brands that phones write as the main one.
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


def read_photo(
    source: str | os.PathLike[str] | bytes, *, name: str = "", keep_location: bool = False
) -> Photo:
    """Read one photograph.

    Parameters
    ----------
    source : path or bytes
        A file's path, or the whole file's bytes. JPEG, PNG, WebP, TIFF and HEIC/HEIF are read;
        the content decides, not the name.
    name : str
        Name to record; by default the path's last part.
    keep_location : bool
        True reads the GPS position into ``Photo.location``. It is dropped otherwise.

    Returns
    -------
    Photo
        uint8 sRGB, upright, read-only. Grey is repeated over the channels, transparency is laid
        over white, CMYK is converted, 16-bit is scaled to 8, of an animation the first frame is
        taken.

    Raises
    ------
    PhotoUnreadableError
        When it is missing, no file, empty, cut short, or not one of the formats.
    PhotoTooLargeError
        When it has more than :data:`MAX_PIXELS` pixels or :data:`MAX_BYTES` bytes; nothing was
        decoded then.
    """
    data, label = _bytes_of(source, name)
    file_format = sniff_format(data)
    if file_format is None:
        raise PhotoUnreadableError(label, "is not a JPEG, PNG, WebP, TIFF or HEIC photo")
    reader = _read_heif if file_format == "HEIF" else _read_pillow
    rgb, exif = reader(data, label)
    rgb = np.ascontiguousarray(rgb)
    rgb.setflags(write=False)  # no stage can change what another measures
    return Photo(
        rgb=rgb,
        name=label if name or not isinstance(source, bytes) else "",
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=_capture_time(exif),
        file_format=file_format,
        location=_location(exif) if keep_location else None,
    )


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


def _bytes_of(source: str | os.PathLike[str] | bytes, name: str) -> tuple[bytes, str]:
    if isinstance(source, bytes):
        data, label = source, shown_name(name or "photo")
    else:
        path = Path(source)
        label = shown_name(name or path.name)
        try:
            with open(path, "rb", opener=_without_waiting) as stream:
                _check_file(label, os.fstat(stream.fileno()))
                data = stream.read()
        except OSError as error:
            raise PhotoUnreadableError(label, f"cannot be opened: {error.strerror}") from error
    if not data:
        raise PhotoUnreadableError(label, "the file is empty (0 bytes)")
    return data, label


def _without_waiting(path: str, flags: int) -> int:
    # a pipe under a photo's name would keep the reader waiting for ever
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _check_file(label: str, about: os.stat_result) -> None:
    if not stat.S_ISREG(about.st_mode):
        raise PhotoUnreadableError(label, "is not a file")
    if about.st_size > MAX_BYTES:
        megabytes = about.st_size / 1e6
        raise PhotoTooLargeError(
            label, f"has {megabytes:.0f} MB; at most {MAX_BYTES / 1e6:.0f} are read"
        )


def _check_size(label: str, size: tuple[int, int]) -> None:
    width_px, height_px = size
    if width_px < 1 or height_px < 1:
        raise PhotoUnreadableError(label, f"has no pixels ({width_px} x {height_px})")
    if width_px * height_px > MAX_PIXELS:
        raise PhotoTooLargeError(
            label,
            f"has {width_px} x {height_px} = {width_px * height_px / 1e6:.0f} megapixels; "
            f"at most {MAX_PIXELS / 1e6:.0f} are read: save it smaller",
        )


def _read_pillow(data: bytes, label: str) -> tuple[NDArray[np.uint8], Any]:
    try:
        with warnings.catch_warnings():
            # Our own limit is checked just below; damaged EXIF is not a reason to refuse a photo.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS) as image:
                _check_size(label, image.size)
                exif = _safe_exif(image)
                return _pixels(image, data, label), exif
    except Image.DecompressionBombError as error:
        raise PhotoTooLargeError(
            label, f"has too many pixels; at most {MAX_PIXELS / 1e6:.0f} million are read"
        ) from error
    except PhotoUnreadableError:
        raise
    except MemoryError as error:
        raise PhotoUnreadableError(label, "is too large for this machine's memory") from error
    except Exception as error:  # Pillow's plugins raise many kinds on damaged files
        raise PhotoUnreadableError(label, "is damaged or cut short") from error


def _safe_exif(image: Any) -> Any:
    try:
        return image.getexif()
    except Exception:
        return {}


def _pixels(image: Any, data: bytes, label: str) -> NDArray[np.uint8]:
    # OpenCV decodes a plain 8-bit JPEG in half the time (44 against 103 ms at 12 megapixels) and,
    # like Pillow, gives up on a file that is cut short; CMYK needs Pillow's colour conversion.
    if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
        flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
        if decoded is None:
            raise PhotoUnreadableError(label, "is damaged or cut short")
        orientation = _safe_exif(image).get(ExifTags.Base.Orientation, 1)
        return _turn(np.asarray(decoded, np.uint8), orientation)
    image.seek(0)
    image.load()
    return to_rgb8(ImageOps.exif_transpose(image))


def _turn(rgb: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Undo the EXIF orientation 1-8 (CIPA DC-008, tag 0x0112); other values mean upright."""
    turns = {2: (0, True), 3: (2, False), 4: (2, True), 5: (3, True)}
    turns |= {6: (3, False), 7: (1, True), 8: (1, False)}
    quarter_turns, mirror = turns.get(orientation, (0, False))
    if not (quarter_turns or mirror):
        return rgb
    out = np.rot90(rgb, quarter_turns)
    return np.ascontiguousarray(out[:, ::-1] if mirror else out)


def to_rgb8(image: Any) -> NDArray[np.uint8]:
    """Any Pillow image to uint8 RGB: 16-bit scaled, transparency laid over white."""
    if image.mode in ("I", "F") or image.mode.startswith("I;16"):
        return _grey16_to_rgb8(np.asarray(image))
    if image.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info:
        rgba = image.convert("RGBA")
        white = Image.new("RGBA", rgba.size, (255, 255, 255, 255))
        return np.asarray(Image.alpha_composite(white, rgba).convert("RGB"))
    return np.asarray(image.convert("RGB"))


def _grey16_to_rgb8(values: NDArray[Any]) -> NDArray[np.uint8]:
    wide = np.nan_to_num(values.astype(np.float64))
    top = float(wide.max(initial=0.0))
    full = max(65535.0, top)  # 16-bit files span 0..65535; 32-bit ones are scaled to their top
    if values.dtype.kind == "f" and top <= 255.0:
        full = 1.0 if top <= 1.0 else 255.0
    grey = np.clip(np.rint(wide * (255.0 / full)), 0, 255).astype(np.uint8)
    return np.repeat(grey[:, :, None], 3, axis=2)


def _read_heif(data: bytes, label: str) -> tuple[NDArray[np.uint8], Any]:
    parts = open_apart(data, most_pixels=MAX_PIXELS)
    if parts is None:
        raise PhotoUnreadableError(label, "is damaged or cut short")
    _check_size(label, parts.size_px)
    exif = Image.Exif()
    with suppress(Exception):  # damaged Exif is not a reason to refuse a photo
        exif.load(parts.exif)
    # libheif has turned the picture already; turning by EXIF again would undo it.
    return to_rgb8(parts.image), exif


def _capture_time(exif: Any) -> datetime | None:
    try:
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        text = inner.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
        return datetime.strptime(str(text).strip("\x00 "), "%Y:%m:%d %H:%M:%S")
    except Exception:  # absent or damaged: the time is not told, the photo is fine
        return None


def _location(exif: Any) -> tuple[float, float] | None:
    try:
        gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
        latitude = _degrees(gps[ExifTags.GPS.GPSLatitude], gps[ExifTags.GPS.GPSLatitudeRef], "S")
        longitude = _degrees(gps[ExifTags.GPS.GPSLongitude], gps[ExifTags.GPS.GPSLongitudeRef], "W")
    except Exception:
        return None
    inside = abs(latitude) <= 90 and abs(longitude) <= 180
    return (latitude, longitude) if inside else None


def _degrees(parts: Any, reference: Any, negative: str) -> float:
    degrees, minutes, seconds = (float(p) for p in parts)
    value = degrees + minutes / 60 + seconds / 3600
    return -value if str(reference).upper().startswith(negative) else value
