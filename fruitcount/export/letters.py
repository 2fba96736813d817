"""The one font of pictures and printed pages, and other fonts for letters that it lacks.

DejaVu Sans lies beside this file (licence: ``fonts/LICENSE_DEJAVU``), so that a page looks the same
from every machine. Names typed by the keeper may be in any script: what it lacks is set in one of
the four standard CJK fonts that PDF readers know by name (PDF 1.7, section 9.7.5.2). No font file
is needed for those, but a reader without its Asian fonts shows boxes or nothing. What they lack
too is printed as "?".
"""

from __future__ import annotations

import html
from collections.abc import Iterator
from functools import cache
from itertools import groupby

from reportlab.graphics import renderSVG
from reportlab.graphics.shapes import Drawing, Group, String
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.cidfonts import CIDEncoding, UnicodeCIDFont
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from fruitcount.files import BOLD_FONT, PLAIN_FONT

# a font, and the character set that says which letters it has
_FALLBACK = (
    ("STSong-Light", "gb2312"),
    ("MSung-Light", "big5"),
    ("HeiseiMin-W3", "cp932"),
    ("HYSMyeongJo-Medium", "cp949"),
    ("STSong-Light", "gbk"),
)
_KANA = ("\u3040", "\u30ff")
_HANGUL = ("\u1100", "\u11ff"), ("\u3130", "\u318f"), ("\uac00", "\ud7a3")


@cache
def usual_fonts() -> tuple[str, str]:
    """Names of the font for words on pages and its bold form, ready for use."""
    for path in (PLAIN_FONT, BOLD_FONT):
        pdfmetrics.registerFont(TTFont(path.stem, str(path)))
    return PLAIN_FONT.stem, BOLD_FONT.stem


def _encodes(letter: str, charset: str) -> bool:
    try:
        letter.encode(charset)
    except UnicodeEncodeError:
        return False
    return True


def _in_order(words: str) -> list[tuple[str, str]]:
    """The fall-back fonts, the one of the words' own script first."""
    first = ""
    if any(low <= c <= high for c in words for low, high in _HANGUL):
        first = "HYSMyeongJo-Medium"
    if any(_KANA[0] <= c <= _KANA[1] for c in words):
        first = "HeiseiMin-W3"
    return sorted(_FALLBACK, key=lambda pair: pair[0] != first)


@cache
def _ready(name: str) -> str:
    font = UnicodeCIDFont(name)
    if name == "MSung-Light":  # the library names the encoding of mainland letters here
        font.encodingName = "UniCNS-UCS2-H"
        font.encoding = CIDEncoding(font.encodingName)
    pdfmetrics.registerFont(font)
    return name


def _font_of(letter: str, order: list[tuple[str, str]]) -> str:
    if letter == "\n" or ord(letter) in pdfmetrics.getFont(usual_fonts()[0]).face.charToGlyph:
        return ""
    if not letter.isprintable():
        return "?"
    if ord(letter) > 0xFFFF:  # the fonts known by name are addressed by two bytes
        return "?"
    return next((_ready(font) for font, charset in order if _encodes(letter, charset)), "?")


def _runs(words: str) -> Iterator[tuple[str, str]]:
    """Pieces of words with the font of each; an empty name is the usual font."""
    order = _in_order(words)
    fonts = [(c, _font_of(c, order)) for c in words]
    shown = [("?", "") if font == "?" else (c, font) for c, font in fonts]
    for font, piece in groupby(shown, key=lambda pair: pair[1]):
        yield "".join(c for c, _ in piece), font


def markup(words: str) -> str:
    """Words as the text of a paragraph; nothing in them is taken for markup."""
    out = ""
    for piece, font in _runs(words):
        safe = html.escape(piece, quote=False).replace("\n", "<br/>")
        out += f'<font name="{font}">{safe}</font>' if font else safe
    return out


def words_width(words: str, font: str, size: float) -> float:
    """Width in points of one line in that font, with what it lacks in others."""
    return sum(
        float(pdfmetrics.stringWidth(piece, other or font, size)) for piece, other in _runs(words)
    )


def draw_words(canvas: Canvas, at: tuple[float, float], words: str, font: str, size: float) -> None:
    """Write one line on a page, from its left end."""
    x, y = at
    for piece, other in _runs(words):
        canvas.setFont(other or font, size)
        canvas.drawString(x, y, piece)
        x += pdfmetrics.stringWidth(piece, other or font, size)


def chart_words(
    at: tuple[float, float], words: str, size: float, *, anchor: str = "start"
) -> Group:
    """One line of words in a chart; ``anchor`` is start, middle or end."""
    font = usual_fonts()[0]
    shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
    x, y = at[0] - shift * words_width(words, font, size), at[1]
    group = Group()
    for piece, other in _runs(words):
        group.add(String(x, y, piece, fontName=other or font, fontSize=size))
        x += pdfmetrics.stringWidth(piece, other or font, size)
    return group


def svg_of(drawing: Drawing) -> str:
    """For a page on a screen, in the letters that the screen has."""
    words = str(renderSVG.drawToString(drawing))
    return words.replace(f"font-family: {usual_fonts()[0]}", "font-family: sans-serif")
