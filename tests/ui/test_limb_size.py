"""Size at picking: words rest on the published codes and rule, or on the grower's own seasons."""

from __future__ import annotations

import math

import pytest
from conftest import keep_counted
from limb_size import own_words, pointer_words, wanted_words
from screen_launch import DATA_VARIABLE
from streamlit.testing.v1 import AppTest

from fruitcount.species.model import load_species

PEACH = load_species("peach")


def test_the_wanted_size_is_named_by_its_trade_code():
    """EC 1580/2007, Annex I Part 5: A from 67 mm, AA from 73 mm, AAAA from 90 mm."""
    words = wanted_words(PEACH, 70.0, "metric")
    assert "Trade size A." in words
    assert "The next larger, AA, begins at 73 mm" in words
    assert "1580/2007" in words
    assert "next larger" not in wanted_words(PEACH, 95.0, "metric")
    assert "2.76 in" in wanted_words(PEACH, 70.0, "us")
    assert "Trade size" not in wanted_words(load_species("tart-cherry"), None, "metric")


def test_the_rule_at_reference_date_points_and_says_when_it_holds():
    """33, 36 and 38 mm at reference date ("Modern Fruit Science", told in a later book)."""
    (words,) = pointer_words(PEACH, 30.0, days=62.0)
    assert "thinned heavily" in words
    (early,) = pointer_words(PEACH, 18.0, days=30.0)
    assert "too early" in early
    (unknown,) = pointer_words(PEACH, 37.0, days=None)
    assert "not known here" in unknown
    assert pointer_words(PEACH, math.nan, days=60.0) == []
    assert pointer_words(load_species("apricot"), 30.0, days=60.0) == []


@pytest.mark.parametrize(
    ("keep", "words"),
    [
        (40, "about 140 g a fruit"),  # half way between 20 at 160 g and 60 at 120 g
        (80, "smaller"),
        (10, "larger"),
    ],
)
def test_two_own_seasons_tell_a_weight_between_them_only(keep, words):
    assert words in own_words([(20, 160), (60, 120)], keep, "metric")


def test_two_like_seasons_or_a_wrong_way_round_tell_nothing():
    assert "must differ" in own_words([(20, 160), (20, 120)], 20, "metric")
    assert "do not show" in own_words([(20, 120), (60, 160)], 40, "metric")


def test_two_seasons_typed_on_the_page_are_kept(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    key = keep_counted(tmp_path, 20, (1600, 1200))

    def page() -> AppTest:
        app = AppTest.from_string("import page_limb\npage_limb.show()\n", default_timeout=60)
        app.query_params["photo"] = key
        return app.run()

    app = page()
    for label, value in (
        ("Season 1: fruit that stayed", 2.0),
        ("Season 1: one ripe fruit, g", 170.0),
        ("Season 2: fruit that stayed", 60.0),
        ("Season 2: one ripe fruit, g", 110.0),
    ):
        next(n for n in app.number_input if n.label == label).set_value(value).run()
        assert not app.exception
    said = "\n".join(m.value for m in app.markdown)
    assert "Between your own two seasons" in said
    again = page()
    assert [n.value for n in again.number_input if n.label.startswith("Season 2")] == [60.0, 110.0]
