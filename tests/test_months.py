"""Month names, hemispheres and the year of a season."""

from datetime import date

import pytest
from click.testing import CliRunner

from fruitcount.cli import main
from fruitcount.errors import BadInputError, SpeciesError
from fruitcount.species.model import load_species
from fruitcount.units import month_number, northern_month, season_year


@pytest.mark.parametrize(
    ("words", "month"), [("6", 6), ("June", 6), (" jun ", 6), ("06", 6), ("DECEMBER", 12)]
)
def test_a_month_by_number_or_name(words, month):
    assert month_number(words) == month


@pytest.mark.parametrize("words", ["", "0", "13", "j", "ju", "Juno", "6.0", "²", "-1"])
def test_what_is_no_month(words):
    with pytest.raises(BadInputError, match="a month must be"):
        month_number(words)


def test_hemispheres():
    # the southern year is the northern one, six months on
    assert [northern_month(m, southern=True) for m in (1, 6, 7, 12)] == [7, 12, 1, 6]
    assert northern_month(3, southern=False) == 3
    for month in range(1, 13):
        south, north = date(2026, month, 1), date(2026, northern_month(month, southern=True), 1)
        assert season_year(south, southern=True) == (2025 if month < 7 else 2026)
        assert season_year(north) == 2026


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("peech", "did you mean peach?"),
        ("plum", "cherry-plum or european-plum or japanese-plum"),
        ("Japanese plum", "did you mean japanese-plum?"),
        ("kiwi", "it must be one of apricot, "),
    ],
)
def test_a_species_not_known_is_guessed(name, meant):
    with pytest.raises(SpeciesError, match="is not known") as fault:
        load_species(name)
    assert meant in str(fault.value)


def test_the_command_says_so(tmp_path):
    photo = "sample_images/peach-34in-heavy.jpg"
    done = CliRunner().invoke(main, ["count", photo, "--species", "peech", "--out", str(tmp_path)])
    assert done.exit_code == 2
    assert "did you mean peach?" in done.output
    done = CliRunner().invoke(main, ["count", photo, "--ripening-month", "Juno"])
    assert done.exit_code == 2
    assert "a month must be 1 to 12 or a name" in done.output
