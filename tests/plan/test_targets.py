"""Shoots, fruit sizes and passes against published worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from limbs import fruit_on, straight_limb

from fruitcount.errors import BadInputError
from fruitcount.load.model import harvest_mass_g
from fruitcount.plan.fruit_size import (
    OwnSeason,
    diameter_of_code,
    prune_dry_count,
    reference_advice,
    size_code,
    weight_from_own_seasons,
)
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.passes import after_words, second_pass_inputs
from fruitcount.plan.plan import plan_limb
from fruitcount.species.model import load_species

PEACH = load_species("peach")
PRUNE = load_species("european-plum")


@pytest.mark.parametrize(("orchard", "dry"), [("average", 67), ("good", 60), ("excellent", 56)])
def test_prune_reference_table(orchard, dry):
    # Krueger, UC Cooperative Extension, Table 1: 100 green per lb.
    assert prune_dry_count(PRUNE, 100, orchard) == dry


def test_prune_table_between_and_beyond():
    assert prune_dry_count(PRUNE, 97.5) == pytest.approx(65.0)
    with pytest.raises(BadInputError, match="from 50 to 140"):
        prune_dry_count(PRUNE, 150)
    with pytest.raises(BadInputError, match="reference-date table"):
        prune_dry_count(PEACH, 100)


@pytest.mark.parametrize(
    ("d_mm", "code"),
    [
        (50.9, "undersize"),
        (51, "D"),
        (55.9, "D"),
        (56, "C"),
        (61, "B"),
        (67, "A"),
        (73, "AA"),
        (80, "AAA"),
        (90, "AAAA"),
    ],
)
def test_size_codes(d_mm, code):
    # Commission Regulation (EC) 1580/2007, Annex I Part 5 III.
    assert size_code(PEACH, d_mm) == code


def test_weight_from_a_size_code():
    # Sphere weights at the lower bounds with 0.96 g/cm3, worked by hand.
    for code, mass in {"AAAA": 366, "AAA": 257, "AA": 196, "A": 151, "B": 114, "C": 88}.items():
        diameter = diameter_of_code(PEACH, code)
        assert size_code(PEACH, diameter) == code
        assert harvest_mass_g(PEACH, diameter) == pytest.approx(mass, abs=1)
    with pytest.raises(BadInputError, match="code"):
        diameter_of_code(PEACH, "Z")


def test_size_codes_by_circumference():
    # The same table gives circumferences; pi d agrees within 3 mm.
    table = {51: 16, 56: 17.5, 61: 19, 67: 21, 73: 23, 80: 25, 90: 28}
    for d, around in table.items():
        assert math.pi * d / 10 == pytest.approx(around, abs=0.3)


def test_reference_size_points_a_direction():
    # "Modern Fruit Science" thresholds, told in Growing Organic Orchard Fruits, p. 691.
    assert "heavily" in reference_advice(32)
    assert "lightly to moderately" in reference_advice(34)
    assert "Good" in reference_advice(37)
    assert "no more" in reference_advice(39)
    assert "too early" in reference_advice(20, days_after_bloom=30)


def test_own_seasons_say_nothing_beyond_themselves():
    light, heavy = OwnSeason(1.0, 180), OwnSeason(2.0, 140)
    assert weight_from_own_seasons(light, heavy, 1.5)[0] == pytest.approx(160)
    assert math.isnan(weight_from_own_seasons(light, heavy, 2.5)[0])
    assert math.isnan(weight_from_own_seasons(OwnSeason(1, 140), OwnSeason(2, 180), 1.5)[0])


def test_second_pass_uses_the_first():
    limb = straight_limb(900)
    inputs = GrowerInputs()
    first = plan_limb(fruit_on(limb, np.linspace(10, 890, 40)), limb, PEACH, inputs)
    record = first.first_pass
    second_inputs, said = second_pass_inputs(inputs, record, counted_now=first.keep_count - 1)
    assert second_inputs.pass_number == 2
    assert second_inputs.cap == first.final_count
    assert second_inputs.drop_done is True
    assert "1 of the" in said[0]
    left = np.linspace(10, 890, first.keep_count - 1)
    second = plan_limb(fruit_on(limb, left), limb, PEACH, second_inputs)
    assert second.keep_count <= first.final_count
    assert not any("not the final count" in n for n in second.notes)


def test_after_photo():
    assert after_words(8, 8).startswith("Kept as planned")
    assert after_words(8, 12) == "Still 4 over the plan of 8."
    assert after_words(8, 6).startswith("2 fewer than the plan of 8")


def test_seasons_south_of_the_equator_are_six_months_off():
    """January there is July here: both are mid-season (van den Ende, 2012, for the north)."""
    north, south = GrowerInputs(ripening_month=7), GrowerInputs(ripening_month=1, southern=True)
    assert south.northern_month == north.northern_month == 7
    assert PEACH.season_of(south.northern_month) == PEACH.season_of(7)
    assert GrowerInputs(ripening_month=12, southern=True).northern_month == 6
    assert GrowerInputs(ripening_month=6, southern=True).northern_month == 12
    assert GrowerInputs(southern=True).northern_month is None
