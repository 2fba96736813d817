"""Pictures that are no limb photo, and cards that are missing, doubled, torn or mirrored."""

from __future__ import annotations

import numpy as np
import pytest
from hardening.kit import SCENES, limb_rgb, saved, scene
from PIL import Image

from fruitcount.export.words import result_lines
from fruitcount.flags import Flag
from fruitcount.image.card import find_card
from fruitcount.image.photo import read_photo
from fruitcount.pipeline import CountSettings, Result, count_limb
from fruitcount.types import Photo

BOX = (40, 20, 210, 190)  # left, top, right, bottom of the drawn card with its white edge
F = Flag
# at least one of these is named for each; what the picture is of is not known to the program
NAMED = {
    "lawn": F.COUNT_UNKNOWN | F.MANY_DOUBTFUL,
    "snow": F.COUNT_UNKNOWN | F.PHOTO_BRIGHT,
    "screenshot": F.COUNT_UNKNOWN | F.PHOTO_BRIGHT,
    "drawing": F.PHOTO_BRIGHT | F.COUNT_UNKNOWN | F.NO_SCALE,
    "all fruit": F.MANY_DOUBTFUL | F.LIMB_NOT_FOUND,
    "no fruit": F.NO_FRUIT_SEEN | F.COUNT_UNKNOWN | F.MANY_DOUBTFUL,
    "night": F.COUNT_UNKNOWN | F.PHOTO_DARK,
}


@pytest.mark.parametrize("source", ["classical", "trained"])
@pytest.mark.parametrize("name", NAMED)
def test_what_is_no_limb_photo_gets_named_doubts_and_no_plan(name: str, source: str) -> None:
    if source == "trained" and name in ("snow", "screenshot", "night"):
        pytest.skip("as with the classical source: the photo's own quality decides")
    result = count_limb(read_photo(scene(name), name=name), CountSettings(source=source))
    assert result.measurement.flags & NAMED[name], result.measurement.flags
    assert result.decision.plan.verdict != "thin"
    assert not result.decision.load.known or name == "no fruit"
    assert "\n".join(result_lines(result))


def test_every_scene_is_used() -> None:
    assert set(NAMED) < set(SCENES)


def _count(rgb: np.ndarray) -> Result:
    return count_limb(Photo(rgb), CountSettings(source="classical"))


def _without_card() -> np.ndarray:
    rgb = limb_rgb()
    left, top, right, bottom = BOX
    rgb[top:bottom, left:right] = rgb[top:bottom, right : 2 * right - left]
    return rgb


def _card(size: int = 0) -> np.ndarray:
    left, top, right, bottom = BOX
    card = Image.fromarray(limb_rgb()[top:bottom, left:right])
    return np.asarray(card.resize((size, size)) if size else card)


def test_absent() -> None:
    result = _count(_without_card())
    assert F.NO_SCALE in result.measurement.flags
    assert len(result.measurement.fruitlets)
    assert result.decision.plan.verdict == "cannot tell"
    assert not np.isfinite(result.measurement.fruitlets.diameter_mm).any()


@pytest.mark.parametrize(("size", "agree"), [(170, True), (110, False)])
def test_two(size: int, agree: bool) -> None:
    rgb = limb_rgb()
    rgb[440 : 440 + size, 700 : 700 + size] = _card(size)
    scale = find_card(Photo(rgb))
    assert scale.known
    assert (F.CARDS_DISAGREE in scale.flags) != agree


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("side", ["left", "top"])
def test_torn(share: float, side: str) -> None:
    """A part of the card is gone: the scale is not told, or right within 5 %, or in doubt."""
    rgb = limb_rgb()
    whole = find_card(Photo(rgb)).px_per_mm
    left, top, right, bottom = BOX
    width, height = round((right - left) * share), round((bottom - top) * share)
    torn = (
        rgb[top:bottom, left : left + width]
        if side == "left"
        else rgb[top : top + height, left:right]
    )
    torn[:] = (96, 118, 74)
    scale = find_card(Photo(rgb))
    doubt = F.NO_SCALE | F.CARD_PARTLY_HIDDEN
    assert scale.flags & doubt or scale.px_per_mm == pytest.approx(whole, rel=0.05)


@pytest.mark.parametrize("axis", [0, 1])
def test_mirrored(axis: int) -> None:
    """A mirrored photo (a front camera's): no card is read into it, and nothing breaks."""
    rgb = np.ascontiguousarray(np.flip(limb_rgb(), axis))
    result = _count(rgb)
    assert F.NO_SCALE in result.measurement.flags
    assert result.decision.plan.verdict == "cannot tell"


def test_a_card_shown_on_a_screen_of_another_size_is_not_caught() -> None:
    """A card photographed off a screen or printed at 80 % gives a wrong scale: only sizes out of
    range show it. The check line on the sheet is there for that."""
    rgb = limb_rgb()
    left, top, right, bottom = BOX
    small = np.asarray(Image.fromarray(_card()).resize((60, 60)))
    rgb[top:bottom, left:right] = (96, 118, 74)
    rgb[top + 20 : top + 80, left + 20 : left + 80] = small
    seen = _count(rgb).measurement
    assert seen.flags & (F.SIZES_OUT_OF_RANGE | F.CARD_SMALL | F.NO_SCALE)


def test_a_limb_that_is_cut_off_or_missing_is_named() -> None:
    gone = read_photo(saved(np.full((640, 960, 3), (110, 140, 80), np.uint8)))
    assert count_limb(gone, CountSettings(source="classical")).measurement.flags & F.LIMB_NOT_FOUND
