"""Photos that are broken, odd or hostile: read rightly, or refused in words; the others go on."""

from __future__ import annotations

import csv
import io
import json
import re
import struct
import time
import zlib
from collections import Counter
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hardening.kit import CLASSICAL, count_quickly, left_behind, limb_rgb, run, saved
from helpers import ROOT
from PIL import Image

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError
from fruitcount.image import photo as photo_module
from fruitcount.image.photo import read_photo

HEIC = ROOT / "tests" / "image" / "data" / "upright.heic"


def _small() -> Image.Image:
    return Image.fromarray(limb_rgb()).resize((240, 160))


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png_bomb(side: int = 20_000) -> bytes:
    """400 megapixels of one bit each: 48 kB."""
    head = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    rows = zlib.compress(bytes((side // 8 + 1) * side), 9)
    return (
        b"\x89PNG\r\n\x1a\n"
        + _png_chunk(b"IHDR", head)
        + _png_chunk(b"IDAT", rows)
        + _png_chunk(b"IEND", b"")
    )


def _text_bomb() -> bytes:
    """A small picture with a text of 300 MB packed into a chunk before its pixels."""
    whole = saved(_small(), "PNG")
    packed = b"note\x00\x00" + zlib.compress(bytes(300_000_000), 9)
    return whole[:33] + _png_chunk(b"zTXt", packed) + whole[33:]


def _lying_jpeg() -> bytes:
    """A JPEG of 240 x 160 whose header says 65500 x 65500."""
    data = bytearray(saved(_small()))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 65500, 65500)
    return bytes(data)


def _lying_tiff() -> bytes:
    data = bytearray(saved(_small(), "TIFF"))
    for tag, value in ((256, 60000), (257, 60000)):
        at = data.index(struct.pack("<HHI", tag, 4, 1)) + 8
        data[at : at + 4] = struct.pack("<I", value)
    return bytes(data)


def _half(kind: str) -> bytes:
    whole = HEIC.read_bytes() if kind == "HEIC" else saved(_small(), kind)
    return whole[: len(whole) // 2]


def _blank(share: float) -> bytes:
    whole = HEIC.read_bytes()
    return whole[: int(share * len(whole))].ljust(len(whole), b"\0")


def _changed_tiff() -> bytes:
    data = bytearray(saved(limb_rgb()[::4, ::4], "TIFF", compression="tiff_adobe_deflate"))
    data[len(data) // 2] ^= 0x55
    return bytes(data)


REFUSED = {
    "half.jpg": (lambda: _half("JPEG"), "(4|5).? % of the picture is missing; copy it"),
    "blank.heic": (lambda: _blank(0.7), "damaged or cut short"),
    "changed.tif": (_changed_tiff, "about .* % of the picture is missing"),
    "half.png": (lambda: _half("PNG"), "damaged or cut short"),
    "half.webp": (lambda: _half("WEBP"), "damaged or cut short"),
    "half.tiff": (lambda: _half("TIFF"), "damaged or cut short"),
    "half.heic": (lambda: _half("HEIC"), "damaged or cut short"),
    "empty.jpg": (lambda: b"", "empty"),
    "text.jpg": (lambda: b"not a photo\n" * 50, "is not a JPEG"),
    "page.jpg": (lambda: b"<!doctype html><img src=x onerror=alert(1)>", "is not a JPEG"),
    "paper.jpg": (lambda: b"%PDF-1.7\n" + bytes(100), "is not a JPEG"),
    "program.png": (lambda: b"MZ" + bytes(200), "is not a JPEG"),
    "film.heic": (lambda: b"\x00\x00\x00\x18ftypmp42" + bytes(100), "is not a JPEG"),
    "moving.webp": (lambda: saved(_small(), "GIF"), "is not a JPEG"),
    "zeros.jpg": (lambda: bytes(5000), "is not a JPEG"),
    "bomb.png": (_png_bomb, "too many pixels"),
    "bomb.jpg": (_lying_jpeg, "too many pixels"),
    "bomb.tif": (_lying_tiff, "too many pixels"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_in_words(tmp_path: Path, name: str) -> None:
    make, words = REFUSED[name]
    path = tmp_path / name
    path.write_bytes(make())
    kind = PhotoTooLargeError if "pixels" in words else PhotoUnreadableError
    with pytest.raises(kind, match=words) as caught:
        read_photo(path)
    assert str(caught.value).startswith(f"{name}: ")
    assert str(tmp_path) not in str(caught.value)


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    data = _png_bomb()
    assert len(data) < 60_000  # the 48 kB file of 400 megapixels

    def never(*_: object) -> None:
        raise AssertionError("unpacked")

    monkeypatch.setattr(photo_module, "_pixels", never)
    started = time.process_time()
    with pytest.raises(PhotoTooLargeError, match="too many pixels"):
        read_photo(data, name="bomb.png")
    assert time.process_time() - started < 2.0


def test_a_text_that_unpacks_to_300_mb_is_not_kept_waiting_for() -> None:
    started = time.process_time()
    with suppress(PhotoUnreadableError):
        assert read_photo(_text_bomb(), name="text.png").width_px == 240
    assert time.process_time() - started < 5.0


def test_all_at_once_on_the_command_line(tmp_path: Path) -> None:
    """17 photos, one of them good: its answer is there, the others are each told of once."""
    folder, out = tmp_path / "photos", tmp_path / "out"
    folder.mkdir()
    for name, (make, _) in REFUSED.items():
        (folder / name).write_bytes(make())
    (folder / "good.jpg").write_bytes(saved(limb_rgb()))
    result = run("count", *sorted(folder.iterdir()), "--out", out, *CLASSICAL, "--no-picture")
    assert result.exit_code == 1
    for name, (_, words) in REFUSED.items():
        line = next(x for x in result.output.splitlines() if x.startswith(f"{name}: "))
        assert re.search(words, line)
    with (out / "counts.csv").open() as stream:
        rows = {row["photo"]: row for row in csv.DictReader(stream)}
    assert set(rows) == {*REFUSED, "good.jpg"}
    assert rows["good.jpg"]["status"] == "counted"
    assert all(rows[name]["count_n"] == "" for name in REFUSED)
    assert all(rows[name]["status"].startswith("failed: ") for name in REFUSED)
    assert sorted(p.name for p in out.iterdir()) == ["counts.csv", "good.json"]
    _in_a_folder(folder, tmp_path / "out2")


def _in_a_folder(folder: Path, out: Path) -> None:
    result = run("folder", folder, "--out", out, "--workers", 1, *CLASSICAL)
    assert result.exit_code == 1
    with (out / "photos.csv").open() as stream:
        rows = {row["file"]: row for row in csv.DictReader(stream)}
    assert set(rows) == {*REFUSED, "good.jpg"}
    for name, (_, words) in REFUSED.items():
        assert rows[name]["ok"] == "no"
        assert rows[name]["count_n"] == ""
        assert re.search(words, rows[name]["problem"])
    assert left_behind(out) == []
    again = run("folder", folder, "--out", out, "--workers", 1, *CLASSICAL)
    assert again.exit_code == 1  # the bad ones are tried again, and what was counted is not
    lines = [json.loads(line) for line in (out / "progress.jsonl").read_text().splitlines()]
    assert Counter(line["body"]["ok"] for line in lines) == {True: 1, False: 2 * len(REFUSED)}


def test_a_photo_one_pixel_high_gets_its_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count_quickly(monkeypatch)
    path = tmp_path / "strip.png"
    path.write_bytes(saved(Image.new("RGB", (4096, 1), "green"), "PNG"))
    run("count", *CLASSICAL, "--out", tmp_path / "out", path)
    assert (tmp_path / "out" / "strip_png_plan.jpg").is_file()


def test_the_ending_does_not_decide(tmp_path: Path) -> None:
    for kind, ending in (("PNG", ".jpg"), ("JPEG", ".heic"), ("WEBP", ".tif"), ("TIFF", "")):
        path = tmp_path / f"x{ending}"
        path.write_bytes(saved(_small(), kind))
        assert read_photo(path).file_format == kind


def _deep(kind: str) -> bytes:
    rng = np.random.default_rng(4)
    wide = rng.integers(0, 65536, (40, 60), dtype=np.uint16)
    if kind == "colour":
        import cv2

        done, data = cv2.imencode(".png", rng.integers(0, 65536, (40, 60, 3), dtype=np.uint16))
        assert done
        return bytes(data)
    return saved(Image.fromarray(wide), kind)


def _animated(kind: str) -> bytes:
    frames = [Image.new("RGB", (60, 40), c) for c in ("green", "red", "blue")]
    out = io.BytesIO()
    frames[0].save(out, kind, save_all=True, append_images=frames[1:], duration=50)
    return out.getvalue()


ODD = {
    "cmyk jpeg": lambda: saved(_small().convert("CMYK")),
    "cmyk tiff": lambda: saved(_small().convert("CMYK"), "TIFF"),
    "16-bit grey png": lambda: _deep("PNG"),
    "16-bit grey tiff": lambda: _deep("TIFF"),
    "16-bit colour png": lambda: _deep("colour"),
    "float tiff": lambda: saved(_small().convert("F"), "TIFF"),
    "1 bit": lambda: saved(_small().convert("1"), "PNG"),
    "palette": lambda: saved(_small().quantize(8), "PNG"),
    "see-through": lambda: saved(_small().convert("LA"), "PNG"),
    "lab tiff": lambda: saved(_small().convert("LAB"), "TIFF"),
    "animated webp": lambda: _animated("WEBP"),
    "animated png": lambda: _animated("PNG"),
    "several pages": lambda: _animated("TIFF"),
    "two pictures in one": lambda: _animated("MPO"),
    "one pixel": lambda: saved(Image.new("RGB", (1, 1)), "PNG"),
    "one row": lambda: saved(Image.new("RGB", (3000, 1)), "PNG"),
    "rubbish behind the end": lambda: saved(_small()) + b"\x00rubbish" * 1000,
}


@pytest.mark.parametrize("name", ODD)
def test_odd_photos_are_read_and_counted(name: str) -> None:
    from fruitcount.pipeline import CountSettings, count_limb

    read = read_photo(ODD[name](), name=name)
    assert read.rgb.dtype == np.uint8
    assert read.rgb.shape[2:] == (3,)
    result = count_limb(read, CountSettings(source="classical"))
    json.dumps([len(result.measurement.fruitlets), result.decision.plan.crop_count])


@pytest.mark.parametrize("kind", ["WEBP", "PNG", "TIFF", "MPO"])
def test_of_moving_pictures_the_first_counts(kind: str) -> None:
    middle = read_photo(_animated(kind)).rgb[20, 30].astype(int)
    assert np.abs(middle - (0, 128, 0)).max() < 12  # "green" of CSS is 0, 128, 0


def _with_exif(change: dict[int, object], inner: dict[int, object] | None = None) -> bytes:
    exif = Image.Exif()
    for tag, value in change.items():
        exif[tag] = value
    if inner:
        exif.get_ifd(0x8769).update(inner)
    return saved(_small(), exif=exif)


@pytest.mark.parametrize("turn", [0, 9, 255, 65535])
def test_a_turn_that_does_not_exist_means_upright(turn: int) -> None:
    # CIPA DC-008: values of tag 0x0112 other than 1 to 8 are reserved
    read = read_photo(_with_exif({0x0112: turn}))
    assert (read.width_px, read.height_px) == (240, 160)


def test_sizes_in_exif_are_not_believed() -> None:
    # tags 0x0100, 0x0101, 0xA002 and 0xA003 say how large the picture is; the decoder knows
    lies = {0x0100: 9, 0x0101: 9, 0x0112: 6}
    read = read_photo(_with_exif(lies, {0xA002: 99999, 0xA003: 1}))
    assert (read.width_px, read.height_px) == (160, 240)


@pytest.mark.parametrize(
    "words", ["0000:00:00 00:00:00", "9999:99:99 99:99:99", "yesterday", "\x00" * 19, "2026-05-02"]
)
def test_a_time_that_is_none_is_not_told(words: str) -> None:
    assert read_photo(_with_exif({0x0132: words}, {0x9003: words})).taken_at is None


def _huge_exif() -> bytes:
    """A JPEG with 1 MB of Exif in 16 segments, and a maker's note of 60 kB."""
    whole = _with_exif({0x0112: 6}, {0x927C: b"\xff" * 60_000})
    more = b"".join(b"\xff\xe1" + struct.pack(">H", 65535) + b"Exif\x00\x00" + bytes(65527) for _ in range(16))  # noqa: E501  # fmt: skip
    return whole[:2] + whole[2:].replace(b"\xff\xdb", more + b"\xff\xdb", 1)


def test_huge_exif_is_no_reason_to_refuse() -> None:
    started = time.process_time()
    data = _huge_exif()
    assert len(data) > 1_000_000
    read = read_photo(data)
    assert read.width_px * read.height_px == 240 * 160
    whole = saved(_small(), "PNG")
    # 20 MB of nothing where PNG holds Exif
    png = whole[:33] + _png_chunk(b"eXIf", b"MM\x00*" + bytes(20_000_000)) + whole[33:]
    assert read_photo(png).width_px == 240
    assert time.process_time() - started < 5.0


def test_a_loop_of_exif_directories_ends() -> None:
    """A directory whose next one is itself."""
    data = bytearray(_with_exif({0x0112: 1, 0x0132: "2026:05:02 08:09:10"}))
    at = data.index(b"Exif\x00\x00") + 6
    order = ">" if data[at : at + 2] == b"MM" else "<"
    first = struct.unpack(order + "I", data[at + 4 : at + 8])[0]
    entries = struct.unpack(order + "H", data[at + first : at + first + 2])[0]
    link = at + first + 2 + 12 * entries
    data[link : link + 4] = struct.pack(order + "I", first)
    assert read_photo(bytes(data)).width_px == 240


def test_a_photo_that_crashes_its_decoder_is_refused_and_the_others_are_counted(
    tmp_path: Path,
) -> None:
    """Found by fuzzing: libheif 1.23 dies of this file with a signal, past every ``except``."""
    crash = ROOT / "tests" / "hardening" / "seeds" / "heic--process-ended--11.bin"
    (tmp_path / "a.heic").write_bytes(crash.read_bytes())
    (tmp_path / "b.heic").write_bytes(HEIC.read_bytes())
    (tmp_path / "c.jpg").write_bytes(saved(limb_rgb()))
    photos = sorted(tmp_path.glob("?.*"))
    result = run("count", *photos, "--out", tmp_path / "o", *CLASSICAL, "--no-picture")
    assert result.exit_code == 1
    assert "a.heic: is damaged" in result.output
    assert {p.stem for p in (tmp_path / "o").glob("*.json")} == {"b_heic", "c"}
