"""What every printed report shares: paper, letters, head and foot, tables, cautions."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import accumulate
from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from fruitcount.errors import one_of
from fruitcount.export.letters import draw_words, markup, usual_fonts, words_width
from fruitcount.flags import CAUTIONS_FULL
from fruitcount.units import SYSTEMS

PAPERS: dict[str, tuple[float, float]] = {"a4": A4, "letter": LETTER}
MARGIN_PT = 40.0
TICK_BOX = "\u2610"
_GREY = colors.HexColor("#d9d5cc")
_BAND = colors.HexColor("#f2efe8")
_SOFT = colors.HexColor("#444444")


@dataclass(frozen=True)
class ReportSettings:
    """How a report is printed.

    Attributes
    ----------
    paper : {"a4", "letter"}
    units : {"metric", "us"}
    made_on : date
        Printed in the foot. The same records and date give the same file, byte for byte.
    """

    paper: str = "a4"
    units: str = "metric"
    made_on: date = field(default_factory=date.today)

    def __post_init__(self) -> None:
        one_of("paper", self.paper, tuple(PAPERS))
        one_of("units", self.units, SYSTEMS)


def sheet_settings(units: str) -> ReportSettings:
    """Paper and units of a printed sheet: inches go with Letter, centimetres with A4."""
    return ReportSettings(paper="letter" if units == "us" else "a4", units=units)


def usable_pt(settings: ReportSettings) -> tuple[float, float]:
    """Width and height between the margins, in points."""
    width, height = PAPERS[settings.paper]
    return width - 2 * MARGIN_PT - 12, height - 2 * MARGIN_PT - 26 - _cautions(settings)[1]


def _cautions(settings: ReportSettings) -> tuple[Paragraph, float]:
    """The usual cautions, which stand at the foot of every page, and their height in points."""
    paragraph = text(" ".join(CAUTIONS_FULL), 7)
    height = paragraph.wrap(PAPERS[settings.paper][0] - 2 * MARGIN_PT - 12, 1000)[1]
    return paragraph, float(height) + 4


def _style(size: float, *, bold: bool = False, right: bool = False) -> ParagraphStyle:
    plain, strong = usual_fonts()
    return ParagraphStyle(
        f"s{size}{bold}{right}",
        fontName=strong if bold else plain,
        fontSize=size,
        leading=size * 1.25,
        alignment=TA_RIGHT if right else 0,
        splitLongWords=True,
    )


def text(words: str, size: float = 10, *, bold: bool = False, right: bool = False) -> Paragraph:
    """A paragraph of plain words; nothing in them is taken for markup."""
    return Paragraph(markup(words), _style(size, bold=bold, right=right))


def trees_told(count: int) -> str:
    """So many trees, in words that fit one of them too."""
    return "1 tree" if count == 1 else f"{count} trees"


def heading(words: str, size: float = 13) -> list[Any]:
    """A heading with a little room around it."""
    return [Spacer(1, size * 0.6), text(words, size, bold=True), Spacer(1, size * 0.25)]


def number(value: float | None, digits: int = 0) -> str:
    """A number with thousands marked; a dash for None and NaN."""
    if value is None or not math.isfinite(value):
        return "-"
    return f"{value:,.{digits}f}"


def text_table(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    widths: Sequence[float],
    left: Sequence[int] = (0,),
    size: float = 9,
    strong_last: bool = False,
) -> Table:
    """A table that repeats its head on every page.

    Parameters
    ----------
    head : sequence of str
    rows : sequence of sequence of str
        One of a single cell goes on with the row above, over the whole width.
    widths : sequence of float, points
    left : sequence of int
        Columns of words; the others are numbers and stand to the right.
    size : float, points
    strong_last : bool
        The last row is a sum and printed bold.
    """
    cells = [[text(h, size, bold=True, right=i not in left) for i, h in enumerate(head)]]
    for k, row in enumerate(rows):
        bold = strong_last and k == len(rows) - 1
        cells.append([text(c, size, bold=bold, right=i not in left) for i, c in enumerate(row)])
        cells[-1] += [""] * (len(head) - len(row))
    table = Table(cells, colWidths=list(widths), repeatRows=1, hAlign="LEFT", splitInRow=1)
    style = [
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LINEBELOW", (0, 0), (-1, 0), 1.0, colors.black),
        ("LINEBELOW", (0, -1), (-1, -1), 0.4, _GREY),
        ("TOPPADDING", (0, 0), (-1, -1), size * 0.28),
        ("BOTTOMPADDING", (0, 0), (-1, -1), size * 0.35),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]
    which = accumulate(len(row) > 1 for row in rows)  # a row that goes on has its row's ground
    for k, (row, number_n) in enumerate(zip(rows, which, strict=True), start=1):
        if len(row) == 1:
            style += [("SPAN", (0, k), (-1, k)), ("TOPPADDING", (0, k), (-1, k), 0)]
        elif k > 1:
            style.append(("LINEABOVE", (0, k), (-1, k), 0.4, _GREY))
        if number_n % 2 == 0:
            style.append(("BACKGROUND", (0, k), (-1, k), _BAND))
    for column in left:
        if column and column - 1 not in left:  # words right after a number need room
            style.append(("LEFTPADDING", (column, 0), (column, -1), size * 1.4))
    if strong_last:
        style.append(("LINEABOVE", (0, -1), (-1, -1), 1.0, colors.black))
    table.setStyle(TableStyle(style))
    return table


def no_padding() -> list[tuple[Any, ...]]:
    """Table style without room inside the cells."""
    sides = ("LEFT", "RIGHT", "TOP", "BOTTOM")
    return [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in sides]


def build_pdf(story: list[Any], path: str | Path, *, title: str, settings: ReportSettings) -> Path:
    """Write the pages.

    Parameters
    ----------
    story : list
        ReportLab flowables.
    path : str or Path
    title : str
        For the foot and the reader's window.
    settings : ReportSettings
    """
    pages = io.BytesIO()
    document = SimpleDocTemplate(
        pages,
        pagesize=PAPERS[settings.paper],
        leftMargin=MARGIN_PT,
        rightMargin=MARGIN_PT,
        topMargin=MARGIN_PT,
        bottomMargin=MARGIN_PT + 14 + _cautions(settings)[1],
        title=title,
        author="fruitcount",
        creator="fruitcount",
        invariant=1,
    )

    def foot(canvas: Any, doc: Any) -> None:
        canvas.saveState()
        font = usual_fonts()[0]
        canvas.setFillColor(_SOFT)
        line = f"{title}  -  {settings.made_on.isoformat()}  -  estimates"
        width = PAPERS[settings.paper][0]
        room = width - 2 * MARGIN_PT - 50
        while words_width(line, font, 7.5) > room and len(line) > 10:
            line = line[:-4] + "..."
        draw_words(canvas, (MARGIN_PT + 6, MARGIN_PT - 8), line, font, 7.5)
        canvas.setFont(font, 7.5)
        _cautions(settings)[0].drawOn(canvas, MARGIN_PT + 6, MARGIN_PT + 6)
        canvas.drawRightString(width - MARGIN_PT - 6, MARGIN_PT - 8, f"page {doc.page}")
        canvas.restoreState()

    document.build(story, onFirstPage=foot, onLaterPages=foot)
    target = Path(path)
    target.write_bytes(pages.getvalue())
    return target
