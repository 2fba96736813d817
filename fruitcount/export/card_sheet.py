"""The sheet of scale cards, as a vector PDF at exact size.

Vector, because a raster picture is resampled by printers; each row of black cells is drawn as
merged rectangles, because neighbouring single cells leave hairlines between them.
"""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import segno
from numpy.typing import NDArray
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import inch, mm
from reportlab.pdfgen.canvas import Canvas

from fruitcount.checks import one_of
from fruitcount.export.card_layout import CELLS, MARGIN_MM, Card, CardPlace, card_places
from fruitcount.export.letters import draw_words, usual_fonts, words_width
from fruitcount.image.opencv import cv2
from fruitcount.image.pattern import PATTERN_NAME, card_pattern
from fruitcount.tree.card_code import CODE_LEFT, CODE_SIDE, CODE_TOP, code_text

__all__ = ["PAPERS", "SHEET_IDS", "write_card_sheet"]

PAPERS: dict[str, tuple[float, float]] = {"a4": A4, "letter": LETTER}

# One 80 mm, one 60, one 50, two 40 and four 30 mm cards: one page of either paper.
SHEET_IDS = (40, 30, 20, 10, 11, 0, 1, 2, 3)

_GREY = 0.45


def write_card_sheet(
    target: str | os.PathLike[str] | io.BytesIO,
    *,
    paper: str = "a4",
    ids: Sequence[int] = SHEET_IDS,
    cards: Sequence[Card] = (),
) -> None:
    """Write the sheet.

    Parameters
    ----------
    target : path or binary file
        Where the PDF goes.
    paper : {"a4", "letter"}
    ids : sequence of int
        Card numbers; each number's size comes from the table in ``image/card.py``. Cards flow
        in rows, and over to further pages.
    cards : sequence of Card
        Cards of trees and limbs, in place of ``ids``; see :func:`tree_cards`.

    Raises
    ------
    BadInputError
        When the paper is unknown, a number has no card or repeats, or a card is too large.
    """
    one_of("paper", paper, tuple(PAPERS))
    size = PAPERS[paper]
    pages = card_places(size[0] / mm, size[1] / mm, cards or [Card(k) for k in ids])
    out = target if isinstance(target, io.BytesIO) else str(Path(target))
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1)
    canvas.setTitle("fruitcount scale cards")
    canvas.setSubject("Print at 100 %, no fit to page")
    for number, places in enumerate(pages):
        _head(canvas, size, coded=any(place.card.tree for place in places))
        for place in places:
            _card(canvas, size[1], place)
        if number == 0:
            _check_lines(canvas)
        canvas.showPage()
    canvas.save()


def _cells(card_id: int) -> NDArray[np.bool_]:
    """The 6 x 6 black cells of a card, from the library's own pattern at one pixel a cell."""
    dictionary = card_pattern()
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, card_id, CELLS)) < 128


def _code_cells(card: Card) -> NDArray[np.bool_]:
    """The black cells of a card's QR code, without its white edge."""
    # "m" mends 15 % of the code; more would need smaller cells, and blur is what spoils a photo
    code = segno.make(code_text(card.tree, card.limb), error="m", micro=False, boost_error=False)
    return np.array([list(row) for row in code.matrix], dtype=bool)


def _rectangles(black: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Cover the black cells with rectangles (row, column, rows, columns), as tall as they go."""
    left = black.copy()
    height, width = black.shape
    out = []
    for row in range(height):
        column = 0
        while column < width:
            if not left[row, column]:
                column += 1
                continue
            end = column
            while end < width and left[row, end]:
                end += 1
            bottom = row + 1
            while bottom < height and left[bottom, column:end].all():
                bottom += 1
            left[row:bottom, column:end] = False
            out.append((row, column, bottom - row, end - column))
            column = end
    return out


def _fill(
    canvas: Canvas, black: NDArray[np.bool_], corner: tuple[float, float], cell: float
) -> None:
    """Draw black cells from a top left corner, all in points."""
    # One path filled once: overlaps and shared edges then leave no hairline in any viewer.
    path = canvas.beginPath()
    for row, column, rows, columns in _rectangles(black):
        low = corner[1] - (row + rows) * cell
        path.rect(corner[0] + column * cell, low, columns * cell, rows * cell)
    canvas.drawPath(path, stroke=0, fill=1)


def _card(canvas: Canvas, page_height: float, place: CardPlace) -> None:
    cell = place.side_mm / CELLS * mm
    x, y = place.left_mm * mm, page_height - place.top_mm * mm
    canvas.setFillGray(0)
    _fill(canvas, _cells(place.card_id), (x, y), cell)
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
    label, font = f"black square {place.side_mm:g} mm - card {place.card_id}", "Helvetica"
    if place.card.tree:
        name = " / ".join(filter(None, (place.card.tree, place.card.limb)))
        label, font = f"{name}   ({label})", usual_fonts()[0]
    size = 8.0 if place.card.tree else 6.5
    size = min(size, size * (box[2] - 2.4 * mm) / words_width(label, font, size))
    draw_words(canvas, (box[0] + 1.2 * mm, box[1] + 0.9 * mm), label, font, size)


def _head(canvas: Canvas, size: tuple[float, float], *, coded: bool) -> None:
    height = size[1]
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", 15)
    canvas.drawString(MARGIN_MM * mm, height - 12 * mm, "Scale cards for limb photographs")
    canvas.setFont("Helvetica-Bold", 10.5)
    canvas.drawString(MARGIN_MM * mm, height - 18 * mm, "Print at 100 %, no fit to page.")
    canvas.setFont("Helvetica", 9)
    lines = (
        "Check the two lines at the foot with a ruler. Cut along the dashed lines: keep the white"
        " rim. Glue flat on stiff board.",
        "Hold one card against the limb, facing the camera, no leaf over it. From 0.5 m use 40 or"
        " 50 mm, from 1 m or more 60 or 80 mm.",
        "The number on a card tells the program its size, so do not enlarge or shrink the sheet."
        + (" The code tells it the tree." if coded else ""),
    )
    for k, line in enumerate(lines):
        canvas.drawString(MARGIN_MM * mm, height - (23 + 4 * k) * mm, line)


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
        canvas.setFont("Helvetica", 9)
        canvas.drawString(left + length + 4 * mm, y - 1 * mm, text)
    canvas.setFont("Helvetica", 7)
    canvas.setFillGray(_GREY)
    foot = (
        f"Markers: ArUco {PATTERN_NAME}, an open pattern. Sizes are between the outer black edges."
    )
    canvas.drawString(MARGIN_MM * mm, 4.5 * mm, foot)
