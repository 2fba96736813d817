"""The place is taken out of the bytes; Pillow and libheif, general libraries, read what is left."""

from __future__ import annotations

import io
import struct
import time
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import numpy as np
import pi_heif
import pytest
from helpers import location_in
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps, PngImagePlugin, TiffImagePlugin

from fruitcount.errors import PhotoUnreadableError
from fruitcount.image.metadata import without_location
from fruitcount.image.photo import read_photo

DATA = Path(__file__).parent / "data"
FORMATS = ("JPEG", "PNG", "WEBP", "TIFF")
PLACE = "Quince Hollow"
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
    if (
        file_format == "TIFF" and "exif" not in more and "tiffinfo" not in more
    ):  # Pillow writes inner directories from plain dicts only
        tags, exif = TiffImagePlugin.ImageFileDirectory_v2(), exif_with_place()
        tags.update(dict(exif) | {n: dict(exif.get_ifd(n)) for n in (0x8769, 0x8825)})
        options = {"tiffinfo": tags, **more}
    small.resize((61, 40)).save(out, file_format, **options)
    return out.getvalue()


def pixels(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("RGB"))


def place_as(form: str) -> bytes:
    """One photo whose place is told in one of the ways that files know."""
    text = PngImagePlugin.PngInfo()
    raw = exif_with_place().tobytes()
    place = f"{PLACE}, 33.510139 S"
    if form == "png text":
        text.add_text("Comment", place)
    elif form == "png zipped":
        text.add_text("Location", place, zip=True)
    elif form == "png itxt":
        text.add_itxt("Description", place, zip=True)
    elif form == "png xmp":
        text.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=True)
    elif form == "png hex exif":
        text.add_text("Raw profile type exif", f"\nexif\n{len(raw)}\n{raw.hex()}\n", zip=True)
    elif form == "png hex xmp":
        text.add_text("Raw profile type xmp", f"\nxmp\n{len(XMP)}\n{XMP.hex()}\n")
    if form.startswith("png"):
        return photo("PNG", pnginfo=text, **({"exif": None} if "hex exif" in form else {}))
    if form == "behind the png":
        return photo("PNG") + place.encode()
    segment = {
        "jpeg comment": (0xFE, place.encode()),
        "jpeg iptc": (
            0xED,
            b"Photoshop 3.0\x008BIM\x04\x04\0\0\0\x40\x1c\x02\x5a" + place.encode(),
        ),
        "jpeg xmp utf-16": (
            0xE1,
            b"http://ns.adobe.com/xap/1.0/\0" + XMP.decode().encode("utf-16"),
        ),
        "jpeg xmp default names": (
            0xE1,
            b'http://ns.adobe.com/xap/1.0/\0<Lat xmlns="x">' + place.encode() + b"</Lat>",
        ),
        "jpeg longer xmp": (0xE1, b"http://ns.adobe.com/xmp/extension/\0" + bytes(40) + XMP),
        "jpeg maker's": (0xE5, place.encode()),
    }.get(form)
    data = photo("JPEG", comment=place) if form == "jpeg exif" else photo("JPEG")
    if form == "second picture and film":
        film = b"\0\0\0\x20ftypmp42" + b"\0\0\0\x1e\xa9xyz\0\x12\x15\xc7-33.5101-070.7534/"
        return data + data + film
    if segment is None:
        return data
    code, body = segment
    return data[:2] + struct.pack(">BBH", 0xFF, code, len(body) + 2) + body + data[2:]


FORMS = [
    "png text", "png zipped", "png itxt", "png xmp", "png hex exif", "png hex xmp",
    "behind the png", "jpeg exif", "jpeg comment", "jpeg iptc", "jpeg xmp utf-16",
    "jpeg xmp default names", "jpeg longer xmp", "jpeg maker's", "second picture and film",
]  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_no_form_of_place_is_left(form: str) -> None:
    before = place_as(form)
    after = without_location(before)
    read, was = read_photo(after), read_photo(before)
    assert location_in(after) is None
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)
    assert np.array_equal(read.rgb, was.rgb)
    for gone in (PLACE, "33.51", "GPSLat", "33,30.6S", "survey", "a maker"):
        for coding in ("utf-8", "utf-16-le", "utf-16-be"):
            assert gone.encode(coding) not in after
    with Image.open(io.BytesIO(after)) as image:
        image.load()
        assert set(image.info) <= {"exif", "jfif", "jfif_version", "jfif_unit", "jfif_density",
                                   "dpi"}  # fmt: skip
    assert without_location(after) is after


@pytest.mark.parametrize("file_format", FORMATS)
def test_only_three_tags_stay(file_format: str) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    more = {"xmp": XMP} if file_format in ("JPEG", "WEBP") else {}
    before = photo(file_format, icc_profile=profile, **more)
    assert location_in(before) == pytest.approx((-33.510139, -70.75340))
    after = without_location(before)
    assert location_in(after) is None
    assert read_photo(after).taken_at == datetime(2026, 5, 2, 8, 9, 10)
    with Image.open(io.BytesIO(after)) as image:
        exif = image.getexif()
        assert exif.get(0x0112) == (None if file_format == "TIFF" else 6)  # TIFF: turned
        assert 0x010F not in exif
        assert 0x8825 not in exif
        told = exif[0x0132] if file_format == "TIFF" else exif.get_ifd(0x8769)[0x9003]
        assert told == TIME
        assert image.info["icc_profile"] == profile
        assert "xmp" not in image.info
    for gone in (b"survey", b"GPSLatitude", b"a maker"):
        assert gone not in after
    assert np.array_equal(pixels(after), pixels(before))
    assert without_location(after) is after


@pytest.mark.parametrize("file_format", FORMATS)
def test_a_photo_that_says_nothing_comes_back(file_format: str) -> None:
    data = without_location(photo(file_format, exif=Image.Exif()))
    assert without_location(data) is data


@pytest.mark.parametrize("progressive", [False, True])
def test_coded_pixels_are_copied(progressive: bool) -> None:
    data = photo("JPEG", quality=95, progressive=progressive, restart_marker_blocks=2)
    after = without_location(data)
    assert np.array_equal(pixels(after), pixels(data))
    assert after.endswith(data[data.index(b"\xff\xda") :])


def test_crafted_xmp_takes_no_longer_than_it_is_large() -> None:
    # took 1.7 s at 56 kB and four times that at twice the size
    xmp = b"http://ns.adobe.com/xap/1.0/\0" + b"<a:gps " * 8000
    data = photo("JPEG")
    data = data[:2] + struct.pack(">BBH", 0xFF, 0xE1, len(xmp) + 2) + xmp + data[2:]
    start = time.process_time()
    assert b"a:gps" not in without_location(data)
    assert time.process_time() - start < 0.3


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
    plain = read_photo(before)
    assert location_in(before) == pytest.approx((-33.510139, -70.75340))
    after = without_location(before)
    read = read_photo(after)
    assert location_in(after) is None
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)
    assert np.array_equal(read.rgb, plain.rgb)
    assert len(after) == len(before)
    assert b"survey" not in after
    assert without_location(after) is after


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(FORMATS), st.integers(0, 600), st.binary(min_size=1, max_size=6))
def test_damage_is_survived(file_format: str, where: int, wrong: bytes) -> None:
    data = bytearray(photo(file_format))
    at = where % len(data)
    data[at : at + len(wrong)] = wrong[: len(data) - at]
    for damaged in (bytes(data), bytes(data[:at])):
        with suppress(PhotoUnreadableError):
            without_location(damaged)


@given(st.binary(max_size=300))
def test_other_bytes_come_back(data: bytes) -> None:
    for start in (b"", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0+", b"RIFF0000WEBP", b"\xff\xd8\xff"):
        with suppress(PhotoUnreadableError):
            assert isinstance(without_location(start + data), bytes)


def test_big_tiff() -> None:
    tags, exif = TiffImagePlugin.ImageFileDirectory_v2(), exif_with_place()
    tags.update(dict(exif) | {n: dict(exif.get_ifd(n)) for n in (0x8769, 0x8825)})
    before = photo("TIFF", tiffinfo=tags, exif=None, big_tiff=True)
    assert before[2:4] == b"+\0"
    after = without_location(before)
    assert b"survey" not in after
    with Image.open(io.BytesIO(after)) as image:
        assert dict(image.getexif().get_ifd(0x8825)) == {}
    assert np.array_equal(pixels(after), pixels(before))
