"""What the QR code on a scale card says: the tree and the limb, as text and back.

QR is an open standard (ISO/IEC 18004). The text is ``fruitcount:TREE`` or
``fruitcount:TREE/LIMB``, each name URL-encoded (as in web forms): plain ASCII for every decoder,
and short, so that the code's cells stay large.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any
from urllib.parse import quote_plus, unquote_plus

import numpy as np

from fruitcount.errors import BadInputError
from fruitcount.image.opencv import cv2
from fruitcount.tree.assignment import Assigned
from fruitcount.types import Pixels, Scale

# Where the code lies beside the black square, in sixths of that square's side, from the square's
# top left corner. Larger gaps make a larger card; the standard asks for a white edge of 4 cells
# of the code (here at most 4 x 5.4 / 21 = 1.03).
CODE_LEFT, CODE_TOP, CODE_SIDE = 7.3, 0.3, 5.4
# The card's outline in the same measure: left, top, right, bottom.
PIECE = (-1.0, -1.0, 14.0, 7.0)

_PREFIX = "fruitcount:"
_LONGEST = 60
"""Letters in a name. More would need smaller cells than a photo shows."""


def code_text(tree: str, limb: str = "") -> str:
    """The text of a card's code.

    Parameters
    ----------
    tree, limb : str
        At most 60 letters each, all printable. An empty limb makes a card for the whole tree.

    Raises
    ------
    BadInputError
        When a name cannot be on a card.
    """
    for what, name in (("tree", tree), ("limb", limb)):
        if not _fits(name) or (what == "tree" and not name):
            raise BadInputError(
                f"{what} must have 1 to {_LONGEST} printable letters on a card, got {name!r}"
            )
    parts = [tree, limb] if limb else [tree]
    return _PREFIX + "/".join(quote_plus(part) for part in parts)


def place_by_code(text: str) -> Assigned | None:
    """Tree and limb from a code's text; None when it is not a card of this program.

    Anyone can print a code: its text is only ever taken as two short printable names. What does
    not fit (control letters, longer names, more parts) is no card of ours.
    """
    if not text.startswith(_PREFIX) or len(text) > len(_PREFIX) + 2 * 12 * _LONGEST:
        return None
    try:
        names = [unquote_plus(part, errors="strict") for part in text[len(_PREFIX) :].split("/")]
    except UnicodeDecodeError:
        return None
    if len(names) > 2 or not names[0] or not all(_fits(name) for name in names):
        return None
    return Assigned(*names)


def _fits(name: str) -> bool:
    return len(name) <= _LONGEST and name.isprintable() and name == name.strip()


_PX_PER_CELL = 48  # of the square's sixths: 8 px for each of 33 cells of a code
_MARGIN = 0.9  # sixths of white around the code that are looked at too
_WHOLE_LONG_SIDE_PX = 1600
# Correlation with the three corner marks from which on a code is there, and from which on it is
# worth trying. Measured: the bundled samples, which have none, at most 0.30; drawn codes that can
# be read 0.69 and more, those just too blurred 0.41 and more.
_LOOKS_LIKE, _WORTH_A_TRY = 0.40, 0.35
_CELLS_ACROSS = (21, 25, 29, 33, 37, 41)  # versions 1 to 6 of the standard


@dataclass(frozen=True)
class CodeRead:
    """What was read.

    Attributes
    ----------
    place : Assigned
        Empty without a code.
    unread : bool
        There is a code on the card and it could not be read, or several say different things.
    """

    place: Assigned = field(default_factory=Assigned)
    unread: bool = False


def read_card_code(photo_rgb: Pixels, scale: Scale) -> CodeRead:
    """Tree and limb from the code on the scale card.

    Parameters
    ----------
    photo_rgb : uint8 array, shape (rows, columns, 3)
    scale : Scale
        With the card's corners the code is looked for beside the card; else in the whole
        picture, made smaller.
    """
    grey = np.asarray(cv2.cvtColor(photo_rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    if scale.source == "card" and len(scale.corners_px) == 4:
        return _beside_card(grey, scale)
    factor = min(1.0, _WHOLE_LONG_SIDE_PX / max(grey.shape))
    size = (max(1, round(grey.shape[1] * factor)), max(1, round(grey.shape[0] * factor)))
    small = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), np.uint8)
    return _one_place(_texts(small))


def _beside_card(grey: Pixels, scale: Scale) -> CodeRead:
    straight = _straight(grey, scale)
    likeness = _likeness(straight)
    if likeness < _WORTH_A_TRY:
        return CodeRead()
    for picture in _clearer(straight):
        texts = _texts(picture)
        if texts:  # somebody else's code is read too, and says nothing of the tree
            return _one_place(texts)
    return CodeRead(unread=likeness >= _LOOKS_LIKE)


def _straight(grey: Pixels, scale: Scale) -> Pixels:
    """The code's place seen straight on."""
    square = np.array([[0, 0], [6, 0], [6, 6], [0, 6]], np.float32)
    corner = np.array([CODE_LEFT - _MARGIN, CODE_TOP - _MARGIN], np.float32)
    target = ((square - corner) * _PX_PER_CELL - 0.5).astype(np.float32)
    turn = cv2.getPerspectiveTransform(scale.corners_px.astype(np.float32), target)
    side = round((CODE_SIDE + 2 * _MARGIN) * _PX_PER_CELL)
    out = cv2.warpPerspective(
        grey, turn, (side, side), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(out, np.uint8)


def _clearer(picture: Pixels) -> Iterator[Pixels]:
    """The picture as it is, sharpened, and in black and white: each reads some that others miss."""
    yield picture
    soft = cv2.GaussianBlur(picture, (0, 0), _PX_PER_CELL / 8)
    sharp = np.asarray(cv2.addWeighted(picture, 2.5, soft, -1.5, 0), np.uint8)
    yield sharp
    yield np.asarray(cv2.threshold(sharp, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)[1], np.uint8)


def _texts(picture: Pixels) -> list[str]:
    """Texts of all codes; a decoder that stumbles over a picture has read nothing."""
    makers: tuple[Callable[[], Any], ...] = (cv2.QRCodeDetector, cv2.QRCodeDetectorAruco)
    for make in makers:
        try:
            found, texts, *_ = make().detectAndDecodeMulti(picture)
        except (cv2.error, UnicodeDecodeError):
            continue
        if found and any(texts):
            return [text for text in texts if text]
    return []


def _one_place(texts: list[str]) -> CodeRead:
    places = {place for text in texts if (place := place_by_code(text)) is not None}
    if len(places) > 1:
        return CodeRead(unread=True)
    return CodeRead(places.pop()) if places else CodeRead()


def _likeness(straight: Pixels) -> float:
    """Highest correlation with the three corner marks that every code has, -1 to 1."""
    # a quarter of the resolution is enough, and steadier on blurred ones
    coarse = cv2.resize(straight, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    best = -1.0
    for cells in _CELLS_ACROSS:
        marks, where = _corner_marks(cells)
        match = cv2.matchTemplate(coarse, marks, cv2.TM_CCOEFF_NORMED, mask=where)
        best = max(best, float(np.max(match[np.isfinite(match)], initial=-1.0)))
    return best


@cache
def _corner_marks(cells: int) -> tuple[Pixels, Pixels]:
    """The three marks of the standard with their white edge, and where they are."""
    mark = np.full((8, 8), 255, np.uint8)
    mark[:7, :7] = 0
    mark[1:6, 1:6] = 255
    mark[2:5, 2:5] = 0
    marks, where = np.full((cells, cells), 255, np.uint8), np.zeros((cells, cells), np.uint8)
    marks[:8, :8], marks[:8, -8:], marks[-8:, :8] = mark, mark[:, ::-1], mark[::-1]
    where[:8, :8] = where[:8, -8:] = where[-8:, :8] = 255
    side = round(CODE_SIDE * _PX_PER_CELL / 4)
    fine = [cv2.resize(x, (4 * side, 4 * side), interpolation=cv2.INTER_NEAREST)
            for x in (marks, where)]  # fmt: skip
    small = [cv2.resize(x, (side, side), interpolation=cv2.INTER_AREA) for x in fine]
    return np.asarray(small[0], np.uint8), np.asarray(small[1], np.uint8)
