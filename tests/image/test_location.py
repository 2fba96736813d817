"""The place is taken out of the bytes; Pillow and libheif, general libraries, read what is left."""

from __future__ import annotations

import io
import struct
import zlib
from datetime import datetime
from pathlib import Path

import numpy as np
import pi_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps, PngImagePlugin, TiffImagePlugin

from fruitcount.image import read_photo
from fruitcount.image.location import without_location

DATA = Path(__file__).parent / "data"
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
TIME = "2026:05:02 08:09:10"
XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
    b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" '
    b'xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="33,30.6S" '
    b"exif:GPSLongitude='70,45.0W' exif:PixelXDimension=\"61\">"
    b"<exif:GPSAltitude>512/1</exif:GPSAltitude><exif:ISOSpeed>100</exif:ISOSpeed>"
    b"</rdf:Description></rdf:RDF></x:xmpmeta>"
)


def exif_with_place() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = 6
    exif[0x010F] = "a maker of cameras"
    exif.get_ifd(0x8769)[0x9003] = TIME
    exif.get_ifd(0x8825).update(
        {1: "S", 2: (33.0, 30.0, 36.5), 3: "W", 4: (70.0, 45.0, 12.25), 27: b"ASCII\0\0\0survey"}
    )
    return exif


def photo(file_format: str, **more: object) -> bytes:
    rng = np.random.default_rng(4)
    small = Image.fromarray(rng.integers(0, 256, (5, 7, 3), dtype=np.uint8))
    out = io.BytesIO()
    options: dict[str, object] = {"exif": exif_with_place(), **more}
    if file_format == "TIFF" and not more:  # Pillow writes inner directories from plain dicts only
        tags, exif = TiffImagePlugin.ImageFileDirectory_v2(), exif_with_place()
        tags.update(dict(exif) | {n: dict(exif.get_ifd(n)) for n in (0x8769, 0x8825)})
        options = {"tiffinfo": tags}
    small.resize((61, 40)).save(out, file_format, **options)
    return out.getvalue()


def pixels(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("RGB"))


@pytest.mark.parametrize("file_format", FORMATS)
def test_the_place_goes_and_all_else_stays(file_format: str) -> None:
    before = photo(file_format)
    assert read_photo(before, keep_location=True).location == pytest.approx((-33.510139, -70.75340))
    after = without_location(before)
    assert len(after) == len(before)
    read = read_photo(after, keep_location=True)
    assert read.location is None
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)
    with Image.open(io.BytesIO(after)) as image:
        exif = image.getexif()
        assert 0x8825 not in exif
        assert dict(exif.get_ifd(0x8825)) == {}
        assert (exif[0x0112], exif[0x010F]) == (6, "a maker of cameras")
        assert exif.get_ifd(0x8769)[0x9003] == TIME
    assert np.array_equal(pixels(after), pixels(before))
    assert b"survey" in before
    assert b"survey" not in after
    assert without_location(after) is after


@pytest.mark.parametrize("file_format", FORMATS)
def test_a_photo_without_a_place_is_the_same_object(file_format: str) -> None:
    data = photo(file_format, exif=Image.Exif())
    assert without_location(data) is data


@pytest.mark.parametrize("order", ["<", ">"])
def test_both_byte_orders(order: str) -> None:
    # built by hand from TIFF 6.0: one field, the GPS pointer, then a GPS directory of two
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
    main = struct.pack(order + "HHHIIHHIHHI", 2, 0x0112, 3, 1, 0, 0x8825, 4, 1, 38, 0, 0)
    main = struct.pack(order + "H", 2) + struct.pack(order + "HHIHH", 0x0112, 3, 1, 6, 0)
    main += struct.pack(order + "HHII", 0x8825, 4, 1, 38) + struct.pack(order + "I", 0)
    gps = struct.pack(order + "H", 1) + struct.pack(order + "HHI4s", 1, 2, 2, b"S\0\0\0")
    gps += struct.pack(order + "I", 0)
    data = photo("JPEG", exif=b"Exif\0\0" + head + main + gps)
    with Image.open(io.BytesIO(data)) as image:
        assert image.getexif().get_ifd(0x8825)[1] == "S"
    with Image.open(io.BytesIO(without_location(data))) as image:
        assert dict(image.getexif()) == {0x0112: 6}


@pytest.mark.parametrize("file_format", FORMATS)
def test_places_in_xmp_go_and_the_rest_stays(file_format: str) -> None:
    more: dict[str, object] = {"xmp": XMP}
    if file_format == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_itxt("XML:com.adobe.xmp", XMP.decode())
        more = {"pnginfo": text}
    if file_format == "TIFF":
        tags = TiffImagePlugin.ImageFileDirectory_v2()
        tags[700] = XMP
        tags.tagtype[700] = 7
        more = {"tiffinfo": tags, "exif": None}
    before = photo(file_format, **more)
    assert b"33,30.6S" in before
    after = without_location(before)
    assert len(after) == len(before)
    for gone in (b"GPSLatitude", b"33,30.6S", b"70,45.0W", b"512/1"):
        assert gone not in after
    assert b'exif:PixelXDimension="61"' in after
    assert b"<exif:ISOSpeed>100</exif:ISOSpeed>" in after
    pixels(after)


@pytest.mark.parametrize("packed", [False, True])
def test_compressed_text_of_png(packed: bool) -> None:
    text = PngImagePlugin.PngInfo()
    text.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=packed)
    raw = exif_with_place().tobytes()
    raw = raw if raw.startswith(b"Exif") else b"Exif\0\0" + raw
    text.add_text("Raw profile type exif", f"\nexif\n{len(raw)}\n{raw.hex()}\n", zip=packed)
    before = photo("PNG", pnginfo=text, exif=None)
    assert read_photo(before, keep_location=True).location is not None
    after = without_location(before)
    read = read_photo(after, keep_location=True)
    assert (read.location, read.taken_at) == (None, datetime(2026, 5, 2, 8, 9, 10))
    with Image.open(io.BytesIO(after)) as image:
        image.load()
        assert "GPSLatitude" not in image.text["XML:com.adobe.xmp"]
        assert "ISOSpeed" in image.text["XML:com.adobe.xmp"]


def test_checksums_of_png_are_right() -> None:
    data = without_location(photo("PNG"))
    at = 8
    while at < len(data):
        (size,) = struct.unpack(">I", data[at : at + 4])
        (told,) = struct.unpack(">I", data[at + 8 + size : at + 12 + size])
        assert zlib.crc32(data[at + 4 : at + 8 + size]) == told
        at += 12 + size


def test_the_second_picture_and_the_film_behind_it() -> None:
    film = b"\0\0\0\x20ftypmp42" + b"\0\0\0\x1e\xa9xyz\0\x12\x15\xc7-33.5101-070.7534/"
    after = without_location(photo("JPEG") + photo("JPEG") + film)
    assert b"survey" not in after
    assert b"33.5101" not in after
    assert after.endswith(b"-00.0000-000.0000/")
    with Image.open(io.BytesIO(after[len(after) // 2 - len(film) // 2 :])) as image:
        assert dict(image.getexif().get_ifd(0x8825)) == {}


def heic_with_place() -> bytes:
    """Our own HEIC, whose Exif item is replaced by one with a place (ISO/IEC 14496-12 iloc)."""
    data = (DATA / "turned.heic").read_bytes()
    old = bytes(pi_heif.open_heif(io.BytesIO(data)).info["exif"])
    at = data.index(old)
    raw = exif_with_place().tobytes()
    raw = raw if raw.startswith(b"Exif") else b"Exif\0\0" + raw
    new = struct.pack(">I", 6) + raw
    # iloc says: base offset, one extent, offset in it, length; the new item is put last
    place = struct.pack(">IHII", at - 4, 1, 0, len(old) + 4)
    assert data.count(place) == 1
    moved = data.replace(place, struct.pack(">IHII", len(data) + 8, 1, 0, len(new)))
    return moved + struct.pack(">I", len(new) + 8) + b"mdat" + new


def test_heic() -> None:
    before = heic_with_place()
    plain = read_photo(before, keep_location=True)
    assert plain.location == pytest.approx((-33.510139, -70.75340))
    after = without_location(before)
    read = read_photo(after, keep_location=True)
    assert read.location is None
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)
    assert np.array_equal(read.rgb, plain.rgb)
    assert len(after) == len(before)
    assert b"survey" not in after
    data = (DATA / "upright.heic").read_bytes()
    assert without_location(data) is data


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(FORMATS), st.integers(0, 600), st.binary(min_size=1, max_size=6))
def test_damage_is_survived(file_format: str, where: int, wrong: bytes) -> None:
    data = bytearray(photo(file_format))
    at = where % len(data)
    data[at : at + len(wrong)] = wrong[: len(data) - at]
    without_location(bytes(data))
    without_location(bytes(data[:at]))


@given(st.binary(max_size=300))
def test_other_bytes_come_back(data: bytes) -> None:
    for start in (b"", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0+", b"RIFF0000WEBP", b"\xff\xd8\xff"):
        assert isinstance(without_location(start + data), bytes)


def test_big_tiff() -> None:
    tags, exif = TiffImagePlugin.ImageFileDirectory_v2(), exif_with_place()
    tags.update(dict(exif) | {n: dict(exif.get_ifd(n)) for n in (0x8769, 0x8825)})
    before = photo("TIFF", tiffinfo=tags, exif=None, big_tiff=True)
    assert before[2:4] == b"+\0"
    after = without_location(before)
    assert len(after) == len(before)
    assert b"survey" not in after
    with Image.open(io.BytesIO(after)) as image:
        assert dict(image.getexif().get_ifd(0x8825)) == {}
        assert image.getexif()[0x0112] == 6
    assert np.array_equal(pixels(after), pixels(before))
