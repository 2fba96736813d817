"""A clip of a drawn limb: which frames are taken, whose fruit are joined, what cannot be read."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from fruitcount.cli.count import count_command
from fruitcount.errors import PhotoUnreadableError
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.image.clip import FRAMES_N, clip_photos
from fruitcount.image.opencv import cv2
from fruitcount.jobs.count import CountChoice
from fruitcount.jobs.same_limb import count_same_limb
from fruitcount.pipeline import CountSettings

RATE, FRAMES = 12, 36


def _moved(k: int, shape: tuple[int, ...]) -> np.ndarray:
    """How the hand holds frame k: a little turned, nearer and aside."""
    middle = (shape[1] / 2, shape[0] / 2)
    warp = cv2.getRotationMatrix2D(middle, 3 * np.sin(k / 9), 0.92 + 0.002 * k)
    warp[:, 2] += [0.8 * k - 14, 5 * np.sin(k / 5)]
    return warp


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    """A clip of a drawn limb, blurred but for some frames, and the limb's truth."""
    photo, truth = draw_scene(21, SceneSettings(fruit_n=12))
    path = tmp_path_factory.mktemp("clip") / "walk.mp4"
    size = (photo.width_px, photo.height_px)
    film = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"mp4v"), RATE, size)
    assert film.isOpened()
    for k in range(FRAMES):
        frame = cv2.warpAffine(
            photo.rgb, _moved(k, photo.rgb.shape), size, borderMode=cv2.BORDER_REFLECT
        )
        if k % 6 != 2:
            frame = cv2.GaussianBlur(frame, (0, 0), 6)
        film.write(cv2.cvtColor(frame, cv2.COLOR_RGB2BGR))
    film.release()
    return path, photo, truth


def test_the_sharpest_frames_are_taken_spread_over_the_clip(clip) -> None:
    seen = []
    photos = clip_photos(clip[0], lambda done, total: seen.append((done, total)))
    numbers = [round(float(p.name.split(" at ")[1][:-2]) * RATE) for p in photos]
    assert len(photos) == FRAMES_N
    assert numbers == sorted(numbers)
    assert all(k % 6 == 2 for k in numbers)
    assert seen[-1][1] == FRAMES
    assert [d for d, _ in seen] == sorted(d for d, _ in seen)


def test_a_clip_is_one_limb_with_each_fruit_once(clip, tmp_path) -> None:
    path, photo, truth = clip
    choice = CountChoice(tmp_path, CountSettings(source="classical"), also=("coco",))
    joined, _, written = count_same_limb([path], choice)
    right = told = 0
    whose: dict[int, set[int]] = {}
    for shown, rows in zip(joined.photos, joined.fruit, strict=True):
        k = round(float(shown.name.split(" at ")[1][:-2]) * RATE)
        back = cv2.invertAffineTransform(_moved(k, photo.rgb.shape))
        at = np.stack([shown.fruitlets.x_px, shown.fruitlets.y_px], 1) @ back[:, :2].T + back[:, 2]
        for row, number in enumerate(rows.tolist()):
            away = np.hypot(*(np.stack([truth.x_px, truth.y_px], 1) - at[row]).T)
            if number >= 0 and away.min() < 8:
                whose.setdefault(number, set()).add(int(away.argmin()))
    for names in whose.values():
        told += 1
        right += len(names) == 1
    assert len(joined.photos) >= 3
    assert right >= 0.9 * told
    assert abs(len(whose) - len(set.union(*whose.values()))) <= 1  # each fruit has one number
    assert len([file for file in written if file.suffix == ".jpg"]) == len(joined.photos)


def test_a_clip_wants_the_word(clip) -> None:
    said = CliRunner().invoke(count_command, [str(clip[0])])
    assert said.exit_code == 2
    assert "--same-limb" in said.output


def test_what_cannot_be_read_is_named(clip, tmp_path) -> None:
    """The name of the coding is the four letters in 'stsd' (ISO/IEC 14496-12, from memory)."""
    data = bytearray(clip[0].read_bytes())
    at = data.index(b"stsd") + 16
    data[at : at + 4] = b"zzzz"
    more = data.index(b"esds")
    data[more : more + 4] = b"free"
    other = tmp_path / "other.mov"
    other.write_bytes(data)
    with pytest.raises(PhotoUnreadableError, match="zzzz"):
        clip_photos(other)
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"no film")
    with pytest.raises(PhotoUnreadableError, match="cannot be opened"):
        clip_photos(broken)
    with pytest.raises(PhotoUnreadableError, match="cannot be opened"):
        clip_photos(tmp_path / "none.mp4")
    short = cv2.VideoWriter(str(tmp_path / "s.mp4"), cv2.VideoWriter_fourcc(*"mp4v"), 25, (64, 48))
    short.write(np.zeros((48, 64, 3), np.uint8))
    short.release()
    with pytest.raises(PhotoUnreadableError, match=r"s\.mp4: the clip shows one moment only"):
        clip_photos(tmp_path / "s.mp4")


def _index_first(data: bytes) -> bytes:
    """The same film with its index before its frames (ISO/IEC 14496-12, 8.7.5, from memory)."""
    boxes, at = {}, 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        boxes[data[at + 4 : at + 8]] = data[at : at + size]
        at += size
    index = bytearray(boxes.pop(b"moov"))
    moved = data.index(b"moov") - data.index(b"mdat") > 0
    places = index.index(b"stco") + 12
    for k in range(int.from_bytes(index[places - 4 : places], "big")):
        here = slice(places + 4 * k, places + 4 * k + 4)
        start = int.from_bytes(index[here], "big") + moved * len(index)
        index[here] = start.to_bytes(4, "big")
    return boxes.pop(b"ftyp") + bytes(index) + b"".join(boxes.values())


@pytest.mark.parametrize("kept", [0.3, 0.6, 0.85])
def test_a_cut_clip_is_refused(clip, tmp_path, kept) -> None:
    """What of it is there would be read as the whole limb."""
    data, cut = _index_first(clip[0].read_bytes()), tmp_path / "cut.mp4"
    cut.write_bytes(data)
    assert len(clip_photos(cut)) == FRAMES_N  # whole, the index first is no fault
    cut.write_bytes(data[: int(kept * len(data))])
    with pytest.raises(PhotoUnreadableError, match=r"cut\.mp4: .*cut short: about \d+ % of it"):
        clip_photos(cut)
