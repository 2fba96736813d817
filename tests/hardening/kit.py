"""Shared by the hardening tests: pictures, files and the command line."""

from __future__ import annotations

import io
import traceback
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image, ImageDraw, ImageFilter
from scipy.ndimage import gaussian_filter

from fruitcount.cli import main
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.types import Photo

CLASSICAL = ("--source", "classical")


def run(*arguments: object) -> Result:
    """Run a command in this process; a traceback fails the test."""
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        lines = traceback.format_exception(result.exception)
        raise AssertionError("the command broke:\n" + "".join(lines)[-4000:])
    assert "Traceback" not in result.output
    assert result.exit_code in (0, 1, 2)
    return result


def left_behind(folder: Path) -> list[str]:
    """Drafts and other partial files below a folder."""
    names = [p.relative_to(folder).as_posix() for p in folder.rglob("*")]
    return [n for n in names if ".part" in n or "draft" in n or "tmp" in Path(n).name]


@cache
def _limb() -> Any:
    photo, _ = draw_scene(21, SceneSettings(fruit_n=12))
    return photo.rgb


def limb_rgb() -> np.ndarray:
    """A drawn limb with a card and 12 fruit, 960 x 640."""
    return _limb().copy()


@cache
def _counted() -> Any:
    from fruitcount.pipeline import CountSettings, count_limb

    return count_limb(Photo(limb_rgb(), name="limb.jpg"), CountSettings(source="classical"))


def quick_count(photo: Photo, *_: object) -> Any:
    """In place of ``count_limb`` where not the count is tested but what becomes of it."""
    seen = replace(_counted().measurement, name=photo.name, sha256=photo.sha256)
    return replace(_counted(), measurement=seen)


def count_quickly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the files and the batch use :func:`quick_count` for the length of a test."""
    for module in ("fruitcount.jobs.count", "fruitcount.tree.photos"):
        monkeypatch.setattr(f"{module}.count_limb", quick_count)


def saved(picture: Any, kind: str = "JPEG", **how: Any) -> bytes:
    """A picture's bytes in a format."""
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    out = io.BytesIO()
    how = {"quality": 93, **how} if kind == "JPEG" else how
    image.save(out, kind, **how)
    return out.getvalue()


def _noise(seed: int, sigma: float) -> np.ndarray:
    rng = np.random.default_rng(seed)
    field = gaussian_filter(rng.normal(size=(640, 960)), sigma)
    return (field - field.min()) / (field.max() - field.min())


def _tinted(field: np.ndarray, low: tuple[int, ...], high: tuple[int, ...]) -> np.ndarray:
    ends = np.array(low), np.array(high)
    return (ends[0] + field[..., None] * (ends[1] - ends[0])).astype(np.uint8)


def _lawn() -> np.ndarray:
    rng = np.random.default_rng(5)
    image = Image.fromarray(_tinted(_noise(1, 2), (30, 60, 20), (110, 150, 60)))
    pen = ImageDraw.Draw(image)
    for _ in range(6000):
        x, y = rng.integers(0, 960), rng.integers(0, 640)
        tip = (x + rng.integers(-9, 10), y - rng.integers(8, 30))
        green = int(rng.integers(80, 190))
        pen.line([(x, y), tip], fill=(green // 2, green, green // 3), width=2)
    return np.asarray(image)


def _snow() -> np.ndarray:
    image = Image.fromarray(_tinted(_noise(2, 12), (215, 220, 228), (255, 255, 255)))
    pen = ImageDraw.Draw(image)
    pen.line([(20, 500), (900, 180)], fill=(70, 60, 55), width=18)
    rng = np.random.default_rng(6)
    for x, y in rng.integers(0, 640, (400, 2)):
        pen.ellipse([x * 1.5, y, x * 1.5 + 5, y + 5], fill="white")
    return np.asarray(image)


def _screenshot() -> np.ndarray:
    image = Image.new("RGB", (960, 640), "white")
    pen = ImageDraw.Draw(image)
    pen.rectangle([0, 0, 960, 60], fill=(40, 90, 180))
    for row in range(12):
        pen.text(
            (40, 90 + row * 40), "Meeting notes, page 3: nothing to see here " * 2, fill="black"
        )
        pen.rectangle([800, 90 + row * 40, 900, 110 + row * 40], fill=(60, 160, 90))
    return np.asarray(image)


def _drawing() -> np.ndarray:
    image = Image.new("RGB", (960, 640), (250, 248, 240))
    pen = ImageDraw.Draw(image)
    pen.line([(50, 330), (900, 300)], fill=(120, 80, 50), width=14)
    for k in range(9):
        x, y = 110 + k * 90, 350 + 12 * (k % 3)
        pen.ellipse([x - 18, y - 18, x + 18, y + 18], outline=(20, 90, 20), width=3)
    return np.asarray(image)


def _all_fruit() -> np.ndarray:
    rng = np.random.default_rng(8)
    image = Image.fromarray(_tinted(_noise(3, 4), (40, 70, 25), (80, 110, 45)))
    pen = ImageDraw.Draw(image)
    for k, (x, y) in enumerate(rng.uniform(0, 1, (420, 2)) * (960, 640)):
        r = 20 + k % 9
        pen.ellipse([x - r, y - r, x + r, y + r], fill=(110 + k % 40, 160 + k % 50, 70))
        pen.ellipse([x - r * 0.5, y - r * 0.6, x, y - r * 0.1], fill=(190, 225, 140))
    return np.asarray(image.filter(ImageFilter.GaussianBlur(0.8)))


def _without_fruit() -> np.ndarray:
    photo, _ = draw_scene(21, SceneSettings(fruit_n=0))
    return photo.rgb


def _night() -> np.ndarray:
    rng = np.random.default_rng(9)
    dark = limb_rgb() * 0.04 + rng.normal(0, 2.5, (640, 960, 3))
    return np.clip(dark, 0, 255).astype(np.uint8)


def _fog() -> np.ndarray:
    return (limb_rgb() * 0.06 + 200 * 0.94).astype(np.uint8)


def _blurred() -> np.ndarray:
    return np.asarray(Image.fromarray(limb_rgb()).filter(ImageFilter.GaussianBlur(14)))


def _shaken() -> np.ndarray:
    wide = limb_rgb().astype(float)
    return np.mean([np.roll(wide, k, axis=1) for k in range(0, 90)], axis=0).astype(np.uint8)


SCENES = {
    "lawn": _lawn,
    "snow": _snow,
    "screenshot": _screenshot,
    "drawing": _drawing,
    "all fruit": _all_fruit,
    "no fruit": _without_fruit,
    "night": _night,
    "fog": _fog,
    "blurred": _blurred,
    "shaken": _shaken,
    "black": lambda: np.zeros((640, 960, 3), np.uint8),
    "white": lambda: np.full((640, 960, 3), 255, np.uint8),
    "grey": lambda: np.full((640, 960, 3), 128, np.uint8),
}


@cache
def scene(name: str) -> bytes:
    """One of the scenes as a JPEG."""
    return saved(SCENES[name]())
