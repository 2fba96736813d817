"""The load of whole limbs: against hand arithmetic, and how it must move."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from limbs import fruit_on, straight_limb

from fruitcount.flags import CAUTIONS_FULL, CAUTIONS_SHORT, Flag, cut_tool
from fruitcount.load import model as load_model
from fruitcount.load.beam import bending_moment_n_m, bending_stress_mpa
from fruitcount.load.carry import carry_limit
from fruitcount.load.model import BEAM, fruit_mass_g, harvest_mass_g, limb_model
from fruitcount.load.report import limb_load
from fruitcount.load.words import load_lines
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.species.model import load_species
from fruitcount.types import Limb

PEACH = load_species("peach")
PLAIN = GrowerInputs(handling_factor=1.0)


def all_of(fruit):
    return np.ones(len(fruit), dtype=bool)


@pytest.mark.parametrize(
    ("d_mm", "sphere_g", "usda_g"),
    [(63.5, 129, 130), (67.7, 156, 150), (69.85, 171, 175), (76.2, 222, 224)],
)
def test_sphere_against_usda_household_weights(d_mm, sphere_g, usda_g):
    # USDA household weights of peaches, read in a reprint; density 0.96 is their mean.
    mass = fruit_mass_g(d_mm, PEACH.fruit_density_g_per_cm3.number)
    assert mass == pytest.approx(sphere_g, abs=0.6)
    assert mass == pytest.approx(usda_g, rel=0.05)


def test_late_growth():
    # "What is fruit growth": 75 to 80 mm is about 7 % in diameter and 20 % in weight.
    assert pytest.approx(0.067, abs=0.001) == 80 / 75 - 1
    more = fruit_mass_g(80, 0.96) / fruit_mass_g(75, 0.96) - 1
    assert more == pytest.approx(0.214, abs=0.001)
    assert more == pytest.approx(0.20, abs=0.02)


def test_strength_share_of_real_branches():
    # Kane 2007, Arboriculture & Urban Forestry 33(4), Table 3, kPa over 69,948.
    for stress, share in ((28067, 0.40), (50094, 0.72), (38603, 0.55)):
        assert stress / 69948 == pytest.approx(share, abs=0.005)
    assert PEACH.bark_circle_frac.number == 0.40
    assert PEACH.breaking_stress_mpa == pytest.approx(22.0)


def test_a_limb_by_hand(monkeypatch):
    # 60 fruit of 175 g at 0.90 m on a 30 mm limb: 92.7 N m and 35.0 MPa from fruit alone; the
    # limb's own wood is a rod of 950 kg/m3 hung at its middle.
    monkeypatch.setattr(load_model, "BEAM", replace(BEAM, leaf_mass_g_per_m=0.0))
    limb = straight_limb(1000, base_mm=30, tip_mm=30)
    fruit = fruit_on(limb, np.full(60, 900.0))
    size = (175 / fruit_mass_g(10.0, 0.96)) ** (1 / 3) * 10.0
    settings = GrowerInputs(harvest_diameter_mm=size, handling_factor=1.0)
    got = limb_load(fruit, limb, PEACH, settings, all_of(fruit)).before
    wood_kg = np.pi / 4 * 0.03**2 * 1.0 * 950
    assert got.wood_g == pytest.approx(wood_kg * 1000, rel=1e-6)
    own = wood_kg * 9.81 * 0.5
    assert got.base_moment_n_m == pytest.approx(92.7 + own, abs=0.1)
    assert got.stress_mpa[0] == pytest.approx(35.0 * (92.7 + own) / 92.7, abs=0.1)
    assert got.verdict == "do not hang this much"


def test_inclination_shortens_the_arm():
    fruit_at = np.array([200.0, 500, 800])
    flat = straight_limb(1000, base_mm=30, tip_mm=12)
    up = straight_limb(1000, base_mm=30, tip_mm=12, up_deg=60)
    flat_load = limb_load(fruit_on(flat, fruit_at), flat, PEACH, PLAIN, np.ones(3, bool)).before
    up_load = limb_load(fruit_on(up, fruit_at), up, PEACH, PLAIN, np.ones(3, bool)).before
    told = GrowerInputs(handling_factor=1.0, inclination_deg=60)
    typed = limb_load(fruit_on(flat, fruit_at), flat, PEACH, told, np.ones(3, bool)).before
    assert up_load.base_moment_n_m == pytest.approx(flat_load.base_moment_n_m * 0.5)
    assert typed.base_moment_n_m == pytest.approx(up_load.base_moment_n_m)


def test_same_on_the_mirrored_photo():
    limb = straight_limb(900, base_mm=25, tip_mm=10, up_deg=20, shoots=[(400, 200, 70, 8.0)])
    fruit = fruit_on(limb, [100, 300, 700, 60, 150], shoot=[-1, -1, -1, 0, 0])
    width = 4000.0
    mirrored = Limb(
        line_px=limb.line_px * [-1, 1] + [width, 0],
        length_px=limb.length_px,
        length_mm=limb.length_mm,
        base_diameter_mm=25,
        tip_diameter_mm=10,
        diameter_rel_sd_frac=0.05,
        shoots=tuple(
            type(s)(s.line_px * [-1, 1] + [width, 0], s.fork_along_px, s.base_diameter_mm)
            for s in limb.shoots
        ),
    )
    other = fruit.with_columns(x_px=width - fruit.x_px)
    a = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit))
    b = limb_load(other, mirrored, PEACH, PLAIN, all_of(fruit))
    assert np.allclose(a.before.stress_mpa, b.before.stress_mpa)
    assert a.before.forks[0].shoot_stress_mpa == pytest.approx(b.before.forks[0].shoot_stress_mpa)


def test_fruit_on_a_shoot_loads_the_limb_up_to_its_fork_only():
    limb = straight_limb(1000, base_mm=30, tip_mm=15, shoots=[(500, 300, 0, 10.0)])
    bare = limb_load(fruit_on(limb, []), limb, PEACH, PLAIN, np.zeros(0, bool)).before
    fruit = fruit_on(limb, [300.0], shoot=[0])
    one = limb_load(fruit, limb, PEACH, PLAIN, np.ones(1, bool)).before
    more = one.moment_n_m - bare.moment_n_m
    weight = harvest_mass_g(PEACH, None) / 1000 * 9.81
    assert more[0] == pytest.approx(weight * 0.8)
    assert np.allclose(more[51:], 0)
    grown = one.forks[0].shoot_stress_mpa - bare.forks[0].shoot_stress_mpa
    assert grown == pytest.approx(32 * weight * 300 / (np.pi * 10**3))


def test_cuts_relieve():
    limb = straight_limb(900, base_mm=25, tip_mm=10)
    fruit = fruit_on(limb, np.linspace(30, 880, 30))
    inputs = GrowerInputs()
    plan = plan_limb(fruit, limb, PEACH, inputs)
    report = limb_load(fruit, limb, PEACH, inputs, plan.keep_mask, cuts=plan.cuts)
    assert report.after.fruit_count == plan.keep_count
    assert report.after.base_moment_n_m < report.before.base_moment_n_m
    assert report.after.wood_g < report.before.wood_g
    assert report.after.load_factor.middle > report.before.load_factor.middle
    beyond = report.along_mm > plan.cuts[0].at_mm + 10
    assert np.allclose(report.after.moment_n_m[beyond], 0, atol=1e-3)


def test_prop_helps_and_carries_less_than_all():
    limb = straight_limb(1200, base_mm=25, tip_mm=15)
    fruit = fruit_on(limb, np.linspace(100, 1150, 20))
    report = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit))
    prop = report.prop
    assert prop is not None
    total_kg = (report.after.fruit_g + report.after.wood_g) / 1000
    assert 0 < prop.carries_kg < total_kg
    assert prop.worst_stress_mpa < report.after.worst_stress_mpa
    assert 0.4 < prop.at_mm / 1200 <= 1


def test_carry_limit_is_where_the_stress_reaches_the_working_stress():
    limb = straight_limb(900, base_mm=28, tip_mm=10)
    limit = carry_limit(limb, PEACH, PLAIN)
    n = 4000
    fruit = fruit_on(limb, (np.arange(n) + 0.5) * 900 / n)
    # The same load, spread over many light fruit.
    size = PEACH.harvest_diameter_mm.number * (limit.count / n) ** (1 / 3)
    spread = GrowerInputs(harvest_diameter_mm=size, handling_factor=1.0)
    got = limb_load(fruit, limb, PEACH, spread, all_of(fruit)).before
    assert got.worst_stress_mpa == pytest.approx(22.0 / 2, rel=2e-3)
    assert limit.count_low < limit.count < limit.count_high


def test_carry_limit_can_govern_and_says_so():
    limb = straight_limb(1500, base_mm=20, tip_mm=8)
    fruit = fruit_on(limb, np.linspace(50, 1450, 40))
    inputs = GrowerInputs()
    limit = carry_limit(limb, PEACH, inputs)
    plan = plan_limb(fruit, limb, PEACH, inputs, carry_limit=lambda *_: limit)
    assert plan.rule == "wood"
    assert plan.target.final <= limit.count
    assert any(r.number == "fruit the wood may carry" for r in plan.explanation)


def test_thin_wood_sags_and_is_never_judged_milder_than_thicker_wood():
    words = ["fine", "prop or lighten", "do not hang this much"]
    for length, fruit_n, tip in ((600, 12, 0.4), (900, 20, 0.6), (450, 5, 0.5)):
        severity, counts = [], []
        for base in np.arange(6.0, 32.0, 0.5):
            limb = straight_limb(length, base_mm=base, tip_mm=base * tip)
            fruit = fruit_on(limb, np.linspace(20, length - 20, fruit_n))
            report = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit))
            severity.append(words.index(report.before.verdict))
            counts.append(carry_limit(limb, PEACH, PLAIN).count)
            assert report.thin_wood == (base < 15)
            assert np.isfinite(report.sag_high_mm) == report.thin_wood
            told = " ".join(reason.number for reason in report.explanation)
            assert ("worst stress" in told) == (base >= 15)
        assert (np.diff(severity) <= 0).all()
        assert (np.diff(counts) >= -1e-9).all()


@pytest.mark.parametrize(
    "doubt",
    [Flag.LIMB_LEAVES_FRAME, Flag.LIMB_DOUBTFUL, Flag.DIAMETER_DOUBTFUL, Flag.COUNT_UNKNOWN],
)
def test_nothing_is_fine_where_the_limb_is_in_doubt(doubt):
    limb = straight_limb(800, base_mm=30, tip_mm=12)
    fruit = fruit_on(limb, [100.0, 200])
    assert limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit)).before.verdict == "fine"
    report = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit), flags=doubt)
    assert report.before.verdict == report.after.verdict == "not known"
    assert "at least 0.3 kg" in load_lines(report)[0]
    assert "not known" in load_lines(report)[0]


def test_a_limb_is_not_fine_whose_shoot_is_past_its_limit():
    limb = straight_limb(800, base_mm=30, tip_mm=12, shoots=[(300, 250, 0, 6.0)])
    fruit = fruit_on(limb, [240.0, 220, 200, 180], shoot=[0] * 4)
    state = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit)).before
    assert state.forks[0].shoot_stress_mpa > PEACH.breaking_stress_mpa
    assert state.verdict == "do not hang this much"
    assert state.weakest == "side shoot 1"


@pytest.mark.parametrize("missing", ["length", "diameter", "line"])
def test_not_told_is_not_zero(missing):
    limb = straight_limb(
        np.nan if missing == "length" else 800, base_mm=np.nan if missing == "diameter" else 20
    )
    if missing == "line":
        limb = Limb(length_mm=800, base_diameter_mm=20)
    fruit = fruit_on(straight_limb(800), [100.0, 200])
    report = limb_load(fruit, limb, PEACH, PLAIN, np.ones(2, bool))
    assert not report.known
    assert report.flags == Flag.LOAD_UNKNOWN
    assert report.before.verdict == "not known"
    assert np.isnan(report.before.load_factor.middle)
    assert np.isnan(carry_limit(limb, PEACH, PLAIN).count)


def test_thicker_is_safer_and_heavier_is_not():
    fruit_at = np.linspace(50, 850, 15)
    factors = []
    for base in (18, 22, 30):
        limb = straight_limb(900, base_mm=base, tip_mm=base / 2)
        fruit = fruit_on(limb, fruit_at)
        factors.append(
            limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit)).before.load_factor.middle
        )
    assert factors == sorted(factors)
    limb = straight_limb(900, base_mm=22, tip_mm=11)
    fruit = fruit_on(limb, fruit_at)
    small = limb_load(fruit, limb, PEACH, GrowerInputs(harvest_diameter_mm=60), all_of(fruit))
    large = limb_load(fruit, limb, PEACH, GrowerInputs(harvest_diameter_mm=75), all_of(fruit))
    assert large.before.load_factor.middle < small.before.load_factor.middle


def test_cautions_are_there():
    # Usual cautions of the trade; the ladder's step from the OSHA orchard ladder card.
    text = " ".join(CAUTIONS_FULL)
    for word in ("arborist", "third step", "tip inward", "beneath", "prop", "heat"):
        assert word in text.lower()
    assert len(CAUTIONS_SHORT) == 2
    assert [cut_tool(d) for d in (10, 26, 51, float("nan"))] == [
        "clippers", "loppers", "", "clippers; loppers over 25 mm",
    ]  # fmt: skip


def test_every_number_says_where_it_comes_from():
    limb = straight_limb(900, base_mm=25, tip_mm=10)
    fruit = fruit_on(limb, np.linspace(30, 880, 30))
    report = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit))
    numbers = {r.number: r for r in report.explanation}
    assert all(r.rule and r.given and r.source for r in report.explanation)
    assert numbers["working stress, MPa"].value == pytest.approx(11.0)
    assert "Kane 2007" in numbers["breaking stress, MPa"].source
    assert "our choice" in numbers["breaking stress, MPa"].source
    assert numbers["one ripe fruit, g"].value == report.fruit_g
    assert numbers["load factor before"].value == report.before.load_factor.middle


def test_nine_in_ten_limbs_lie_in_the_band():
    """Every stated uncertainty drawn anew, through the beam and not through the delta method."""
    rng = np.random.default_rng(11)
    n = 20_000
    for length, base, fruit_n, sd in ((900, 25, 20, 0.05), (1500, 40, 10, 0.1), (500, 16, 6, 0.08)):
        limb = straight_limb(length, base_mm=base, tip_mm=base * 0.6, sd=sd)
        fruit = fruit_on(limb, np.linspace(30, length - 20, fruit_n))
        got = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit)).before.load_factor
        model = limb_model(fruit, limb, PEACH, PLAIN)
        from_wood = bending_moment_n_m(model.beam, model.wood)
        from_fruit = bending_moment_n_m(model.beam, model.fruit)

        def drawn(share):
            return np.exp(share * rng.standard_normal(n))

        thick = drawn(sd)[:, None]
        crop = drawn(BEAM.fruit_rel_sd_frac) * drawn(BEAM.unseen_rel_sd_frac)
        crop *= drawn(BEAM.harvest_size_rel_sd_frac) ** 3
        moment = from_wood * thick**2 + from_fruit * crop[:, None]
        stress = bending_stress_mpa(moment, model.beam.diameter_mm * thick).max(axis=1)
        # Kane 2007: standard error 0.035 of the mean of 26 branches, 0.40; one branch: x sqrt(26).
        one_branch = np.sqrt(np.log1p((0.035 * np.sqrt(26) / 0.40) ** 2))
        strength = drawn(BEAM.strength_rel_sd_frac) * drawn(one_branch)
        factor = PEACH.breaking_stress_mpa * strength / stress
        held = np.mean((got.low <= factor) & (factor <= got.high))
        assert held == pytest.approx(0.90, abs=0.02)


def test_a_limb_that_could_not_carry_itself_is_a_doubtful_measure():
    limb = straight_limb(3500, base_mm=16, tip_mm=8)
    fruit = fruit_on(limb, np.linspace(100, 3400, 40))
    limit = carry_limit(limb, PEACH, PLAIN)
    assert limit.count == 0
    assert "doubtful" in limit.sentence
    report = limb_load(fruit, limb, PEACH, PLAIN, all_of(fruit))
    assert Flag.DIAMETER_DOUBTFUL in report.flags
    assert "caliper" in report.notes[0]
    made = plan_limb(fruit, limb, PEACH, GrowerInputs(), carry_limit=lambda *_: limit)
    assert (made.keep_count, made.rule) == (1, "wood")  # a limb that stands bears one fruit


def test_no_fruit_is_fine():
    limb = straight_limb(900, base_mm=20, tip_mm=8)
    report = limb_load(fruit_on(limb, []), limb, PEACH, PLAIN, np.zeros(0, bool))
    assert report.before.verdict == "fine"
    assert report.before.fruit_g == 0
