"""Limbs and marks that no photo should give, but a hand may: an answer or a typed error."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fruitcount.export.limb_diagram import draw_limb
from fruitcount.load.carry import carry_limit
from fruitcount.load.report import limb_load
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.species.model import load_species, species_names
from fruitcount.types import Fruitlets, Limb, Shoot

LINES = {
    "none": np.zeros((0, 2)),
    "one point": np.array([[5.0, 5.0]]),
    "no length": np.array([[5.0, 5.0], [5.0, 5.0]]),
    "plumb": np.array([[100.0, 900.0], [100.0, 100.0]]),
    "leftwards": np.array([[900.0, 500.0], [400.0, 300.0], [100.0, 500.0]]),
}
numbers = st.sampled_from([np.nan, 0.0, 3.0, 18.0, 400.0, 900.0])


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(sorted(LINES)),
    st.sampled_from(sorted(LINES)),
    st.tuples(numbers, numbers, numbers, numbers),
    st.integers(0, 12),
    st.integers(0, 999),
    st.sampled_from(species_names()),
    st.booleans(),
)
def test_always_a_whole_answer(line, shoot_line, measures, n, seed, name, placed):
    rng = np.random.default_rng(seed)
    length_px, length_mm, base, tip = measures
    limb = Limb(
        line_px=LINES[line],
        length_px=length_px,
        length_mm=length_mm,
        base_diameter_mm=base,
        tip_diameter_mm=tip,
        shoots=(Shoot(LINES[shoot_line], 200.0, base / 3),),
    )
    fruit = Fruitlets.from_columns(
        x_px=rng.uniform(0, 1000, n),
        y_px=rng.uniform(0, 1000, n),
        r_px=rng.uniform(2, 20, n),
        kind=rng.integers(0, 3, n),
        shoot=rng.integers(-1, 3, n),
        cluster=rng.integers(-1, 4, n),
        along_px=rng.uniform(-50, 1200, n) if placed else np.full(n, np.nan),
    )
    inputs = GrowerInputs(species=name, cap=None if seed % 2 else 3)
    species = load_species(name)
    limit = carry_limit(limb, species, inputs)
    plan = plan_limb(fruit, limb, species, inputs, carry_limit=lambda *_: limit)
    assert plan.keep_count + plan.off_count == plan.crop_count
    report = limb_load(fruit, limb, species, inputs, plan.keep_mask, cuts=plan.cuts)
    assert report.known == bool(len(report.along_mm))
    result = SimpleNamespace(
        measurement=SimpleNamespace(fruitlets=fruit, limb=limb),
        decision=SimpleNamespace(plan=plan, load=report),
    )
    assert draw_limb(result).height > 0
    for cut in plan.cuts:
        assert np.isfinite([cut.x_px, cut.y_px, cut.at_px]).all()


@pytest.mark.parametrize("name", species_names())
def test_every_species_plans_a_heavy_limb(name):
    line = np.array([[0.0, 0.0], [1600.0, 0.0]])
    limb = Limb(line_px=line, length_px=1600, length_mm=800, base_diameter_mm=25)
    at = np.linspace(20, 1580, 60)
    fruit = Fruitlets.from_columns(x_px=at, y_px=np.zeros(60), r_px=np.full(60, 14), along_px=at)
    plan = plan_limb(fruit, limb, load_species(name), GrowerInputs(species=name))
    assert plan.verdict == ("thin" if load_species(name).thinned else "leave")
