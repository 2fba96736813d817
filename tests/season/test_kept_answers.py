"""A season's kept answers are never stale: whatever they rest on, they are worked out anew."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from limbs import PX_PER_MM, fruit_on, straight_limb

import fruitcount.corrections as cx
import fruitcount.tree.plan as tree_plan
from fruitcount.jobs import kept_answers, tree_source
from fruitcount.jobs.season import season_book
from fruitcount.jobs.tree import plan_of, tree_lines
from fruitcount.jobs.tree_source import records_source
from fruitcount.pipeline import Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import open_store
from fruitcount.store.kept import Event, Records
from fruitcount.store.limbs import save_limb
from fruitcount.store.orchard import load_trees, save_tree
from fruitcount.store.photo_record import load_records, save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.types import Measurement, Scale

DAY = date(2026, 4, 20)
GATE = OrchardTree(
    "Gate", "peach", ripening_month=8, bloom_date=date(2026, 3, 20), planted_year=2018,
    trunk_circumference_mm=150.0,
)  # fmt: skip


def _measured(fruit_n: int) -> Measurement:
    limb = straight_limb(900, base_mm=25)
    fruit = fruit_on(limb, np.linspace(20, 880, fruit_n))
    return Measurement("a.jpg", "", 4000, 3000, None, Scale(px_per_mm=PX_PER_MM), fruit, limb)


def _decided(store, photo, measurement, **more):
    told = {"species": "peach", "ripening_month": 8, **more}
    known = {k: v for k, v in told.items() if k != "base_diameter_mm"}
    row = result_row(Result(measurement, decide(measurement, GrowerInputs(**known)))).values()
    save_decision(store, photo, revision=0, inputs=told, decision=row)


@pytest.fixture
def orchard(tmp_path):
    with closing(open_store(tmp_path / "o.db")) as store:
        tree = save_tree(store, GATE, year=2026)
        photos = []
        for k, n in enumerate((40, 30)):
            limb = save_limb(store, tree, name=str(k))
            place = PhotoPlace(tree, limb)
            photos.append(save_photo(store, bytes([k]), name=f"{k}.jpg", place=place))
            save_measurement(store, photos[-1], _measured(n))
            _decided(store, photos[-1], _measured(n))
        yield store, photos


@pytest.fixture
def planned_n(monkeypatch):
    calls = []

    def counting(measurement, inputs):
        calls.append(inputs)
        return decide(measurement, inputs)

    monkeypatch.setattr(tree_plan, "decide", counting)

    def since_last() -> int:
        n = len(calls)
        calls.clear()
        return n

    return since_last


def _book(store, *, kept: bool = True):
    source = records_source(store, year=2026)
    source = source if kept else replace(source, answers=None)
    (tree,) = season_book(load_trees(store, year=2026), DAY, year=2026, source=source).trees
    return tree.estimate, tree.keep_n, tree.work.off_n, tree.work.final_n


def _correct(store, photo):
    sheet = cx.sheet_of(_measured(40))
    gone = cx.Many(tuple(cx.Remove(mark) for mark in sheet.marks[:12]))
    records = Records(store)
    key = next(p.key for p in records.photos() if p.number == photo)
    records.add_steps(key, [Event(1, "screen", 1, {"do": cx.edit_to_json(gone)})])


CHANGES = {
    "measured anew": lambda store, photo: save_measurement(store, photo, _measured(33)),
    "corrected": _correct,
    "caliper": lambda store, photo: _decided(store, photo, _measured(40), base_diameter_mm=11.0),
    "plan": lambda store, photo: _decided(store, photo, _measured(40), plan_choice="full"),
    "species": lambda store, photo: save_tree(
        store, replace(GATE, species="japanese-plum", planted_year=None), year=2026
    ),
    "month": lambda store, photo: save_tree(store, replace(GATE, ripening_month=5), year=2026),
    "trunk": lambda store, photo: save_tree(
        store, replace(GATE, trunk_circumference_mm=80.0), year=2026
    ),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_a_kept_answer_is_used_again_and_never_after_a_change(orchard, planned_n, change):
    store, photos = orchard
    first = _book(store)
    assert planned_n() == 2
    assert _book(store) == first == _book(store, kept=False)
    assert planned_n() == 2  # those of the last, without the file
    change(store, photos[0])
    now = _book(store)
    assert planned_n() > 0
    assert now == _book(store, kept=False)
    planned_n()
    assert _book(store) == now
    assert planned_n() == 0


def test_a_season_is_read_in_one_go_however_many_trees(orchard, monkeypatch):
    store, _ = orchard
    for name in ("Pond", "Fence"):
        tree = save_tree(store, replace(GATE, name=name), year=2026)
        place = PhotoPlace(tree, save_limb(store, tree, name="1"))
        photo = save_photo(store, name.encode(), name=f"{name}.jpg", place=place)
        save_measurement(store, photo, measurement=_measured(20))
        _decided(store, photo, _measured(20))
    asked = []
    monkeypatch.setattr(
        tree_source, "load_records", lambda *of: asked.append(of) or load_records(*of)
    )
    source = records_source(store, year=2026)
    assert [row["tree"] for row in source.rows] == ["Fence", "Gate", "Gate", "Pond"]
    assert len(asked) == 1


def test_the_tree_page_and_the_season_keep_their_answers_side_by_side(orchard, planned_n):
    store, _ = orchard
    source = records_source(store, year=2026)
    first = plan_of(source, "Gate", source.facts["Gate"])
    assert planned_n() == 2
    _book(store)  # the same facts: what the tree's plan came to is there already
    assert planned_n() == 0
    again = records_source(store, year=2026)
    other = plan_of(again, "Gate", replace(source.facts["Gate"], crates_n=1.0, crate_kg=9.0))
    assert planned_n() == 2
    now = records_source(store, year=2026)
    plan = plan_of(now, "Gate", source.facts["Gate"])
    assert tree_lines(plan) == tree_lines(first) != tree_lines(other)
    assert planned_n() == 0


def test_another_program_or_a_damaged_file_counts_for_nothing(orchard, planned_n, monkeypatch):
    store, _ = orchard
    first, file = _book(store), store.photos_folder.with_name("o-photos-answers.json")
    planned_n()
    for body in ("{", "[]", '{"program": 1}', json.dumps({"program": "x", "answers": {}})):
        file.write_text(body)
        assert (_book(store), planned_n()) == (first, 2)
    assert (_book(store), planned_n()) == (first, 0)
    monkeypatch.setattr(kept_answers, "program_key", lambda: "the next version's")
    assert (_book(store), planned_n()) == (first, 2)
