"""A short clip of a limb: the sharpest frames, spread over its length, as photos."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from fruitcount.errors import PhotoUnreadableError
from fruitcount.files import shown_name
from fruitcount.image.opencv import cv2
from fruitcount.image.photo import read_photo
from fruitcount.types import Photo

FRAMES_N = 5
LONGEST_S = 120.0
LEAST_READ_FRAC = 0.9
_LOOKS_A_SECOND = 8
_SMALL_PX = 480


def clip_photos(
    path: Path, progress: Callable[[int, int], None] | None = None, frames_n: int = FRAMES_N
) -> list[Photo]:
    """The clip's sharpest frames, the first and the last moment among those looked at.

    Parameters
    ----------
    path : Path
        MP4 or MOV, in a coding that OpenCV reads.
    progress : callable, optional
        Takes the frames read so far and how many there are.
    frames_n : int
        Frames at most. More join more views and take longer: each is measured like a photo.

    Raises
    ------
    PhotoUnreadableError
        When it cannot be opened or shows nothing, its coding named; or lasts over two minutes.
    """
    label = shown_name(path.name)
    best = list(_best_of_seconds(path, label, progress))
    groups = [
        best[k * len(best) // frames_n : (k + 1) * len(best) // frames_n] for k in range(frames_n)
    ]
    chosen = [max(group, key=lambda frame: frame[0]) for group in groups if group]
    if len(chosen) < 2:
        raise PhotoUnreadableError(label, "the clip shows one moment only: film for two seconds")
    return [read_photo(data, name=f"{label} at {at_s:.1f} s") for _, at_s, data in chosen]


def _best_of_seconds(
    path: Path, label: str, progress: Callable[[int, int], None] | None
) -> Iterator[tuple[float, float, bytes]]:
    """Sharpness, moment and JPEG of each half second's sharpest frame."""
    clip = cv2.VideoCapture(str(path.absolute()), cv2.CAP_FFMPEG) if path.is_file() else None
    if clip is None or not clip.isOpened():
        raise PhotoUnreadableError(label, f"the clip cannot be opened{_why(path)}")
    try:
        rate = clip.get(cv2.CAP_PROP_FPS)
        rate = rate if 1 <= rate <= 1000 else 30.0
        total, step = int(clip.get(cv2.CAP_PROP_FRAME_COUNT)), max(1, round(rate / _LOOKS_A_SECOND))
        best, span = (-1.0, 0.0, b""), max(1, round(rate / 2))
        number = -1
        while clip.grab():
            number += 1
            if number > LONGEST_S * rate:
                raise PhotoUnreadableError(label, f"the clip lasts over {LONGEST_S:.0f} s")
            if number % span == 0 and best[2]:
                yield best
                best = (-1.0, 0.0, b"")
            if number % step and number % span:
                continue
            good, frame = clip.retrieve()
            if good and (sharp := _sharpness(frame)) > best[0]:
                best = (sharp, number / rate, cv2.imencode(".jpg", frame)[1].tobytes())
            if progress:
                progress(min(number, total), total)
    finally:
        clip.release()
    if not best[2]:
        raise PhotoUnreadableError(label, f"the clip shows no picture{_why(path)}")
    if number + 1 < LEAST_READ_FRAC * total:
        missing = 100 * (1 - (number + 1) / total)
        raise PhotoUnreadableError(
            label, f"the clip is damaged or cut short: about {missing:.0f} % of it is missing"
        )
    yield best


def _sharpness(frame: Any) -> float:
    """Variance of the Laplacian of a small grey copy: blur lowers it."""
    small = cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY)
    zoom = _SMALL_PX / max(small.shape)
    small = cv2.resize(small, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_AREA)
    return float(cv2.Laplacian(small, cv2.CV_32F).var())


def _why(path: Path) -> str:
    """What may be wrong with a clip, with its coding as its sample descriptions name it."""
    try:
        data = path.read_bytes()
    except OSError as fault:
        return f": {fault.strerror}"
    at = data.find(b"stsd")
    while at >= 0:
        name = data[at + 16 : at + 20].decode("latin-1")
        if name.isalnum() and name not in ("mp4a", "sowt", "text", "mebx"):
            return f": it is cut short, or nothing here reads its coding, {name}"
        at = data.find(b"stsd", at + 4)
    return ": it is cut short or no film; copy it from the camera again"
