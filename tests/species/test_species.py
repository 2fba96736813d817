"""One contract for every species file; a new file is found by itself."""

from __future__ import annotations

import math
from dataclasses import fields

import pytest

from fruitcount.errors import SpeciesError
from fruitcount.species.model import (
    STATUSES,
    UNKNOWN,
    Sourced,
    load_species,
    read_species_file,
    species_names,
)
from fruitcount.units import MM_PER_INCH

WANTED = {
    "peach", "nectarine", "apricot", "japanese-plum", "european-plum", "plum-apricot",
    "plum-apricot-apricot-like", "cherry-plum", "sweet-cherry", "tart-cherry",
}  # fmt: skip


def test_all_species_are_there():
    assert set(species_names()) >= WANTED
    assert species_names() == sorted(species_names())


@pytest.mark.parametrize("name", species_names())
def test_contract(name):
    species = load_species(name)
    assert species.name == name
    assert species.title
    assert species.cluster_rule
    for field in fields(species):
        number = getattr(species, field.name)
        if isinstance(number, Sourced) and number is not UNKNOWN:
            assert number.status in STATUSES, field.name
            assert len(number.source) > 8, field.name
            assert number.known or not species.thinned, field.name
    if species.thinned:
        low, centre, high = (
            getattr(species, f"spacing_{n}_mm").number for n in ("low", "centre", "high")
        )
        assert 25 < low <= centre <= high < 300
        assert species.first_pass_spacing_mm.number <= centre
        ends = species.thinning_size_mm
        assert ends.low < species.thinning_latest_mm.number < species.harvest_diameter_mm.number
    assert 0.7 < species.fruit_density_g_per_cm3.number < 1.1
    assert 20 < species.breaking_stress_mpa < 30
    assert set(species.ripening_months) == {"early", "mid", "late"}
    assert all(table.status in STATUSES for table in species.tables_source.values())


@pytest.mark.parametrize(
    ("name", "low", "centre", "high"),
    [
        # Spans the published advice named in each file, in inches.
        ("peach", 4, 6, 8),
        ("nectarine", 4, 6, 8),
        ("apricot", 2, 3.5, 5),
        ("japanese-plum", 3, 4.5, 6),
        ("european-plum", 2, 3, 4),
        ("plum-apricot", 4, 5, 6),
        ("plum-apricot-apricot-like", 3, 4, 5),
    ],
)
def test_spacing_in_inches(name, low, centre, high):
    species = load_species(name)
    got = [
        n.number / MM_PER_INCH
        for n in (species.spacing_low_mm, species.spacing_centre_mm, species.spacing_high_mm)
    ]
    assert got == pytest.approx([low, centre, high], abs=1e-3)


def test_cherries_are_not_thinned():
    # Kansas State, Oklahoma State, UC, Nevada.
    for name in ("sweet-cherry", "tart-cherry"):
        assert not load_species(name).thinned
        assert math.isnan(load_species(name).spacing_centre_mm.number)


def test_seasons():
    # B. van den Ende 2012: early May/June, mid July/August, late September/October.
    peach = load_species("peach")
    assert [peach.season_of(m) for m in (5, 6, 7, 8, 9, 10)] == ["early"] * 2 + ["mid"] * 2 + [
        "late"
    ] * 2
    assert (peach.season_of(4), peach.season_of(11), peach.season_of(None)) == ("early", "late", "")


def test_unknown_species_is_named():
    with pytest.raises(SpeciesError, match="'medlar'"):
        load_species("medlar")


def edited(tmp_path, old, new, name="peach"):
    from fruitcount.species import model

    text = (model._FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / f"{name}.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("value = 101.6", "value = 500.0", "spacings must rise"),
        ('status = "derived"', 'status = "certain"', "status must be one of"),
        ("[numbers.green_mor_mpa]", "[numbers.mor]", "green_mor_mpa"),
        ('title = "Peach"', "", "lacks title"),
        ("value = 0.96", "value = nan", "must be finite"),
        ('name = "peach"', 'name = "plum"', "own name"),
        ("value = 0.96", "value = ", "cannot be read as TOML"),
        ("late = [9, 10]", "", "late"),
        ("[ripening_months]", "[months]", "lacks ripening_months"),
    ],
)
def test_a_broken_file_is_refused_by_name(tmp_path, old, new, text):
    with pytest.raises(SpeciesError, match=text) as caught:
        read_species_file(edited(tmp_path, old, new))
    assert "peach.toml" in str(caught.value)


def test_a_new_species_needs_no_code(tmp_path):
    path = edited(tmp_path, 'name = "apricot"', 'name = "my-apricot"', "apricot")
    path = path.rename(tmp_path / "my-apricot.toml")
    assert read_species_file(path).spacing_centre_mm.number == pytest.approx(88.9)
