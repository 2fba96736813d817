"""Take the place where a photo was taken out of the file's bytes; the pixels are not touched.

Done in the bytes themselves (TIFF 6.0 and CIPA DC-008 directories; JPEG, PNG, RIFF and ISO media
containers), because decoding and encoding again would lose quality, time and orientation.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator

from fruitcount.errors import PhotoUnreadableError
from fruitcount.image.heif import open_apart
from fruitcount.image.photo import sniff_format
from fruitcount.image.tiff_tags import blank_tiff

__all__ = ["without_location"]

_EXIF = b"Exif\x00\x00"
_EXIF_SEGMENT = re.compile(rb"\xff\xe1(..)Exif\x00\x00", re.DOTALL)
_XMP_SEGMENT = re.compile(rb"\xff\xe1(..)http://ns\.adobe\.com/xap/1\.0/\x00", re.DOTALL)
_MORE_XMP_SEGMENT = re.compile(
    rb"\xff\xe1(..)http://ns\.adobe\.com/xmp/extension/\x00.{40}", re.DOTALL
)
# any name that speaks of a place: exif:GPSLatitude, drone makers' names, typed-in place names
_PLACE = rb"[\w.-]+:[\w.-]*(?:gps|latitude|longitude|altitude|location|city|country|state)[\w.-]*"
_XMP_ATTRIBUTE = re.compile(rb"\s(" + _PLACE + rb")\s*=\s*(\"[^\"]*\"|'[^']*')", re.IGNORECASE)
_XMP_ELEMENT = re.compile(
    rb"<(" + _PLACE + rb")(?:\s[^<>]*)?(?:/>|>.*?</\1\s*>)", re.IGNORECASE | re.DOTALL
)
# ISO 6709 text, as films behind a moving photo hold it
_ISO_6709 = re.compile(rb"[+-]\d{2}\.\d{2,}[+-]\d{3}\.\d{2,}(?:[+-]\d+(?:\.\d+)?)?")
_RAW_PROFILE = re.compile(rb"\n\s*(?:exif|APP1)\s*\n\s*\d+\s*\n", re.IGNORECASE)


def without_location(data: bytes) -> bytes:
    """The same photo without its GPS position.

    Parameters
    ----------
    data : bytes
        A whole file: JPEG, PNG, WebP, TIFF or HEIC. Other bytes come back as they are.

    Returns
    -------
    bytes
        Of the same length, except for a PNG whose XMP or Exif text is compressed; the very same
        object where there is no place to take out. Pixels, orientation and capture time stay.
        Taken out are the GPS directory of every Exif block (thumbnails and second pictures
        included), the names of places in XMP, and the position in a film behind the picture.
        Makers' own notes and the older IPTC text block are not looked into.

    Raises
    ------
    PhotoUnreadableError
        When the place is stored in pieces (HEIC only), so that it cannot be taken out safely.
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


def _clean_jpeg(data: bytes) -> bytes:
    # The bytes FF E1 cannot come inside coded pixels, so that searching the whole file also finds
    # second pictures that some phones put behind the first.
    out = bytearray(data)
    for found in _EXIF_SEGMENT.finditer(data):
        blank_tiff(out, found.end(), _segment_end(found))
    for found in _XMP_SEGMENT.finditer(data):
        _blank_xmp(out, [(found.end(), _segment_end(found))])
    more = [(f.end(), _segment_end(f)) for f in _MORE_XMP_SEGMENT.finditer(data)]
    if more:
        _blank_xmp(out, more)
    _blank_film(out, data.find(b"\xff\xd9"))
    return bytes(out)


def _segment_end(found: re.Match[bytes]) -> int:
    return found.start() + 2 + int.from_bytes(found.group(1), "big")


def _clean_tiff(data: bytes) -> bytes:
    out = bytearray(data)
    _blank_xmp(out, blank_tiff(out, 0, len(out)))
    return bytes(out)


def _clean_webp(data: bytes) -> bytes:
    out = bytearray(data)
    at = 12
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        start, end = at + 8, min(at + 8 + size, len(data))
        if name == b"EXIF":
            blank_tiff(out, start + 6 * data.startswith(_EXIF, start), end)
        elif name == b"XMP ":
            _blank_xmp(out, [(start, end)])
        at += 8 + size + size % 2
    return bytes(out)


def _clean_png(data: bytes) -> bytes:
    out = bytearray(data[:8])
    for kind, body, whole in _png_chunks(data):
        clean = _clean_chunk(kind, body)
        if clean == body:
            out += whole
            continue
        out += struct.pack(">I", len(clean)) + kind + clean
        out += struct.pack(">I", zlib.crc32(kind + clean))
    return bytes(out)


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes, bytes]]:
    at = 8
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        yield data[at + 4 : at + 8], data[at + 8 : at + 8 + size], data[at : at + 12 + size]
        at += 12 + size


def _clean_chunk(kind: bytes, body: bytes) -> bytes:
    if kind == b"eXIf":
        return _clean_exif(body)
    if kind not in (b"tEXt", b"zTXt", b"iTXt"):
        return body
    key, _, rest = body.partition(b"\x00")
    if not (key.lower().startswith(b"raw profile type") or key == b"XML:com.adobe.xmp"):
        return body
    head, packed = b"", kind == b"zTXt"
    if kind == b"zTXt":
        head, rest = rest[:1], rest[1:]
    elif kind == b"iTXt":
        packed = rest[:1] == b"\x01"
        words = rest[2:].split(b"\x00", 2)
        head, rest = rest[: len(rest) - len(words[-1])], words[-1]
    try:
        text = zlib.decompress(rest) if packed else rest
    except zlib.error:
        return body  # cannot be read by anyone
    clean = _clean_profile(text) if key != b"XML:com.adobe.xmp" else _clean_xmp(text)
    if clean == text:
        return body
    return key + b"\x00" + head + (zlib.compress(clean) if packed else clean)


def _clean_exif(body: bytes) -> bytes:
    out = bytearray(body)
    blank_tiff(out, 6 * body.startswith(_EXIF), len(out))
    return bytes(out)


def _clean_profile(text: bytes) -> bytes:
    """Exif written as hexadecimal digits in a text chunk, as some picture programs do."""
    found = _RAW_PROFILE.search(text)
    if found is None:
        return _clean_xmp(text)
    try:
        raw = bytes.fromhex(text[found.end() :].decode("ascii"))
    except ValueError:
        return text
    clean = _clean_exif(raw)
    return text if clean == raw else text[: found.end()] + clean.hex().encode() + b"\n"


def _clean_heif(data: bytes) -> bytes:
    out = bytearray(data)
    parts = open_apart(data, most_pixels=0)
    # not readable: nobody can read its place from it either
    for name, block in parts.blocks if parts is not None else ():
        clean = _clean_exif(block) if name == "exif" else _clean_xmp(block)
        if clean == block:
            continue
        at = data.find(block)
        if at < 0:
            raise PhotoUnreadableError(
                "HEIC photo", "holds its place in pieces, it cannot be taken out: save it as JPEG"
            )
        while at >= 0:
            out[at : at + len(block)] = clean
            at = data.find(block, at + 1)
    _blank_film(out, 0)
    return bytes(out)


def _clean_xmp(text: bytes) -> bytes:
    out = bytearray(text)
    _blank_xmp(out, [(0, len(out))])
    return bytes(out)


def _blank_xmp(out: bytearray, pieces: list[tuple[int, int]]) -> None:
    """Write spaces over what speaks of a place, in one packet that may lie in pieces."""
    text = b"".join(bytes(out[a:b]) for a, b in pieces)
    for pattern in (_XMP_ELEMENT, _XMP_ATTRIBUTE):
        text = pattern.sub(lambda m: b" " * len(m.group()), text)
    at = 0
    for a, b in pieces:
        size = min(b, len(out)) - a
        out[a : a + size] = text[at : at + size]
        at += size


def _blank_film(out: bytearray, start: int) -> None:
    for found in _ISO_6709.finditer(bytes(out), max(start, 0)):
        out[found.start() : found.end()] = re.sub(rb"\d", b"0", found.group())
