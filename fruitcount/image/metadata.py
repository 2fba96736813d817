"""What a photo's file says beside its pixels: read what is used, and write only what may stay.

Of all tags only three may stay in what is stored or handed on: which way is up, when it was taken,
and the colour profile. All else is left out, whatever its name: a list of what to take out would
always miss a place somewhere. The coded pixels are copied, not coded again (TIFF: without loss).
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from typing import Any

from PIL import ExifTags, Image, TiffImagePlugin

from fruitcount.errors import PhotoUnreadableError
from fruitcount.image.formats import opened, png_chunks, sniff_format, webp_chunks
from fruitcount.image.heif import open_apart

_TIME = "%Y:%m:%d %H:%M:%S"
# a JPEG marker; FF 00 and the restart markers FF D0 to D7 lie within coded pixels
_MARKER = re.compile(rb"\xff([^\x00\xff\xd0-\xd7])", re.DOTALL)
# ITU-T T.81, table B.1: frames, tables, scans, restart interval, line count
_JPEG_CODING = frozenset([*range(0xC0, 0xD0), 0xDA, 0xDB, 0xDC, 0xDD]) - {0xC8}
# PNG, third edition: pixels, colour, and nothing that holds words
_PNG_KEPT = (b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP",
             b"sBIT", b"cICP", b"pHYs")  # fmt: skip
_WEBP_KEPT = (b"VP8X", b"VP8 ", b"VP8L", b"ALPH", b"ICCP", b"ANIM", b"ANMF")
_HEIF_KEPT = (b"ftyp", b"meta", b"mdat", b"free", b"skip")


def exif_of(image: Any) -> Any:
    """The Exif tags of a Pillow image; empty where they are damaged."""
    try:
        return image.getexif()
    except Exception:
        return Image.Exif()


def capture_time(exif: Any) -> datetime | None:
    """When the photo was taken; None where it is not said."""
    try:
        inner = exif.get_ifd(ExifTags.IFD.Exif)
        text = inner.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)
        return datetime.strptime(str(text).strip("\x00 "), _TIME)
    except Exception:  # absent or damaged: the time is unknown, the photo is fine
        return None


def without_location(data: bytes) -> bytes:
    """The same photo with no tag but orientation, capture time and colour profile.

    Parameters
    ----------
    data : bytes
        A whole file: JPEG, PNG, WebP, TIFF or HEIC. Other bytes come back as they are.

    Returns
    -------
    bytes
        The very same object where there is nothing to take out. Pixels are as read before;
        pictures, films and bytes behind the first picture are gone. A HEIC keeps its length.

    Raises
    ------
    PhotoUnreadableError
        When a file is so damaged that nobody can say what is in it, or a HEIC stores its tags in
        pieces, so that they cannot be taken out safely.
    """
    cleaner = {
        "JPEG": _clean_jpeg,
        "PNG": _clean_png,
        "WEBP": _clean_webp,
        "TIFF": _clean_tiff,
        "HEIF": _clean_heif,
    }.get(sniff_format(data) or "")
    if cleaner is None:
        return data
    out = cleaner(data)
    return data if out == data else out


def _kept_tags(exif: Any) -> tuple[int, str]:
    """Orientation, 1 (upright) where not said, and capture time, empty where not said."""
    orientation, taken_at = exif.get(ExifTags.Base.Orientation), capture_time(exif)
    text = "" if taken_at is None else f"{taken_at:{_TIME}}".rjust(19, "0")
    return int(orientation) if orientation in range(2, 9) else 1, text


def _kept_exif(exif: Any) -> bytes:
    """An Exif block with nothing but orientation and capture time; empty without either."""
    kept = Image.Exif()
    orientation, taken_at = _kept_tags(exif)
    if orientation != 1:
        kept[ExifTags.Base.Orientation] = orientation
    if taken_at:
        kept.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = taken_at
    return bytes(kept.tobytes()) if orientation != 1 or taken_at else b""


def _exif_to_keep(data: bytes) -> bytes:
    try:
        with opened(data, "photo") as image:
            return _kept_exif(exif_of(image))
    except PhotoUnreadableError:
        return b""


def _clean_jpeg(data: bytes) -> bytes:
    exif = _exif_to_keep(data)
    head = struct.pack(">BBH", 0xFF, 0xE1, len(exif) + 2) + exif if exif else b""
    # JFIF comes first where it is there, Exif next
    segments = list(_jpeg_segments(data))
    first = bool(segments) and segments[0][:2] == b"\xff\xe0"
    return b"\xff\xd8" + b"".join([*segments[:first], head, *segments[first:]])


def scans_missing(data: bytes) -> bool:
    """Whether a progressive JPEG lacks the last bit of a coefficient (ITU-T T.81, G.1.1.1)."""
    left: set[tuple[int, int]] = set()
    for segment in _jpeg_segments(data):
        if segment[:2] == b"\xff\xc2":
            left = {(part, k) for part in segment[10::3] for k in range(64)}
        elif segment[:2] == b"\xff\xda":
            n = 2 * segment[4]
            first, last, bit = segment[5 + n : 8 + n]
            sent = range(first, last + 1) if bit & 15 == 0 else ()
            left -= {(part, k) for part in segment[5 : 5 + n : 2] for k in sent}
    return bool(left)


def _jpeg_segments(data: bytes) -> Iterator[bytes]:
    at = 2
    while found := _MARKER.search(data, at):
        code, body_at = found.group(1)[0], found.end()
        if code == 0xD9:
            yield b"\xff\xd9"
            return
        at = body_at + max(int.from_bytes(data[body_at : body_at + 2], "big"), 2)
        segment = data[found.start() : at]
        if code == 0xE0 and segment[4:9] == b"JFIF\x00":
            yield b"\xff\xe0\x00\x10" + segment[4:16].ljust(12, b"\x00") + b"\x00\x00"
        elif _jpeg_kept(code, segment):
            yield segment
        if code == 0xDA:
            following = _MARKER.search(data, at)
            end = following.start() if following else len(data)
            yield data[at:end]
            at = end


def _jpeg_kept(code: int, segment: bytes) -> bool:
    profile = code == 0xE2 and segment[4:16] == b"ICC_PROFILE\x00"
    # ICC.1: the first part of a profile has its sign at byte 36; else it is words of another kind
    profile = profile and (segment[16:17] != b"\x01" or segment[54:58] == b"acsp")
    colours = code == 0xEE and segment[4:9] == b"Adobe" and len(segment) == 16
    return code in _JPEG_CODING or profile or colours


def _clean_png(data: bytes) -> bytes:
    exif = _exif_to_keep(data).removeprefix(b"Exif\x00\x00")
    chunk = b"eXIf" + exif
    tags = struct.pack(">I", len(exif)) + chunk + struct.pack(">I", zlib.crc32(chunk))
    out = [data[:8]]
    for kind, whole in png_chunks(data):
        if kind in _PNG_KEPT:
            out.append(whole)
        if kind == b"IHDR" and exif:
            out.append(tags)
        if kind == b"IEND":
            break
    return b"".join(out)


def _clean_webp(data: bytes) -> bytes:
    exif = _exif_to_keep(data).removeprefix(b"Exif\x00\x00")
    out = []
    for kind, chunk in webp_chunks(data):
        body = chunk
        if kind == b"VP8X":  # flags: 8 Exif, 4 XMP (RFC 9649, 2.7)
            body = bytes([body[0] & ~0x0C | 8 * bool(exif)]) + body[1:] if body else body
        if kind in _WEBP_KEPT:
            out.append(kind + struct.pack("<I", len(body)) + body + bytes(len(body) % 2))
    if exif:
        out.append(b"EXIF" + struct.pack("<I", len(exif)) + exif + bytes(len(exif) % 2))
    body = b"WEBP" + b"".join(out)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _clean_tiff(data: bytes) -> bytes:
    """Written anew, without loss, by Pillow: a TIFF's tags lie anywhere among its pixels."""
    from fruitcount.image.photo import read_photo

    tags, profile = TiffImagePlugin.ImageFileDirectory_v2(), None
    try:
        with opened(data, "TIFF photo") as image:
            exif, profile = exif_of(image), image.info.get("icc_profile")
            taken_at = _kept_tags(exif)[1]
            image.load()  # upright then
            plain = Image.frombytes(image.mode, image.size, image.tobytes())
            if image.mode == "P":
                plain.putpalette(image.getpalette())
    except PhotoUnreadableError:  # of a kind that Pillow does not write: kept as it is read
        taken_at, plain = "", Image.fromarray(read_photo(data).rgb)
    if taken_at:
        tags[ExifTags.Base.DateTime] = taken_at
    out = io.BytesIO()
    plain.save(out, "TIFF", compression="tiff_adobe_deflate", icc_profile=profile, tiffinfo=tags)
    return out.getvalue()


def _clean_heif(data: bytes) -> bytes:
    out = bytearray(data)
    parts = open_apart(data, most_pixels=0)
    # not readable: nobody can read its tags from it either
    for name, block in parts.blocks if parts is not None else ():
        exif = Image.Exif()
        with suppress(Exception):
            exif.load(block if name == "exif" else b"")
        kept = _kept_exif(exif)
        if not block.startswith(b"Exif\x00\x00"):
            kept = kept.removeprefix(b"Exif\x00\x00")
        clean = (kept if len(kept) <= len(block) else b"").ljust(
            len(block), b"\x00" if name == "exif" else b" "
        )
        _put_over(out, block, clean)
    _blank_other_boxes(out)
    return bytes(out)


def _put_over(out: bytearray, block: bytes, clean: bytes) -> None:
    if clean == block:
        return
    at = out.find(block)
    if at < 0:
        raise PhotoUnreadableError(
            "HEIC photo", "stores its tags in pieces, they cannot be taken out: save it as JPEG"
        )
    while at >= 0:
        out[at : at + len(block)] = clean
        at = out.find(block, at + 1)


def _blank_other_boxes(out: bytearray) -> None:
    """Make free room of the boxes that hold no picture: films, makers' notes (ISO/IEC 14496-12)."""
    at, picture = 0, b"meta" in out[:65536]
    while at + 8 <= len(out) and picture:
        size, start = int.from_bytes(out[at : at + 4], "big"), 8
        if size == 1:
            size, start = int.from_bytes(out[at + 8 : at + 16], "big"), 16
        end = min(at + size, len(out)) if size else len(out)
        if end < at + start:
            return
        if bytes(out[at + 4 : at + 8]) not in _HEIF_KEPT:
            out[at + 4 : at + 8] = b"free"
            out[at + start : end] = bytes(end - at - start)
        at = end
