"""The beam against textbooks, closed forms and SciPy quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from fruitcount.load.beam import (
    Beam,
    Weights,
    bending_moment_n_m,
    bending_stress_mpa,
    breaking_moment_n_m,
    deflection_mm,
    prop_reaction_n,
    propped_moment_n_m,
)
from fruitcount.load.state import factor_band
from fruitcount.units import GRAVITY_N_PER_KG, MM_PER_INCH

LBF_N = 4.4482216152605  # exact: avoirdupois pound times standard gravity
PSI_MPA = LBF_N / MM_PER_INCH**2


def beam(length_mm=1000.0, base=30.0, tip=30.0, n=2001):
    along = np.linspace(0, length_mm, n)
    return Beam(along, along.copy(), base + (tip - base) * along / length_mm)


def at(place_mm, force_n):
    place, force = np.atleast_1d(place_mm).astype(float), np.atleast_1d(force_n).astype(float)
    return Weights(place, place.copy(), np.broadcast_to(force, place.shape).astype(float))


def evenly(length_mm, total_n, n=20_000):
    middles = (np.arange(n) + 0.5) * length_mm / n
    return at(middles, total_n / n)


def test_textbook_rod():
    # strengthandstiffness.com, Example 6b.2: round rod r = 1.2 in, span 50 in, simply supported,
    # 24 lb/in: prints 5.53 ksi. Half the span is a cantilever from mid-span with the support
    # pushing up at its end and the load pushing down.
    half = beam(25 * MM_PER_INCH, 2.4 * MM_PER_INCH, 2.4 * MM_PER_INCH)
    push = 24 * 50 / 2 * LBF_N
    load = evenly(25 * MM_PER_INCH, 24 * 25 * LBF_N)
    moment = bending_moment_n_m(half, Weights.of(load, at(25 * MM_PER_INCH, -push)))
    in_lb = -moment[0] * 1000 / (LBF_N * MM_PER_INCH)
    assert in_lb == pytest.approx(7500, abs=0.5)
    ksi = bending_stress_mpa(moment, half.diameter_mm)[0] / PSI_MPA / 1000
    assert ksi == pytest.approx(5.53, abs=0.01)


def test_sixty_peaches_by_hand():
    # Worked by hand: 60 x 175 g at a mean arm of 0.90 m; 0.40 x 55 MPa = 22 MPa is the limit.
    peaches = at(np.full(60, 900.0), 0.175 * GRAVITY_N_PER_KG)
    for base, stress in ((30.0, 35.0), (25.0, 60.4)):
        b = beam(1000, base, base)
        moment = bending_moment_n_m(b, peaches)
        assert moment[0] == pytest.approx(92.7, abs=0.1)
        assert bending_stress_mpa(moment, b.diameter_mm)[0] == pytest.approx(stress, abs=0.1)
        assert bending_stress_mpa(moment, b.diameter_mm)[0] > 22


@pytest.mark.parametrize(("d", "moment"), [(20, 17.3), (25, 33.7), (30, 58.3), (40, 138.2)])
def test_breaking_moment(d, moment):
    # 22 MPa pi d^3 / 32, worked by hand; doubling d gives eight times.
    assert breaking_moment_n_m(22.0, d) == pytest.approx(moment, abs=0.1)
    assert breaking_moment_n_m(22.0, 2 * d) == pytest.approx(8 * breaking_moment_n_m(22.0, d))


@pytest.mark.parametrize(
    ("tip_over_base", "place", "ratio"),
    [(0.25, 0.833, 3.16), (1 / 3, 0.75, 2.0), (0.5, 0.5, 1.185), (2 / 3, 0.0, 1.0)],
)
def test_worst_section_of_a_taper(tip_over_base, place, ratio):
    # Classic result for a linear taper with a load at the tip: d = 1.5 x tip diameter.
    b = beam(1000, 40, 40 * tip_over_base)
    stress = bending_stress_mpa(bending_moment_n_m(b, at(1000, 10)), b.diameter_mm)
    assert b.along_mm[np.argmax(stress)] / 1000 == pytest.approx(place, abs=0.01)
    assert stress.max() / stress[0] == pytest.approx(ratio, abs=0.01)


def test_closed_form_cantilevers():
    # Gere & Timoshenko's table of cantilevers (from memory): tip load P L^3 / 3 E I, even load
    # w L^4 / 8 E I, moments P L and w L^2 / 2.
    b = beam()
    inertia = np.pi * 30.0**4 / 64
    tip = bending_moment_n_m(b, at(1000, 20))
    assert tip[0] == pytest.approx(20.0)
    assert deflection_mm(b, tip, 9000)[-1] == pytest.approx(20e9 / (3 * 9000 * inertia), rel=1e-5)
    even = bending_moment_n_m(b, evenly(1000, 20))
    assert even[0] == pytest.approx(10.0)
    assert deflection_mm(b, even, 9000)[-1] == pytest.approx(20e9 / (8 * 9000 * inertia), rel=1e-4)


def test_tapered_deflection_against_quadrature():
    b = beam(900, 28, 10, n=4001)
    moment = bending_moment_n_m(b, at(700, 12))

    def turn(s):
        d = 28 - 18 * s / 900
        return 12 * max(700 - s, 0) / (9000 * np.pi * d**4 / 64) * (900 - s)

    wanted, _ = quad(turn, 0, 900, points=[700])
    assert deflection_mm(b, moment, 9000)[-1] == pytest.approx(wanted, rel=1e-5)


def test_propped_cantilevers():
    # Textbook propped cantilevers (Gere & Timoshenko, from memory): even load, prop at the tip:
    # 3 w L / 8 and root moment w L^2 / 8; point load at mid-length: 5 P / 16 and 3 P L / 16.
    b = beam(n=2001)
    even = bending_moment_n_m(b, evenly(1000, 80))
    assert prop_reaction_n(b, even, 2000) == pytest.approx(30.0, rel=1e-4)
    assert propped_moment_n_m(b, even, 2000)[0] == pytest.approx(10.0, rel=1e-3)
    mid = bending_moment_n_m(b, at(500, 16))
    assert prop_reaction_n(b, mid, 2000) == pytest.approx(5.0, rel=1e-4)
    assert propped_moment_n_m(b, mid, 2000)[0] == pytest.approx(3.0, rel=1e-3)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 1000), st.floats(0.1, 5)), min_size=1, max_size=12),
    st.floats(0.1, 10),
)
def test_moment_is_linear_in_weight_and_rises_with_place(loads, times):
    b = beam(n=101)
    place, force = (np.array(v) for v in zip(*loads, strict=True))
    one = bending_moment_n_m(b, at(place, force))
    assert np.allclose(bending_moment_n_m(b, at(place, force * times)), one * times)
    parts = sum(bending_moment_n_m(b, at(p, f)) for p, f in loads)
    assert np.allclose(one, parts)
    further = bending_moment_n_m(b, at(np.minimum(place + 10, 1000), force))
    assert (further >= one - 1e-12).all()


def test_mirrored_limb_has_the_same_stress():
    along = np.linspace(0, 1000, 101)
    bent = 700 * np.sin(along / 700)
    d = np.linspace(30, 12, 101)
    place = np.array([200.0, 640, 900])
    reach = np.interp(place, along, bent)
    load = np.array([3.0, 2, 1])
    right = bending_moment_n_m(Beam(along, bent, d), Weights(place, reach, load))
    left = bending_moment_n_m(Beam(along, -bent, d), Weights(place, -reach, load))
    assert np.allclose(np.abs(right), np.abs(left))
    assert np.allclose(
        deflection_mm(Beam(along, bent, d), right, 9000),
        deflection_mm(Beam(along, -bent, d), left, 9000),
    )


def test_band_of_a_thickness_error_against_monte_carlo():
    # 5 % in d is 16 % in stress: 1.05 cubed is 1.158.
    assert pytest.approx(1.158, abs=0.001) == 1.05**3
    rng = np.random.default_rng(5)
    factors = 2.0 * (1 + 0.05 * rng.standard_normal(200_000)) ** 3
    band = factor_band(2.0, 3 * 0.05)
    assert band.low == pytest.approx(np.quantile(factors, 0.05), rel=0.02)
    assert band.high == pytest.approx(np.quantile(factors, 0.95), rel=0.02)


def test_handbook_units():
    # 8,000 lbf/in2 and 1.31e6 lbf/in2 in a hardwood table; 55,000 kPa and 9,000 MPa in another.
    assert pytest.approx(55.2, rel=0.005) == 8000 * PSI_MPA
    assert pytest.approx(9.03, rel=0.005) == 1.31e6 * PSI_MPA / 1000
