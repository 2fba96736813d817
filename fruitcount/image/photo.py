"""A file or its bytes to a :class:`Photo`: sniffed, size-checked, decoded, turned upright once.

What a file is comes from its content, never from its name. The size is read from the header and
checked *before* decoding, because a decoder will unpack a 48 kB file of 400 megapixels in full.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import stat
import zlib
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError
from fruitcount.files import shown_name
from fruitcount.image import formats
from fruitcount.image.heif import open_apart
from fruitcount.image.metadata import capture_time, exif_of, scans_missing
from fruitcount.image.opencv import cv2
from fruitcount.types import Photo, Pixels

# Largest file read. 80 megapixels of 16-bit RGBA without compression are 640 MB.
MAX_BYTES = 700_000_000

# padding that some cameras leave before the end of the file; more is lost data
_HARMLESS = re.compile(r": (\d|1[0-6]) extraneous bytes before marker 0xd9")


def read_photo(source: str | os.PathLike[str] | bytes, *, name: str = "") -> Photo:
    """Read one photograph.

    Parameters
    ----------
    source : path or bytes
        A file's path, or the whole file's bytes. JPEG, PNG, WebP, TIFF and HEIC/HEIF are read;
        the content decides, not the name.
    name : str
        Name to record; by default the path's last part.

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
    file_format = formats.sniff_format(data)
    if file_format is None:
        raise PhotoUnreadableError(
            label, "is not a JPEG, PNG, WebP, TIFF or HEIC photo: save it as one"
        )
    reader = _read_heif if file_format == "HEIF" else _read_pillow
    rgb, exif = reader(data, label)
    rgb = np.ascontiguousarray(rgb)
    rgb.setflags(write=False)  # no stage can change what another measures
    return Photo(
        rgb=rgb,
        name=label if name or not isinstance(source, bytes) else "",
        sha256=hashlib.sha256(data).hexdigest(),
        taken_at=capture_time(exif),
        file_format=file_format,
    )


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


def _read_pillow(data: bytes, label: str) -> tuple[Pixels, Any]:
    try:
        with formats.opened(data, label) as image:
            exif = exif_of(image)
            return _pixels(image, data, label), exif
    except PhotoUnreadableError as error:
        if formats.sniff_format(data) == "TIFF" and isinstance(
            error.__cause__, UnidentifiedImageError
        ):
            return _float_tiff(data, label), {}
        raise


def _pixels(image: Any, data: bytes, label: str) -> Pixels:
    whole = None
    if image.format in ("JPEG", "MPO"):
        whole = _whole_jpeg(image, data, label)
    elif image.format == "WEBP" and image.mode == "RGB" and not image.is_animated:
        whole = _whole_webp(data, label)
    if whole is not None:
        return _turn(whole, exif_of(image).get(ExifTags.Base.Orientation, 1))
    missing = _missing_share(image, data)
    image.seek(0)
    if image.format == "TIFF" and missing is None and formats.tiff_damage_said(image.load):
        missing = 0.0
    if missing is not None:
        raise PhotoUnreadableError(label, formats.damage_words(data, missing))
    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    return to_rgb8(image)


def _whole_jpeg(image: Any, data: bytes, label: str) -> Pixels | None:
    """Decode with a decoder that warns of missing data; None leaves the colours to Pillow.

    Pillow and OpenCV fill with grey what a file has lost, and say nothing. This one took about
    half of their time on one machine. CMYK needs Pillow's colour conversion.
    """
    import simplejpeg

    plain = image.mode in ("RGB", "L")
    if "progressive" in image.info and scans_missing(data):
        raise PhotoUnreadableError(label, formats.damage_words(data))
    try:
        decoded = simplejpeg.decode_jpeg(data, "RGB" if plain else "CMYK")
    except ValueError as error:
        if _HARMLESS.search(str(error)):
            return None
        raise PhotoUnreadableError(label, formats.damage_words(data, _grey_below(data))) from error
    return np.asarray(decoded, np.uint8) if plain else None


def _whole_webp(data: bytes, label: str) -> Pixels:
    # Pillow takes four times the memory
    how = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), how)
    if decoded is None:
        raise PhotoUnreadableError(label, formats.damage_words(data))
    return np.asarray(decoded, np.uint8)


def _missing_share(image: Any, data: bytes) -> float | None:
    """Share of the picture that a PNG or a TIFF lost; None where nothing is.

    Packed pixels are unpacked once more: Pillow shows what lost pieces, and says nothing.
    """
    if image.format == "PNG":
        chunks = formats.png_chunks(data)
        got, sound = _unpacked(chunk[8:-4] for kind, chunk in chunks if kind == b"IDAT")
        all_n = image.width * image.height * formats.bytes_a_pixel(image, data)
        return None if sound else 1 - got / all_n
    if image.format == "TIFF" and image.tag_v2.get(formats.COMPRESSION) in formats.DEFLATED:
        places = formats.tiff_places(image.tag_v2)
        lost = [not _unpacked([data[at : at + n]])[1] for at, n in places]
        return float(np.mean(lost)) if any(lost) else None
    return None


def _unpacked(pieces: Iterable[bytes]) -> tuple[int, bool]:
    """Bytes that packed pieces of one stream come to, and whether its end and sum are right."""
    unpacker, got = zlib.decompressobj(), 0
    with suppress(zlib.error):
        for packed in pieces:
            piece = packed
            while piece and not unpacker.eof:
                got += len(unpacker.decompress(piece, 1 << 20))
                piece = unpacker.unconsumed_tail
    return got, unpacker.eof


def _grey_below(data: bytes) -> float:
    """Share of a JPEG's rows, from below, that a patient decoder fills with one colour."""
    try:
        with Image.open(io.BytesIO(data + b"\xff\xd9")) as image:  # an end, where it is cut off
            pixels = np.asarray(image.convert("L"))
    except OSError:
        return 0.0
    flat = (pixels == pixels[-1, -1]).all(axis=1)
    return float(np.argmin(flat[::-1]) / len(flat)) if not flat.all() else 1.0


def _float_tiff(data: bytes, label: str) -> Pixels:
    """Colour TIFFs of floating point or odd depth, which Pillow does not know."""
    try:
        formats.check_size(label, *formats.tiff_size(data))
        decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except PhotoUnreadableError:
        raise
    except Exception as error:
        raise PhotoUnreadableError(label, formats.damage_words(data)) from error
    if decoded is None:
        raise PhotoUnreadableError(label, "is a TIFF of a kind not read here: save it as JPEG")
    wide = np.asarray(decoded)
    wide = wide[:, :, None] if wide.ndim == 2 else wide[:, :, 2::-1]
    return np.ascontiguousarray(np.broadcast_to(_to_8_bits(wide), (*wide.shape[:2], 3)))


def _turn(rgb: Pixels, orientation: int) -> Pixels:
    """Undo the EXIF orientation 1-8 (CIPA DC-008, tag 0x0112); other values mean upright."""
    turns = {2: (0, True), 3: (2, False), 4: (2, True), 5: (3, True)}
    turns |= {6: (3, False), 7: (1, True), 8: (1, False)}
    quarter_turns, mirror = turns.get(orientation, (0, False))
    if not (quarter_turns or mirror):
        return rgb
    out = np.rot90(rgb, quarter_turns)
    return np.ascontiguousarray(out[:, ::-1] if mirror else out)


def to_rgb8(image: Any) -> Pixels:
    """Any Pillow image to uint8 RGB, shape (H, W, 3): 16 bits scaled, transparency over white."""
    if image.mode in ("I", "F") or image.mode.startswith("I;16"):
        return np.repeat(_to_8_bits(np.asarray(image))[:, :, None], 3, axis=2)
    clear = image.mode in ("RGBA", "LA", "PA", "La", "RGBa") or "transparency" in image.info
    # strip by strip: whole copies of a large picture took gigabytes
    out = np.empty((image.height, image.width, 3), np.uint8)
    for top in range(0, image.height, 512):
        box = (0, top, image.width, min(top + 512, image.height))
        strip = image.crop(box)
        if clear:
            white = Image.new("RGBA", strip.size, (255, 255, 255, 255))
            strip = Image.alpha_composite(white, strip.convert("RGBA"))
        out[top : box[3]] = np.asarray(strip.convert("RGB"))
    return out


def _to_8_bits(values: NDArray[Any]) -> Pixels:
    wide = np.nan_to_num(values.astype(np.float64), posinf=0.0, neginf=0.0)
    top = float(wide.max(initial=0.0))
    # 16-bit files span 0..65535; 32-bit ones are scaled to their top
    full = 255.0 if values.dtype.itemsize == 1 else max(65535.0, top)
    if values.dtype.kind == "f" and top <= 255.0:
        full = 1.0 if top <= 1.0 else 255.0
    return np.clip(np.rint(wide / full * 255.0), 0, 255).astype(np.uint8)


def _read_heif(data: bytes, label: str) -> tuple[Pixels, Any]:
    parts = open_apart(data, most_pixels=formats.MAX_PIXELS)
    if parts is not None:
        formats.check_size(label, parts.size_px)
    if parts is None or parts.rgb is None or formats.heif_blank(data):
        raise PhotoUnreadableError(label, formats.damage_words(data))
    exif = Image.Exif()
    with suppress(Exception):  # damaged Exif is not a reason to refuse a photo
        exif.load(parts.exif)
    # libheif has turned the picture already; turning by EXIF again would undo it.
    return parts.rgb, exif
