"""Reading photographs, with Pillow as the outside reference reader."""

from __future__ import annotations

import hashlib
import io
import re
import struct
import subprocess
import sys
import zlib
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps

from fruitcount.errors import PhotoTooLargeError, PhotoUnreadableError
from fruitcount.image import photo as photo_module
from fruitcount.image.formats import sniff_format
from fruitcount.image.photo import read_photo


def picture(seed: int = 0, size: tuple[int, int] = (61, 40)) -> Image.Image:
    """Smooth colours, so that lossy formats stay close."""
    rng = np.random.default_rng(seed)
    small = rng.integers(0, 256, (4, 5, 3), dtype=np.uint8)
    return Image.fromarray(small).resize(size, Image.Resampling.BICUBIC)


def saved(image: Image.Image, file_format: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, file_format, **options)
    return out.getvalue()


def reference(data: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(ImageOps.exif_transpose(image).convert("RGB"), np.int16)


@pytest.mark.parametrize(
    ("file_format", "tolerance"), [("JPEG", 6), ("PNG", 0), ("WEBP", 0), ("TIFF", 0)]
)
def test_formats_agree_with_pillow(file_format: str, tolerance: int) -> None:
    # JPEG decoders may differ by a few levels: IDCT and chroma upsampling are not fixed exactly.
    data = saved(picture(), file_format)
    read = read_photo(data, name="a")
    assert np.abs(read.rgb.astype(np.int16) - reference(data)).max() <= tolerance
    assert read.file_format == file_format
    assert read.sha256 == hashlib.sha256(data).hexdigest()
    assert read.rgb.dtype == np.uint8
    assert (read.width_px, read.height_px) == (61, 40)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("file_format", ["JPEG", "TIFF", "PNG", "WEBP"])
def test_exif_turn_is_applied_once(orientation: int, file_format: str) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = saved(
        picture(1), file_format, exif=exif, **({"quality": 95} if "E" in file_format else {})
    )
    read = read_photo(data).rgb.astype(np.int16)
    expected = reference(data)
    assert read.shape == expected.shape
    assert np.abs(read - expected).mean() < 2


def test_the_name_does_not_decide(tmp_path: Path) -> None:
    path = tmp_path / "really_a_png.jpg"
    path.write_bytes(saved(picture(), "PNG"))
    read = read_photo(path)
    assert read.file_format == "PNG"
    assert read.name == "really_a_png.jpg"


def test_grey_and_palette_and_cmyk() -> None:
    for mode in ("L", "P", "1"):
        data = saved(picture().convert(mode), "PNG")
        assert np.array_equal(read_photo(data).rgb, reference(data))
    data = saved(picture().convert("CMYK"), "JPEG", quality=95)
    assert np.abs(read_photo(data).rgb.astype(np.int16) - reference(data)).max() <= 1
    data = saved(picture().convert("L"), "JPEG", quality=95)
    assert np.abs(read_photo(data).rgb.astype(np.int16) - reference(data)).max() <= 4


def test_transparency_lies_over_white() -> None:
    rgba = np.zeros((10, 12, 4), np.uint8)
    rgba[:, :6] = (10, 200, 30, 255)
    rgba[5:, 6:] = (0, 0, 0, 128)
    read = read_photo(saved(Image.fromarray(rgba), "PNG")).rgb
    assert (read[0, 0] == (10, 200, 30)).all()
    assert (read[0, 8] == 255).all()
    assert np.abs(read[8, 8].astype(int) - 127).max() <= 1


def test_sixteen_bits_are_scaled() -> None:
    wide = np.linspace(0, 65535, 40 * 30).reshape(30, 40).astype(np.uint16)
    for file_format in ("PNG", "TIFF"):
        read = read_photo(saved(Image.fromarray(wide), file_format)).rgb
        assert np.abs(read[..., 0].astype(float) - wide / 257).max() <= 1


def test_sixteen_bit_colour() -> None:
    rng = np.random.default_rng(2)
    wide = rng.integers(0, 65536, (30, 40, 3), dtype=np.uint16)
    for extension in (".png", ".tiff"):
        data = cv2.imencode(extension, wide[..., ::-1])[1].tobytes()
        read = read_photo(data).rgb
        assert np.abs(read.astype(float) - wide / 257).max() <= 1


@pytest.mark.parametrize("file_format", ["PNG", "WEBP", "TIFF"])
def test_first_frame_of_an_animation(file_format: str) -> None:
    frames = [Image.new("RGB", (20, 16), colour) for colour in ((200, 30, 30), (0, 0, 255))]
    options = {"lossless": True} if file_format == "WEBP" else {}
    data = saved(frames[0], file_format, save_all=True, append_images=frames[1:], **options)
    assert np.abs(read_photo(data).rgb.astype(int) - (200, 30, 30)).max() <= 1


def gps_exif() -> Image.Exif:
    exif = Image.Exif()
    exif[0x0132] = "2026:05:03 09:10:11"
    exif.get_ifd(0x8769)[0x9003] = "2026:05:02 08:09:10"
    exif.get_ifd(0x8825).update({1: "S", 2: (33.0, 30.0, 36.0), 3: "W", 4: (70.0, 45.0, 0.0)})
    return exif


def test_time_is_read() -> None:
    read = read_photo(saved(picture(), "JPEG", exif=gps_exif()))
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)


def test_damaged_exif_is_no_reason_to_refuse() -> None:
    data = bytearray(saved(picture(), "JPEG", exif=gps_exif()))
    at = data.index(b"Exif\x00\x00") + 6
    data[at : at + 20] = b"\xff" * 20
    read = read_photo(bytes(data))
    assert read.taken_at is None
    assert read.width_px == 61


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty"),
        (b"hello, this is text" * 10, "not a JPEG"),
        (b"\xff\xd8\xff\xe0" + b"\x00" * 40, "damaged"),
        (b"\x89PNG\r\n\x1a\n" + b"\x00" * 40, "damaged"),
        (b"GIF89a" + b"\x00" * 40, "not a JPEG"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 60, "damaged"),
    ],
)
def test_broken_files_say_why(data: bytes, reason: str) -> None:
    with pytest.raises(PhotoUnreadableError, match=reason):
        read_photo(data, name="broken.jpg")


@pytest.mark.parametrize("file_format", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_cut_short_is_refused(file_format: str, share: float) -> None:
    rng = np.random.default_rng(3)
    noisy = Image.fromarray(rng.integers(0, 256, (120, 160, 3), dtype=np.uint8))
    data = saved(noisy, file_format)
    with pytest.raises(PhotoUnreadableError):
        read_photo(data[: int(len(data) * share)], name="cut")


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(PhotoUnreadableError, match="nothing_here"):
        read_photo(tmp_path / "nothing_here.jpg")
    with pytest.raises(PhotoUnreadableError, match="cannot be opened"):
        read_photo(tmp_path)


def test_too_many_pixels_are_refused_before_decoding(monkeypatch: pytest.MonkeyPatch) -> None:
    data = saved(Image.new("L", (12000, 8000)), "PNG")
    assert len(data) < 200_000

    def never(*_: object) -> None:
        raise AssertionError("decoded")

    monkeypatch.setattr(photo_module, "_pixels", never)
    with pytest.raises(PhotoTooLargeError, match="96 megapixels"):
        read_photo(data, name="huge.png")


@pytest.mark.parametrize(("colour", "bits"), [(6, 16), (2, 16), (6, 8)])
def test_bytes_a_pixel_count_against_the_limit(colour: int, bits: int) -> None:
    # 79 megapixels of 16-bit colour and transparency took 2.25 GB
    head = struct.pack(">IIBBBBB", 9800, 8100, bits, colour, 0, 0, 0)
    chunks = [(b"IHDR", head), (b"IDAT", zlib.compress(b"")), (b"IEND", b"")]
    data = b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )
    with pytest.raises(PhotoTooLargeError, match="79 megapixels of"):
        read_photo(data, name="deep.png")


def test_large_transparent_photos_take_little_memory() -> None:
    data = saved(Image.new("RGBA", (6000, 5000), (10, 200, 30, 128)), "PNG")
    code = (
        "import sys, resource; from fruitcount.image.photo import read_photo\n"
        "start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "read_photo(sys.stdin.buffer.read())\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - start)"
    )
    done = subprocess.run([sys.executable, "-c", code], input=data, capture_output=True, check=True)
    # seven bytes a pixel, decoded and laid over white, and strips; it was sixteen
    assert int(done.stdout) < 30e6 * 10 / 1024


def detailed(size: tuple[int, int] = (320, 240)) -> Image.Image:
    return Image.fromarray(
        np.random.default_rng(5).integers(0, 256, (size[1], size[0], 3), np.uint8)
    )


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1},
                                     {"subsampling": 0}], ids=str)  # fmt: skip
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_a_jpeg_that_lost_data_and_ends_properly(options: dict[str, object], mode: str) -> None:
    data = saved(detailed().convert(mode), "JPEG", **options)
    assert read_photo(data).width_px == 320
    lost = data[: int(len(data) * 0.6)] + b"\xff\xd9"
    with pytest.raises(PhotoUnreadableError, match=r"^kept\.jpg: is damaged.* missing") as refusal:
        read_photo(lost, name="kept.jpg")
    if "progressive" not in options and mode == "RGB":  # a progressive one loses detail, not rows
        share = float(re.search(r"about (\d+) %", str(refusal.value)).group(1))
        assert share == pytest.approx(40, abs=5)


def test_padding_before_the_end_is_no_loss() -> None:
    data = saved(detailed(), "JPEG", restart_marker_rows=1)
    assert np.array_equal(read_photo(data[:-2] + b"\0\0\0\xff\xd9").rgb, read_photo(data).rgb)


@pytest.mark.parametrize("file_format", ["PNG", "WEBP", "TIFF"])
def test_other_formats_that_lost_the_middle_and_end_properly(file_format: str) -> None:
    data = bytearray(saved(detailed(), file_format, **(
        {"compression": "tiff_lzw"} if file_format == "TIFF" else {})))  # fmt: skip
    middle = len(data) // 2
    if file_format == "PNG":  # one chunk less, all checksums right
        at = [m.start() - 4 for m in re.finditer(b"IDAT", bytes(data))]
        del data[at[1] : at[2]]
    else:
        del data[middle : middle + len(data) // 4]
    if file_format == "WEBP":
        data[4:8] = struct.pack("<I", len(data) - 8)
        data[16:20] = struct.pack("<I", len(data) - 20)
    with pytest.raises(PhotoUnreadableError, match="kept: is damaged or cut short"):
        read_photo(bytes(data), name="kept")


@pytest.mark.parametrize("top", [1.0, 255.0, 60000.0])
@pytest.mark.parametrize("bands", [1, 3])
def test_sound_tiffs_of_floats_are_read(top: float, bands: int) -> None:
    rng = np.random.default_rng(6)
    wide = rng.random((30, 40, bands), np.float32)
    wide[0, 0], wide[1, 1] = 1.0, np.nan
    data = cv2.imencode(".tiff", (wide * top)[..., ::-1])[1].tobytes()
    read = read_photo(data, name="a.tiff").rgb
    expected = np.nan_to_num(wide) * (top if top <= 255 else top / 65535) * (255 if top == 1 else 1)
    expected = expected * (255 if top > 255 else 1)
    assert np.abs(read.astype(float) - expected).max() <= 1


DATA = Path(__file__).parent / "data"


@pytest.mark.parametrize(("name", "quarter_turns"), [("upright", 0), ("turned", 3)])
def test_heic_is_turned_once(name: str, quarter_turns: int) -> None:
    # Pictures of our own, encoded once with libheif's x265 encoder; "turned" says orientation 6,
    # a quarter turn clockwise. The PNG is what went in; HEVC loses a few levels.
    read = read_photo(DATA / f"{name}.heic")
    expected = np.rot90(np.asarray(Image.open(DATA / "upright.png"), np.int16), quarter_turns)
    assert read.file_format == "HEIF"
    assert read.rgb.shape == expected.shape
    assert np.abs(read.rgb - expected).mean() < 6
    assert read.taken_at == datetime(2026, 5, 2, 8, 9, 10)


def test_heic_cut_short_is_refused() -> None:
    data = (DATA / "upright.heic").read_bytes()
    for share in (0.2, 0.5, 0.8):
        with pytest.raises(PhotoUnreadableError):
            read_photo(data[: int(len(data) * share)], name="cut.heic")


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_a_photo_or_a_clear_refusal(data: bytes) -> None:
    for start in (b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\x00", b"RIFF0000WEBP"):
        with pytest.raises(PhotoUnreadableError):
            read_photo(start + data, name="any")


def test_sniffing() -> None:
    assert sniff_format(b"\x00\x00\x00\x18ftypmif1") == "HEIF"
    assert sniff_format(b"\x00\x00\x00\x18ftypmp42") is None


def test_no_stage_can_change_the_pixels(tmp_path: Path) -> None:
    for name in ("a.jpg", "a.png"):
        Image.new("RGB", (8, 6), (10, 200, 30)).save(tmp_path / name)
        rgb = read_photo(tmp_path / name).rgb
        with pytest.raises(ValueError, match="read-only"):
            rgb[0, 0] = 0


@pytest.mark.parametrize("kind", ["WEBP", "TIFF", "HEIC"])
def test_how_much_of_a_cut_file_is_missing(kind: str) -> None:
    if kind == "HEIC":
        whole = (Path(__file__).parent / "data" / "upright.heic").read_bytes()
    else:
        rng = np.random.default_rng(3)
        out = io.BytesIO()
        Image.fromarray(rng.integers(0, 256, (90, 120, 3), dtype=np.uint8)).save(out, kind)
        whole = out.getvalue()
    with pytest.raises(PhotoUnreadableError) as caught:
        read_photo(whole[: int(0.6 * len(whole))])
    assert re.search(r"cut short: about (39|40|41) % of the file is missing", str(caught.value))
