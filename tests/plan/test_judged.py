"""Runs that need no other program: mirrored, scaled, reordered, thicker and longer limbs."""

from __future__ import annotations

import numpy as np
import pytest
from limbs import straight_limb
from test_promise import THINNED, planned, random_limb

from fruitcount.load.report import limb_load
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species.model import load_species
from fruitcount.types import Limb, Shoot

MILDER = ("do not hang this much", "prop or lighten", "fine")


def moved(limb, fruit, change, times=1.0):
    """The same limb with all its pixels changed: ``change`` for points, ``times`` for lengths."""
    shoots = tuple(
        Shoot(change(s.line_px), s.fork_along_px * times, s.base_diameter_mm) for s in limb.shoots
    )
    x_y = change(np.column_stack([fruit.x_px, fruit.y_px]))
    again = Limb(
        line_px=change(limb.line_px), length_px=limb.length_px * times, length_mm=limb.length_mm,
        base_diameter_mm=limb.base_diameter_mm, tip_diameter_mm=limb.tip_diameter_mm,
        diameter_rel_sd_frac=limb.diameter_rel_sd_frac, shoots=shoots,
        diameter_source=limb.diameter_source,
    )  # fmt: skip
    fruit = fruit.with_columns(
        x_px=x_y[:, 0], y_px=x_y[:, 1], r_px=fruit.r_px * times, along_px=fruit.along_px * times
    )
    return again, fruit


def limbs(n, seed):
    rng = np.random.default_rng(seed)
    for _ in range(n):
        limb, fruit = random_limb(rng)
        yield rng, limb, fruit, GrowerInputs(str(rng.choice(THINNED)))


def load_of(limb, fruit, inputs):
    everything = np.ones(len(fruit), dtype=bool)
    return limb_load(fruit, limb, load_species(inputs.species), inputs, everything)


@pytest.mark.parametrize(
    ("change", "times"),
    [(lambda p: p * (-1, 1) + (4000, 0), 1.0), (lambda p: p * 1.7, 1.7), (lambda p: p / 2, 0.5)],
    ids=["mirrored", "larger", "smaller"],
)
def test_a_mirrored_or_scaled_photo_has_the_same_answer(change, times):
    for _, limb, fruit, inputs in limbs(25, 31):
        other_limb, other_fruit = moved(limb, fruit, change, times)
        a, b = planned(fruit, limb, inputs), planned(other_fruit, other_limb, inputs)
        assert (a.answer, a.final_count, len(a.cuts)) == (b.answer, b.final_count, len(b.cuts))
        assert [c.at_mm for c in a.cuts] == pytest.approx([c.at_mm for c in b.cuts], rel=1e-6)
        before, after = load_of(limb, fruit, inputs), load_of(other_limb, other_fruit, inputs)
        assert before.before.load_factor.middle == pytest.approx(after.before.load_factor.middle)


def test_the_order_of_the_marks_does_not_matter():
    for rng, limb, fruit, inputs in limbs(40, 32):
        order = rng.permutation(len(fruit))
        a, b = planned(fruit, limb, inputs), planned(fruit.take(order), limb, inputs)
        assert (a.answer, a.final_count) == (b.answer, b.final_count)
        assert [c.at_mm for c in a.cuts] == pytest.approx([c.at_mm for c in b.cuts])


def test_thicker_wood_never_keeps_fewer_nor_has_a_severer_word():
    for _, limb, fruit, inputs in limbs(40, 33):
        thin, thick = (
            straight_limb(limb.length_mm, base_mm=d, tip_mm=d / 2)
            for d in (limb.base_diameter_mm, 1.2 * limb.base_diameter_mm)
        )
        on_main = fruit.with_columns(shoot=np.full(len(fruit), -1))
        a, b = planned(on_main, thin, inputs), planned(on_main, thick, inputs)
        assert a.target.centre <= b.target.centre
        words = [load_of(x, on_main, inputs).before.verdict for x in (thin, thick)]
        assert MILDER.index(words[0]) <= MILDER.index(words[1])


def test_a_longer_limb_never_keeps_fewer_by_its_spacing():
    for _, limb, fruit, inputs in limbs(40, 34):
        short, longer = (straight_limb(limb.length_mm * k) for k in (1.0, 1.25))
        on_main = fruit.with_columns(shoot=np.full(len(fruit), -1))
        a, b = planned(on_main, short, inputs), planned(on_main, longer, inputs)
        assert a.target.centre <= b.target.centre
        assert a.keep_count <= b.keep_count
