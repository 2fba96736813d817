"""Names in any script on printed pages.

Fonts: the four standard CJK fonts of PDF readers (PDF 1.7, ISO 32000-1, 9.7.5.2, table 118 names
the encodings UniGB-UCS2-H, UniCNS-UCS2-H, UniJIS-UCS2-H and UniKS-UCS2-H).
"""

from __future__ import annotations

import re
from dataclasses import replace

import pypdf
import pytest
from report_demo import block, north_4, tree_plan
from reportlab.pdfbase import pdfmetrics

from fruitcount.export import letters
from fruitcount.export.card_sheet import Card, write_card_sheet
from fruitcount.export.letters import markup, words_width
from fruitcount.export.report_block import block_summary
from fruitcount.export.tree_work_sheet import tree_work_sheet
from fruitcount.files import PLAIN_FONT

# which font, and a name that needs it
NAMES = [
    ("STSong-Light", "老桃树"),
    ("MSung-Light", "臺灣"),
    ("HeiseiMin-W3", "南側の枝もも"),
    ("HYSMyeongJo-Medium", "복숭아"),
]


def _read(path):
    pages = pypdf.PdfReader(path).pages
    return re.sub(r"\s+", " ", " ".join(p.extract_text() for p in pages))


@pytest.mark.parametrize(("font", "name"), NAMES)
def test_a_name_is_set_in_the_font_of_its_script(font, name):
    assert markup(f"a {name} b") == f'a <font name="{font}">{name}</font> b'
    # each letter of those fonts is as wide as it is high; 桃 is no narrower for standing in a word
    usual = letters.usual_fonts()[0]
    wide = 10.0 * len(name)
    assert words_width(f"{name}a", usual, 10) == pytest.approx(
        wide + pdfmetrics.stringWidth("a", usual, 10)
    )


def test_what_no_font_has_stays_a_question_mark():
    assert markup("\U0001f351 \x07 \u0e01 <b>&") == "? ? ? &lt;b&gt;&amp;"
    assert markup("a\nb") == "a<br/>b"
    assert markup("") == ""


def test_every_page_keeps_the_names(tmp_path):
    sheet = north_4(5)
    limbs = [replace(x, name=n) for x, (_, n) in zip(sheet.limbs, NAMES, strict=False)]
    sheet = replace(sheet, limbs=(*limbs, *sheet.limbs[4:]))
    job = tree_plan("老桃树", sheet, surer="ここから始める。")
    words = _read(tree_work_sheet(job, tmp_path / "t.pdf"))
    for _, name in NAMES:
        assert name in words
    assert "ここから始める" in words
    trees = [replace(t, line=replace(t.line, tree=replace(t.line.tree, name=f"복숭아 {k}")))
             for k, t in enumerate(block(3))]  # fmt: skip
    words = _read(block_summary(trees, tmp_path / "b.pdf", block="南の山"))
    charted = sum(t.estimate is not None for t in trees)
    assert charted > 2
    assert words.count("복숭아") == len(trees) + charted  # in the table and in the chart
    assert "南の山" in words
    write_card_sheet(tmp_path / "c.pdf", cards=[Card(24, "老桃树", "上枝")])
    assert "老桃树 / 上枝" in _read(tmp_path / "c.pdf")


def test_taiwans_letters_have_their_own_encoding(tmp_path):
    """MSung-Light is of the Adobe-CNS1 collection, whose Unicode encoding is UniCNS-UCS2-H."""
    words = tree_work_sheet(tree_plan("臺灣", north_4(2)), tmp_path / "t.pdf").read_bytes()
    assert b"/UniCNS-UCS2-H" in words
    assert b"/MSung-Light" in words
    assert b"/UniGB-UCS2-H" not in words


def test_the_font_comes_with_the_package():
    """Latin, Greek, Cyrillic and the box to tick, plain and bold; its licence beside it."""
    for name in letters.usual_fonts():
        known = pdfmetrics.getFont(name).face.charToGlyph
        assert all(ord(c) in known for c in "Az\u00e9\u03b1\u0436\u2610")
    assert (PLAIN_FONT.parent / "LICENSE_DEJAVU").is_file()
    assert (
        markup("\u0432\u0435\u0442\u043a\u0430 \u00e9") == "\u0432\u0435\u0442\u043a\u0430 \u00e9"
    )


def test_a_long_name_stays_in_its_column_of_the_chart(tmp_path):
    long = "桃" * 40
    trees = [replace(t, line=replace(t.line, tree=replace(t.line.tree, name=long)))
             for t in block(1)]  # fmt: skip
    words = _read(block_summary(trees, tmp_path / "b.pdf", block="x"))
    assert re.search(r"桃{8,14} ?\.", words)
