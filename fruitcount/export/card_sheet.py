"""The sheet of scale cards, as a vector PDF at exact size.

Vector, because a raster picture is resampled by printers; each row of black cells is drawn as
merged rectangles, because neighbouring single cells leave hairlines between them.
"""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import inch, mm
from reportlab.pdfgen.canvas import Canvas

from fruitcount.checks import one_of
from fruitcount.errors import BadInputError
from fruitcount.image.card import card_side_mm
from fruitcount.image.opencv import cv2

__all__ = ["PAPERS", "SHEET_IDS", "CardPlace", "card_places", "write_card_sheet"]

PAPERS: dict[str, tuple[float, float]] = {"a4": A4, "letter": LETTER}

# One 80 mm, one 60, one 50, two 40 and four 30 mm cards: one page of either paper.
SHEET_IDS = (40, 30, 20, 10, 11, 0, 1, 2, 3)

_CELLS = 6  # four cells of number and one of black rim on either side
_GREY = 0.45
_MARGIN_MM = 8.0


@dataclass(frozen=True)
class CardPlace:
    """Where one card lies on the page.

    Attributes
    ----------
    card_id : int
    side_mm : float
        Side of the black square.
    left_mm, top_mm : float
        Its corner, from the page's left and top edges.
    """

    card_id: int
    side_mm: float
    left_mm: float
    top_mm: float


def write_card_sheet(
    target: str | os.PathLike[str] | io.BytesIO,
    *,
    paper: str = "a4",
    ids: Sequence[int] = SHEET_IDS,
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

    Raises
    ------
    BadInputError
        When the paper is unknown, or a number has no card or repeats.
    """
    one_of("paper", paper, tuple(PAPERS))
    size = PAPERS[paper]
    pages = card_places(size[0] / mm, size[1] / mm, ids)
    out = target if isinstance(target, io.BytesIO) else str(Path(target))
    canvas = Canvas(out, pagesize=size, invariant=1, pageCompression=1)
    canvas.setTitle("fruitcount scale cards")
    canvas.setSubject("Print at 100 %, no fit to page")
    for number, places in enumerate(pages):
        _head(canvas, size)
        for place in places:
            _card(canvas, size[1], place)
        if number == 0:
            _check_lines(canvas)
        canvas.showPage()
    canvas.save()


def card_places(
    width_mm: float, height_mm: float, ids: Sequence[int] = SHEET_IDS
) -> list[list[CardPlace]]:
    """Lay the cards out in rows, page by page; see :func:`write_card_sheet`."""
    if not ids:
        raise BadInputError("ids must name at least one card")
    if len(set(ids)) != len(ids):
        raise BadInputError(f"ids must not repeat a card number, got {list(ids)}")
    margin, gap, head, foot = _MARGIN_MM, 2.0, 35.0, 26.0
    pages: list[list[CardPlace]] = [[]]
    left, top, row_height = margin, head, 0.0
    for card_id in ids:
        side = card_side_mm(card_id)
        if not np.isfinite(side):
            raise BadInputError(f"ids must be card numbers from 0 to 49, got {card_id!r}")
        outer = _outer_mm(side)
        if left + outer > width_mm - margin + 1e-6:
            left, top, row_height = margin, top + row_height + gap, 0.0
        if top + outer > height_mm - (foot if len(pages) == 1 else margin) and pages[-1]:
            pages.append([])
            left, top, row_height = margin, head, 0.0
        rim = side / _CELLS
        pages[-1].append(CardPlace(card_id, side, left + rim, top + rim))
        left += outer + gap
        row_height = max(row_height, outer)
    return pages


def _outer_mm(side_mm: float) -> float:
    """Size of the cut piece: a white rim of one cell all round, which the detector needs."""
    return side_mm * (_CELLS + 2) / _CELLS


def _cells(card_id: int) -> NDArray[np.bool_]:
    """The 6 x 6 black cells of a card, from the library's own pattern at one pixel a cell."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, card_id, _CELLS)) < 128


def _rectangles(black: NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Cover the black cells with rectangles (row, column, rows, columns), as tall as they go."""
    left = black.copy()
    out = []
    for row in range(_CELLS):
        column = 0
        while column < _CELLS:
            if not left[row, column]:
                column += 1
                continue
            end = column
            while end < _CELLS and left[row, end]:
                end += 1
            bottom = row + 1
            while bottom < _CELLS and left[bottom, column:end].all():
                bottom += 1
            left[row:bottom, column:end] = False
            out.append((row, column, bottom - row, end - column))
            column = end
    return out


def _card(canvas: Canvas, page_height: float, place: CardPlace) -> None:
    cell = place.side_mm / _CELLS * mm
    left = place.left_mm * mm
    top = page_height - place.top_mm * mm
    canvas.setFillGray(0)
    # One path filled once: overlaps and shared edges then leave no hairline in any viewer.
    path = canvas.beginPath()
    for row, column, rows, columns in _rectangles(_cells(place.card_id)):
        low = top - (row + rows) * cell
        path.rect(left + column * cell, low, columns * cell, rows * cell)
    canvas.drawPath(path, stroke=0, fill=1)
    outer = _outer_mm(place.side_mm) * mm
    canvas.setStrokeGray(_GREY)
    canvas.setLineWidth(0.4)
    canvas.setDash(3, 2)
    canvas.rect(left - cell, top - 7 * cell, outer, outer, stroke=1, fill=0)
    canvas.setDash()
    canvas.setFillGray(_GREY)
    canvas.setFont("Helvetica", 6.5)
    label = f"black square {place.side_mm:g} mm - card {place.card_id}"
    canvas.drawString(left - cell + 1.2 * mm, top - 7 * cell + 0.9 * mm, label)


def _head(canvas: Canvas, size: tuple[float, float]) -> None:
    height = size[1]
    canvas.setFillGray(0)
    canvas.setFont("Helvetica-Bold", 15)
    canvas.drawString(_MARGIN_MM * mm, height - 12 * mm, "Scale cards for limb photographs")
    canvas.setFont("Helvetica-Bold", 10.5)
    canvas.drawString(_MARGIN_MM * mm, height - 18 * mm, "Print at 100 %, no fit to page.")
    canvas.setFont("Helvetica", 9)
    lines = (
        "Check the two lines at the foot with a ruler. Cut along the dashed lines: keep the white"
        " rim. Glue flat on stiff board.",
        "Hold one card against the limb, facing the camera, no leaf over it. From 0.5 m use 40 or"
        " 50 mm, from 1 m or more 60 or 80 mm.",
        "The number on a card tells the program its size, so do not enlarge or shrink the sheet.",
    )
    for k, line in enumerate(lines):
        canvas.drawString(_MARGIN_MM * mm, height - (23 + 4 * k) * mm, line)


def _check_lines(canvas: Canvas) -> None:
    base = 19 * mm
    for y, length, text, step, count in (
        (base, 100 * mm, "this line is 100 mm long", 10 * mm, 10),
        (base - 8.5 * mm, 4 * inch, "this line is 4 in long", inch, 4),
    ):
        left = _MARGIN_MM * mm
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
    foot = "Markers: ArUco DICT_4X4_50, an open pattern. Sizes are between the outer black edges."
    canvas.drawString(_MARGIN_MM * mm, 4.5 * mm, foot)
