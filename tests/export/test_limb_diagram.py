"""The limb diagram: to scale, complete, in both renderers, and drawn when little is told."""

from __future__ import annotations

import io
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pypdf
import pytest
from limbs import fruit_on, straight_limb
from reportlab.graphics.shapes import Circle, Drawing, PolyLine, String
from reportlab.platypus import SimpleDocTemplate

from fruitcount.export.diagram_page import LEFT, RIGHT, WIDTH
from fruitcount.export.limb_diagram import draw_limb
from fruitcount.export.words import ACTIONS, fruit_actions
from fruitcount.load.report import limb_load
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.species.model import load_species
from fruitcount.types import Fruitlets, Limb

PEACH = load_species("peach")


def made(limb, fruit):
    inputs = GrowerInputs()
    plan = plan_limb(fruit, limb, PEACH, inputs)
    load = limb_load(fruit, limb, PEACH, inputs, plan.keep_mask, cuts=plan.cuts)
    return fruit, limb, plan, load


@pytest.fixture
def heavy():
    limb = straight_limb(900, base_mm=24, tip_mm=9, up_deg=20, shoots=[(300, 200, 70, 7.0)])
    rng = np.random.default_rng(1)
    at = np.r_[rng.uniform(20, 880, 24), rng.uniform(20, 190, 8)]
    return made(limb, fruit_on(limb, at, shoot=np.r_[np.full(24, -1), np.zeros(8, int)]))


def rgb(color):
    return tuple(round(255 * part) for part in color.rgb())


def drawn_limb(fruitlets, limb, plan, load, **how):
    measurement, decision = (
        SimpleNamespace(fruitlets=fruitlets, limb=limb),
        SimpleNamespace(plan=plan, load=load),
    )
    return draw_limb(SimpleNamespace(measurement=measurement, decision=decision), **how)


def texts(drawn):
    return [s.text for s in drawn.shapes if isinstance(s, String)]


def test_fruit_hangs_in_rows_close_beneath_one_another():
    limb = straight_limb(900, base_mm=24, tip_mm=9, up_deg=20)
    drawn = drawn_limb(*made(limb, fruit_on(limb, np.full(4, 450.0))))
    discs = [s for s in drawn.shapes if isinstance(s, Circle)]
    rows = np.unique([round(s.cy, 3) for s in discs if abs(s.cx - (LEFT + RIGHT) / 2) < 1])
    assert np.diff(rows).min() == pytest.approx(13.0)


def test_a_pdf_is_one_page_as_large_as_the_drawing(heavy, tmp_path):
    drawn = drawn_limb(*heavy)
    drawn.write_pdf(tmp_path / "d.pdf")
    (page,) = pypdf.PdfReader(tmp_path / "d.pdf").pages
    assert [float(v) for v in page.mediabox] == pytest.approx([0, 0, WIDTH, drawn.height], abs=0.01)
    told = page.extract_text()
    assert all(words in told for words in texts(drawn))


def test_pdf_drawing_goes_into_a_report(heavy):
    drawing = drawn_limb(*heavy).drawing((390.0, 660.0))
    assert isinstance(drawing, Drawing)
    assert drawing.width <= 390
    assert drawing.height <= 660
    out = io.BytesIO()
    SimpleDocTemplate(out).build([drawing])
    assert out.getvalue().startswith(b"%PDF")
    assert b"/Subtype /Image" not in out.getvalue()


def test_kept_fruit_is_drawn_twice_and_to_scale(heavy):
    fruit, _limb, plan, _load = heavy
    discs = [s for s in drawn_limb(*heavy).shapes if isinstance(s, Circle)]
    kept = [s for s in discs if rgb(s.fillColor) == ACTIONS["keep"].rgb]
    assert len(kept) == 2 * plan.keep_count + 1  # before, after, legend
    on_main = np.flatnonzero(plan.keep_mask & (fruit.shoot == -1))
    for i in on_main:
        x = LEFT + fruit.along_mm[i] / 900 * (RIGHT - LEFT)
        assert sum(abs(s.cx - x) < 1e-6 for s in kept) >= 2


def test_fruit_without_a_plan_is_not_drawn_as_taken_off(heavy):
    fruit, limb, plan, load = heavy
    none = np.zeros(len(fruit), bool)
    bare = replace(plan, keep_mask=none, off_mask=none, cuts=(), pinches=())
    lines = [s for s in drawn_limb(fruit, limb, bare, load).shapes if isinstance(s, PolyLine)]
    orange = [s for s in lines if rgb(s.strokeColor) == ACTIONS["pinch"].rgb]
    crosses = [s for s in orange if s.strokeWidth == 2.0]
    assert len(crosses) == 2  # the legend's
    assert fruit_actions(fruit, bare) == ["counted"] * len(fruit)


def test_words_fit_the_width_and_nothing_is_drawn_outside(heavy):
    drawn = drawn_limb(*heavy, units="us")
    assert any("in from the base" in t for t in texts(drawn))
    for shape in drawn.shapes:
        # letters of this font, set smaller, are as high as those of others at 11
        assert not isinstance(shape, String) or shape.fontSize >= 0.87 * 11
        assert not isinstance(shape, Circle) or 0 <= shape.cx <= WIDTH
    assert max(len(t) for t in texts(drawn)) <= 74


def test_says_so_where_load_is_not_told():
    limb = straight_limb(900)
    drawn = drawn_limb(*made(limb, fruit_on(limb, np.linspace(20, 880, 20))))
    assert "is not known" in " ".join(texts(drawn))
    assert not any("MPa" in t for t in texts(drawn))


def test_without_scale_the_ruler_is_in_shares():
    whole = straight_limb(900)
    limb = Limb(line_px=whole.line_px, length_px=whole.length_px)
    drawn = drawn_limb(*made(limb, fruit_on(whole, np.linspace(20, 880, 20))))
    assert any("% of the limb" in t for t in texts(drawn))


def test_without_a_limb_there_are_words():
    drawn = drawn_limb(*made(Limb(), Fruitlets.from_columns(x_px=[1.0, 2.0], r_px=[5, 5])))
    assert any("not found" in t for t in texts(drawn))
