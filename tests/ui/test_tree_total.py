"""The tree page's own sums: photos that belong together, workers, trunk and age."""

from __future__ import annotations

import os
import re
from datetime import date

import cv2
import numpy as np
import pytest
import screen_cache
from conftest import keep_counted
from screen_launch import DATA_VARIABLE
from streamlit.testing.v1 import AppTest
from tree_lessons import workers_for
from tree_total import noticed

from fruitcount.jobs.tree import plan_of
from fruitcount.jobs.tree_source import records_source
from fruitcount.plan.fruit_size import size_code
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.species.model import load_species
from fruitcount.store.kept import open_records
from fruitcount.store.limbs import load_hand_counts, load_side_counts, save_hand_count, save_limb
from fruitcount.store.orchard import load_trees, save_season_facts, save_tree, tree_id_of
from fruitcount.tree.photos import look_hash


def picture(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return cv2.resize(rng.integers(0, 255, (30, 40, 3), dtype=np.uint8), (320, 240))


def row(file: str, looks: np.ndarray, **more):
    usual = {"tree": "t", "limb": "", "side": "", "moment": "", "ok": True, "count_n": 20}
    return {"file": file, "look": look_hash(looks)} | usual | more


def test_a_copy_saved_again_is_noticed_and_a_limb_after_thinning_is_not_one():
    small = cv2.resize(picture(1), (200, 150))
    words = noticed([row("a", picture(1)), row("b", small), row("c", picture(2))])
    assert words == ["b looks the same as a: counted once."]
    same_stand = [
        row("a", picture(1), limb="1", moment="before"),
        row("b", picture(1), limb="1", moment="after", count_n=9),
    ]
    assert noticed(same_stand) == ["Limb 1 was photographed before and after: compared below."]


def test_two_sides_of_a_limb_are_noticed():
    rows = [
        row("a", picture(1), limb="1", side="front"),
        row("b", picture(2), limb="1", side="back"),
    ]
    (words,) = noticed(rows)
    assert "on 2 photos" in words
    assert "better of front and back" in words


def test_many_photos_use_every_core_and_few_leave_one(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    assert (workers_for(4), workers_for(30)) == (1, 2)
    monkeypatch.setattr(os, "cpu_count", lambda: 32)
    assert workers_for(30) == 4


@pytest.fixture
def tree_page(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    records = open_records(tmp_path)
    year = date.today().year
    tree = OrchardTree("Gate", species="peach", ripening_month=7)
    tree_id = save_tree(records.store, tree, year=year)
    key = keep_counted(tmp_path, 20, (800, 600))
    records.put_in_tree(key, tree_id)
    told = {"count_n": 2000, "keep_n": 300, "verdict": "thin"}
    told |= {"base_diameter_mm": 30.0, "length_mm": 950.0}
    records.keep_result(key, 0, {"species": "peach"}, told)
    app = AppTest.from_string("import page_tree\npage_tree.show()\n", default_timeout=60)
    app.query_params["tree"] = "Gate"
    return app.run(), records, year


def test_two_own_seasons_tell_the_size_to_expect(tree_page):
    app, records, year = tree_page
    tree_id = tree_id_of(records.store, "Gate")
    for back, kept, grams in ((1, 5, 160.0), (2, 4000, 110.0)):
        facts = SeasonFacts(year - back, fruit_after_n=kept, fruit_g=grams)
        save_season_facts(records.store, tree_id, facts=facts)
    words = [m.value for m in app.run().markdown]
    assert not app.exception
    assert any(w.startswith("Size at picking. With") and "own two seasons" in w for w in words)


def test_trunk_and_age_lead_to_the_published_target_and_are_kept(tree_page):
    """Mid-season peach of 5 years and more: fruit per cm of trunk as van den Ende (2012) gives."""
    app, records, year = tree_page
    assert not app.exception
    boxes = {n.label: n for n in app.number_input}
    boxes["Trunk, measured around, cm"].set_value(40.0).run()
    assert any("Enter its age as well" in c.value for c in app.caption)
    next(n for n in app.number_input if "planted" in n.label).set_value(8).run()
    assert not app.exception
    assert any("by trunk and age" in m.value for m in app.markdown)
    assert any("van den Ende" in c.value for c in app.caption)
    (tree,) = load_trees(records.store, year=year)
    assert (tree.trunk_circumference_mm, tree.planted_year) == (400.0, year - 8)


def test_limbs_counted_by_hand_widen_the_tree_and_can_be_cleared(tree_page):
    app, records, year = tree_page
    for seen, true in ((20, 25), (10, 15)):
        boxes = {n.label: n for n in app.number_input}
        boxes["On its photo"].set_value(seen)
        boxes["By hand"].set_value(true)
        next(b for b in app.button if "hand" in str(b.form_id)).click().run()
        assert not app.exception
    words = "\n".join(m.value for m in app.markdown)
    assert "By hand 1.33 times what the photos show (95% interval" in words  # 40 for 30
    assert "About 2,667 fruit on the tree" in words
    next(b for b in app.button if b.label == "Clear them").click().run()
    assert load_hand_counts(records.store, year=year) == []
    assert "About 2000 fruit seen" in "\n".join(m.value for m in app.markdown)


@pytest.fixture
def two_sided(tmp_path, monkeypatch):
    """A tree with limb 1 on photos of both sides, 24 and 20 fruit, and limb 2 on one."""
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    records = open_records(tmp_path)
    tree_id = save_tree(records.store, OrchardTree("Gate", species="peach"), year=date.today().year)
    keys = {}
    for name, n in (("front", 24), ("back", 20), ("2", 30)):
        keys[name] = keep_counted(tmp_path, n, (800, 600))
        records.put_in_tree(keys[name], tree_id)
        side = name if name in ("front", "back") else ""
        records.put_on_limb(keys[name], "1" if side else "2", side, "")
        told = {"count_n": n, "keep_n": 5, "verdict": "thin"}
        told |= {"base_diameter_mm": 30.0, "length_mm": 950.0}
        records.keep_result(keys[name], 0, {"species": "peach"}, told)
    app = AppTest.from_string("import page_tree\npage_tree.show()\n", default_timeout=60)
    app.query_params["tree"] = "Gate"
    return app.run(), records, keys


def _said(app) -> str:
    words = "\n".join(e.value for e in (*app.markdown, *app.caption))
    return words.replace("\\", "")


def _field(app):
    return next(n for n in app.number_input if n.label == "Fruit of limb 1 seen on both")


def test_fruit_on_both_sides_is_off_until_told_then_a_range_with_its_caution(two_sided):
    """Chapman (1951): (24 + 1)(20 + 1)/(12 + 1) - 1 = 39 on limb 1.

    Its interval by hand: variance 25*21*12*8/(13^2*14) = 21.3, 32 seen, 7.38 hidden; spread
    exp(1.96 sqrt(ln(1 + 21.3/7.38^2))) = 3.08; 32 + 7.38/3.08 = 34.4, 32 + 22.8 = 54.8. One side
    of it shows 22 on average, so limb 2 has 30 * 39.38 / 22 = 53.7: 93 in all.
    """
    app, records, keys = two_sided
    assert not app.exception
    words = _said(app)
    assert "54 fruit seen" in words
    assert "capture-recapture" not in words
    assert _field(app).value is None
    _field(app).set_value(21).run()  # more than the back shows
    assert any("At most 20" in e.value for e in app.error)
    assert "capture-recapture" not in _said(app)
    _field(app).set_value(12).run()
    assert not app.exception
    words = _said(app)
    assert "About 93 fruit on the tree" in words
    assert "Limb 1 from both sides: 32 to 67 fruit, with those that neither shows" in words
    assert "18 % too low" in words
    assert "One limb alone does not show how much limbs differ" in words
    tree_id = tree_id_of(records.store, "Gate")
    assert list(load_side_counts(records.store, tree_id).values()) == [12]
    # the front corrected down to fewer than were on both: not used, and said so
    told = {"count_n": 8, "keep_n": 5, "verdict": "thin", "base_diameter_mm": 30.0}
    records.keep_result(keys["front"], 1, {"species": "peach"}, told)
    words = _said(app.run())
    assert "its photos now show 8 and 20" in words
    assert "capture-recapture" not in words
    records.keep_result(keys["front"], 2, {"species": "peach"}, {**told, "count_n": 24})
    _field(app).set_value(None).run()
    assert load_side_counts(records.store, tree_id) == {}
    assert "capture-recapture" not in _said(app)


def test_a_limb_chosen_is_counted_by_hand_under_its_name(two_sided):
    app, records, _ = two_sided
    box = next(b for b in app.selectbox if b.label == "Which limb")
    box.set_value(box.options[0])
    next(n for n in app.number_input if n.label == "By hand").set_value(77)
    next(b for b in app.button if "hand" in str(b.form_id)).click().run()
    assert not app.exception
    (kept,) = load_hand_counts(records.store, year=date.today().year)
    assert (kept.limb, kept.true_n) == (box.options[0], 77)
    assert re.search(rf"\| {kept.limb} \| 77 \|", _said(app))  # as counted, not as estimated


def test_what_is_typed_of_a_southern_tree_is_of_its_season(two_sided, monkeypatch):
    """In March last spring's crop still hangs there: ``fruitcount tree`` reads that season too."""

    class March(date):
        @classmethod
        def today(cls):
            return date(2026, 3, 10)

    app, records, _ = two_sided
    save_tree(records.store, OrchardTree("Gate", species="peach", southern=True), year=2025)
    monkeypatch.setattr(screen_cache, "date", March)
    app.run()
    boxes = {n.label: n for n in app.number_input}
    boxes["On its photo"].set_value(20)
    boxes["By hand"].set_value(25)
    next(b for b in app.button if "hand" in str(b.form_id)).click().run()
    next(n for n in app.number_input if "planted" in n.label).set_value(8).run()
    assert not app.exception
    source = records_source(records.store, day=March.today(), newest=True)
    assert source.facts["Gate"].seen_true == ((20.0, 25.0),)
    assert load_trees(records.store, year=2025)[0].planted_year == 2025 - 8


def test_a_photo_saved_again_counts_once_on_the_page_and_in_the_command(two_sided):
    app, records, keys = two_sided
    rgb = cv2.imread(str(records.path(keys["2"])))
    _, jpeg = cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, 70])
    again = records.add_photo(bytes(jpeg), "again.jpg")
    records.put_in_tree(again, tree_id_of(records.store, "Gate"))
    records.keep_result(again, 0, {"species": "peach"}, {"count_n": 30, "verdict": "thin"})
    assert "54 fruit seen" in _said(app.run())
    source = records_source(records.store, newest=True)
    assert plan_of(source, "Gate", source.known("Gate")).count.total.value_n == 54


def test_limbs_of_the_records_count_on_the_page_as_in_the_command(two_sided):
    app, records, _ = two_sided
    tree_id = tree_id_of(records.store, "Gate")

    def commanded() -> float:
        source = records_source(records.store, newest=True)
        return plan_of(source, "Gate", source.known("Gate")).count.total.value_n

    save_limb(records.store, tree_id, name="a name given up")  # nobody knows that it is a limb
    assert "54 fruit seen" in _said(app.run())
    assert commanded() == 54
    save_limb(records.store, tree_id, name="3", base_diameter_mm=25.0)
    whole = commanded()
    assert whole > 54
    assert f"About {whole:.0f} fruit that photos of all limbs would show" in _said(app.run())


def test_hand_counts_lead_over_both_sides_on_the_page_too(two_sided):
    app, records, _ = two_sided
    tree_id = tree_id_of(records.store, "Gate")
    year = date.today().year
    for seen, true in ((24, 36), (30, 45)):
        save_hand_count(records.store, year=year, seen_n=seen, true_n=true, tree_id=tree_id)
    _field(app).set_value(12).run()
    assert not app.exception
    words = _said(app)
    assert "About 81 fruit on the tree" in words or "81 fruit" in words  # 54 times 1.5
    assert "rests on the limbs counted by hand" in words


def test_what_makes_it_surer_the_harvest_its_class_and_the_minutes(two_sided):
    """Size class of 64 to 69 mm peaches: the trade codes of the species file, with their source."""
    app, _, _ = two_sided
    box = next(n for n in app.text_input if n.label.startswith("Base thickness of each other"))
    box.set_value("30, 31, 29, 30, 30, 30").run()
    assert not app.exception
    words = _said(app)
    assert re.search(r"To about halve the interval photograph \d more limbs? \(other \d", words)
    species = load_species("peach")
    code = size_code(species, species.harvest_diameter_mm.number)
    harvest = r"Harvest expected on the limbs photographed, after a second pass: about \d+ fruit"
    assert re.search(rf"{harvest}, [\d.]+ kg \(\d+ g a fruit, size class {code}\)", words)
    assert "Minutes" not in words
    assert "common practice, no source" in words  # for the tree's health too
    assert "1,500 to 2,500" not in words
    next(n for n in app.number_input if n.label == "Fruit you take off in a minute").set_value(10)
    words = _said(app.run())
    off = int(re.search(r"take off about (\d+)", words)[1])
    assert f"Work: about {off / 10:.0f} minutes at your pace" in words
    assert "| At harvest | Minutes |" in words


def test_a_small_tree_with_too_many_fruit_is_told_common_practice(tree_page):
    app, _, _ = tree_page  # 2,000 fruit
    words = _said(app)
    assert "1,500 to 2,500 fruit on one small tree cannot ripen well (common practice, no" in words
    assert "for the tree's health too" in words


def test_an_estimate_without_a_target_says_what_makes_it_surer_too(two_sided):
    """Tart cherry has no spacing that anyone thins to: the estimate stands alone."""
    app, records, keys = two_sided
    for key, n in zip(keys.values(), (24, 20, 30), strict=True):
        told = {"count_n": n, "keep_n": 5, "verdict": "leave", "base_diameter_mm": 30.0}
        records.keep_result(key, 1, {"species": "tart-cherry"}, told)
    tree = OrchardTree("Gate", species="tart-cherry")
    save_tree(records.store, tree, year=date.today().year)
    app.run()
    next(n for n in app.text_input if n.label.startswith("Base thick")).set_value(
        "30, 30, 30"
    ).run()
    _field(app).set_value(12).run()
    assert not app.exception
    words = _said(app)
    assert "How many should stay?" in words
    assert "About 233 fruit" in words  # (22 + 30) / 2 * 5 limbs * 39.38 / 22
    assert "capture-recapture" in words
    assert "photograph" in words
