"""The sheet of scale cards, as a vector PDF at exact size.

Vector, because a raster picture is resampled by printers; the black cells of a card are one path,
filled once, because cells filled one by one leave hairlines between them.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import segno
from reportlab.lib.units import inch, mm
from reportlab.pdfgen.canvas import Canvas

from fruitcount.errors import BadInputError, one_of
from fruitcount.export.letters import draw_words, usual_fonts, words_width
from fruitcount.export.report_page import PAPERS
from fruitcount.files import written_whole
from fruitcount.image.card import CARD_SIDES_MM, card_side_mm
from fruitcount.image.opencv import PATTERN_NAME, card_pattern, cv2
from fruitcount.tree.card_code import CODE_LEFT, CODE_SIDE, CODE_TOP, PIECE, code_text
from fruitcount.types import BoolArray

CELLS = 6  # four cells of number and one of black rim on either side
MARGIN_MM = 8.0

_GREY = 0.45


@dataclass(frozen=True)
class Card:
    """One card of the sheet.

    Attributes
    ----------
    card_id : int
        Tells the card's size; see ``image/card.py``.
    tree, limb : str
        Put beside the black square as a QR code and in letters; a card without a tree has none.
    """

    card_id: int
    tree: str = ""
    limb: str = ""

    @property
    def side_mm(self) -> float:
        """Side of the black square."""
        return card_side_mm(self.card_id)

    @property
    def size_mm(self) -> tuple[float, float]:
        """Of the cut piece: a white rim of one cell all round, which the detector needs."""
        left, top, right, bottom = self.outline
        return (right - left) * self.side_mm / CELLS, (bottom - top) * self.side_mm / CELLS

    @property
    def outline(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom in sixths of the black square, from its top left corner."""
        return PIECE if self.tree else (-1.0, -1.0, 7.0, 7.0)


# One 80 mm, one 60, one 50, two 40 and four 30 mm cards: one page of either paper.
SHEET = tuple(Card(number) for number in (40, 30, 20, 10, 11, 0, 1, 2, 3))


@dataclass(frozen=True)
class CardPlace:
    """Where one card lies on the page.

    Attributes
    ----------
    card : Card
    left_mm, top_mm : float
        Corner of its black square, from the page's left and top edges.
    """

    card: Card
    left_mm: float
    top_mm: float


def tree_cards(tree: str, limbs: Sequence[str] = (), *, side_mm: float | None = None) -> list[Card]:
    """Cards that name a tree, or its limbs.

    Parameters
    ----------
    tree : str
    limbs : sequence of str
        One card each; none makes cards for the whole tree.
    side_mm : {30, 40, 50, 60}, optional
        One size for all. Default 60, 50 and 40 for one name, 50 for several.

    Raises
    ------
    BadInputError
        When a name cannot be on a card, or there is no card of that size.
    """
    first = {side: ids[0] for ids, side in CARD_SIDES_MM.items() if side < 80}  # with a code
    if side_mm is not None:
        one_of("side_mm", f"{side_mm:g}", tuple(f"{side:g}" for side in first))
    sides = [side_mm] if side_mm is not None else [60.0, 50.0, 40.0] if len(limbs) < 2 else [50.0]
    out = [Card(first[side], tree, limb) for limb in (limbs or [""]) for side in sides]
    for card in out:
        code_text(card.tree, card.limb)
    return out


def card_places(width_mm: float, height_mm: float, cards: Sequence[Card]) -> list[list[CardPlace]]:
    """Lay the cards out in rows, page by page; see :func:`write_card_sheet`."""
    if len(set(cards)) != len(cards):
        raise BadInputError(f"a limb must not be named twice, got {[c.limb for c in cards]}")
    margin, gap, head, foot = MARGIN_MM, 2.0, 35.0, 26.0
    pages: list[list[CardPlace]] = [[]]
    left, top, row_height = margin, head, 0.0
    for card in cards:
        wide, tall = card.size_mm
        if left + wide > width_mm - margin + 1e-6:
            left, top, row_height = margin, top + row_height + gap, 0.0
        if top + tall > height_mm - (foot if len(pages) == 1 else margin) and pages[-1]:
            pages.append([])
            left, top, row_height = margin, head, 0.0
        rim = card.side_mm / CELLS
        pages[-1].append(CardPlace(card, left + rim, top + rim))
        left += wide + gap
        row_height = max(row_height, tall)
    return pages


def write_card_sheet(
    target: str | os.PathLike[str], *, paper: str = "a4", cards: Sequence[Card] = SHEET
) -> None:
    """Write the sheet.

    Parameters
    ----------
    target : path
        Where the PDF goes, whole or not at all.
    paper : {"a4", "letter"}
    cards : sequence of Card
        In rows, and over to further pages; cards of trees and limbs by :func:`tree_cards`.

    Raises
    ------
    BadInputError
        When the paper is unknown or a card repeats.
    NotWrittenError
        When it cannot be written.
    """
    one_of("paper", paper, tuple(PAPERS))
    size = PAPERS[paper]
    pages = card_places(size[0] / mm, size[1] / mm, cards)
    canvas = Canvas("", pagesize=size, invariant=1, pageCompression=1)
    canvas.setTitle("fruitcount scale cards")
    canvas.setSubject("Print at 100 %, no fit to page")
    for number, places in enumerate(pages):
        _head(canvas, size, coded=any(place.card.tree for place in places))
        for place in places:
            _card(canvas, size[1], place)
        if number == 0:
            _check_lines(canvas)
        canvas.showPage()
    path = Path(target)
    with written_whole(path.parent) as draft:
        (draft / path.name).write_bytes(canvas.getpdfdata())


def _cells(card_id: int) -> BoolArray:
    """The 6 x 6 black cells of a card, from the library's own pattern at one pixel a cell."""
    dictionary = card_pattern()
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, card_id, CELLS)) < 128


def _code_cells(card: Card) -> BoolArray:
    """The black cells of a card's QR code, without its white edge."""
    # "m" mends 15 % of the code; more would need smaller cells, and blur is what spoils a photo
    code = segno.make(code_text(card.tree, card.limb), error="m", micro=False, boost_error=False)
    return np.array([list(row) for row in code.matrix], dtype=bool)


def _fill(canvas: Canvas, black: BoolArray, corner: tuple[float, float], cell: float) -> None:
    """Draw black cells from a top left corner, all in points."""
    # One path filled once: shared edges then leave no hairline in any viewer.
    path = canvas.beginPath()
    for row, column in np.argwhere(black).tolist():
        path.rect(corner[0] + column * cell, corner[1] - (row + 1) * cell, cell, cell)
    canvas.drawPath(path, stroke=0, fill=1)


def _card(canvas: Canvas, page_height: float, place: CardPlace) -> None:
    cell = place.card.side_mm / CELLS * mm
    x, y = place.left_mm * mm, page_height - place.top_mm * mm
    canvas.setFillGray(0)
    _fill(canvas, _cells(place.card.card_id), (x, y), cell)
    if place.card.tree:
        code = _code_cells(place.card)
        corner = (x + CODE_LEFT * cell, y - CODE_TOP * cell)
        _fill(canvas, code, corner, CODE_SIDE * cell / len(code))
    left, top, right, bottom = place.card.outline
    canvas.setStrokeGray(_GREY)
    canvas.setLineWidth(0.4)
    canvas.setDash(3, 2)
    box = (x + left * cell, y - bottom * cell, (right - left) * cell, (bottom - top) * cell)
    canvas.rect(*box, stroke=1, fill=0)
    canvas.setDash()
    canvas.setFillGray(_GREY)
    label, font = f"black square {place.card.side_mm:g} mm - card {place.card.card_id}", "Helvetica"
    if place.card.tree:
        name = " / ".join(filter(None, (place.card.tree, place.card.limb)))
        label, font = f"{name}   ({label})", usual_fonts()[0]
    size = 8.0 if place.card.tree else 6.5
    size = min(size, size * (box[2] - 2.4 * mm) / words_width(label, font, size))
    draw_words(canvas, (box[0] + 1.2 * mm, box[1] + 0.9 * mm), label, font, size)


def _head(canvas: Canvas, size: tuple[float, float], *, coded: bool) -> None:
    height = size[1]
    canvas.setFillGray(0)
    left, bold = MARGIN_MM * mm, "Helvetica-Bold"
    draw_words(canvas, (left, height - 12 * mm), "Scale cards for limb photographs", bold, 15)
    draw_words(canvas, (left, height - 18 * mm), "Print at 100 %, no fit to page.", bold, 10.5)
    lines = (
        "Check the two lines at the foot with a ruler. Cut along the dashed lines: keep the white"
        " rim. Glue flat on stiff board.",
        "Hold one card against the limb, facing the camera, no leaf over it. From 0.5 m use 40 or"
        " 50 mm, from 1 m or more 60 or 80 mm.",
        "The number on a card tells the program its size, so do not enlarge or shrink the sheet."
        + (" The code tells it the tree." if coded else ""),
    )
    for k, line in enumerate(lines):
        draw_words(canvas, (left, height - (23 + 4 * k) * mm), line, "Helvetica", 9)


def _check_lines(canvas: Canvas) -> None:
    base = 19 * mm
    for y, length, text, step, count in (
        (base, 100 * mm, "this line is 100 mm long", 10 * mm, 10),
        (base - 8.5 * mm, 4 * inch, "this line is 4 in long", inch, 4),
    ):
        left = MARGIN_MM * mm
        canvas.setStrokeGray(0)
        canvas.setLineWidth(0.8)
        canvas.line(left, y, left + length, y)
        for k in range(count + 1):
            tall = 3 * mm if k in (0, count) else 1.5 * mm
            canvas.line(left + k * step, y - tall / 2, left + k * step, y + tall / 2)
        canvas.setFillGray(0)
        draw_words(canvas, (left + length + 4 * mm, y - 1 * mm), text, "Helvetica", 9)
    canvas.setFillGray(_GREY)
    foot = (
        f"Markers: ArUco {PATTERN_NAME}, an open pattern. Sizes are between the outer black edges."
    )
    draw_words(canvas, (MARGIN_MM * mm, 4.5 * mm), foot, "Helvetica", 7)
