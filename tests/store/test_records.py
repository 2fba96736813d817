"""What goes in comes out, on both databases; nobody's edit is lost; deletes really delete."""

import hashlib
import threading

import numpy as np
import pytest
from helpers import add_edit, add_step, photo_bytes, undo
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select
from store_facts import TREE

from fruitcount.errors import RecordError
from fruitcount.measurement_record import measurement_from_dict, measurement_to_dict
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.store.archive import delete_unused_files, find_damage
from fruitcount.store.base import RevisionConflictError, open_store, reading
from fruitcount.store.limbs import end_tuning, load_limbs, load_tuning, save_limb, save_tuning
from fruitcount.store.orchard import (
    delete_tree,
    load_trees,
    save_season_facts,
    save_tree,
    season_history,
    tree_id_of,
)
from fruitcount.store.photo_record import list_photos, load_record, save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, delete_photo, photo_file, save_photo
from fruitcount.store.tables import TuningRow
from fruitcount.types import CIRCLE_COLUMNS


def assert_same_seen(a, b):
    assert (a.name, a.sha256, a.width_px, a.flags, a.source) == (
        b.name, b.sha256, b.width_px, b.flags, b.source,
    )  # fmt: skip
    for column in CIRCLE_COLUMNS:
        np.testing.assert_array_equal(getattr(a.fruitlets, column), getattr(b.fruitlets, column))
    for part in ("scale", "limb"):
        one, two = getattr(a, part), getattr(b, part)
        for field in one.__dataclass_fields__:
            if field == "shoots":
                assert len(one.shoots) == len(two.shoots)
                for s, t in zip(one.shoots, two.shoots, strict=True):
                    np.testing.assert_array_equal(s.line_px, t.line_px)
                continue
            np.testing.assert_array_equal(getattr(one, field), getattr(two, field))


def test_a_photo_is_kept_once(store):
    first = save_photo(store, b"green", name="a.JPG")
    assert save_photo(store, b"green", name="other.jpg") == first
    assert photo_bytes(store, first) == b"green"
    assert photo_file(store, first).name == hashlib.sha256(b"green").hexdigest() + ".jpg"
    assert [p.name for p in list_photos(store)] == ["a.JPG"]


def test_a_hostile_name_stays_in_the_folder(store):
    number = save_photo(store, b"x", name="../../etc/pass.wd/.../..")
    assert store.photos_folder in photo_file(store, number).parents


def test_seen_round_trip(store, measurement):
    number = save_photo(store, b"green", name="a.jpg")
    assert load_record(store, number).measurement is None
    save_measurement(store, number, measurement)
    assert_same_seen(load_record(store, number).measurement, measurement)
    assert_same_seen(measurement_from_dict(measurement_to_dict(measurement)), measurement)


def test_edits_grow_and_can_be_undone(store, measurement):
    number = save_photo(store, b"green")
    save_measurement(store, number, measurement)
    assert add_edit(store, number, 0, {"add": [1, 2]}) == 1
    add_edit(store, number, 1, {"drop": 3})
    undo(store, number, 2)
    record = load_record(store, number)
    assert [edit["add"] for edit in record.edits] == [[1, 2]]
    assert record.revision == 3
    add_step(store, number, 3, {"redo": True})
    assert len(load_record(store, number).edits) == 2
    undo(store, number, 4)
    add_edit(store, number, 5, {"new": 1})
    record = load_record(store, number)
    assert [edit.get("new") for edit in record.edits] == [None, 1]
    assert_same_seen(record.measurement, measurement)  # the automatic result is as it was


def test_a_stale_edit_is_refused(store):
    number = save_photo(store, b"green")
    add_edit(store, number, 0, {"a": 1})
    with pytest.raises(RevisionConflictError):
        add_edit(store, number, 0, {"b": 1})
    assert [edit["a"] for edit in load_record(store, number).edits] == [1]


def test_of_many_writers_one_wins_each_round(store):
    number = save_photo(store, b"green")
    won, lost = [], []

    def write(who):
        for _ in range(5):
            base = load_record(store, number).revision
            try:
                won.append(add_edit(store, number, base, {"who": who}))
            except RevisionConflictError:
                lost.append(who)

    threads = [threading.Thread(target=write, args=(i,)) for i in range(4)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(won) == list(range(1, len(won) + 1))
    assert len(won) + len(lost) == 20
    assert len(load_record(store, number).edits) == len(won)


def test_unknown_photo_is_named(store):
    for call in (
        lambda: load_record(store, 9),
        lambda: delete_photo(store, 9),
        lambda: photo_bytes(store, 9),
    ):
        with pytest.raises(RecordError, match="photo number 9"):
            call()


def test_decisions_say_what_they_rest_on(store):
    number = save_photo(store, b"green")
    add_edit(store, number, 0, {"a": 1})
    save_decision(store, number, revision=0, inputs={"crop": 2}, decision={"keep_n": 11})
    save_decision(store, number, revision=1, inputs={"crop": 2}, decision={"keep_n": np.int64(12)})
    sheet = load_record(store, number)
    assert sheet.numbers == {"keep_n": 12}


def test_trees_and_seasons(store):
    number = save_tree(store, TREE, year=2026)
    assert save_tree(store, TREE, year=2026) == number == tree_id_of(store, "Old one")
    assert load_trees(store, year=2026) == [TREE]
    (other,) = load_trees(store, year=2025)
    assert (other.variety, other.bloom_date) == ("grandmother's", None)
    save_season_facts(store, number, facts=SeasonFacts(2025, 900.0, 300.0, 41.5))
    save_season_facts(store, number, facts=SeasonFacts(2025, note="hail"))
    assert season_history(store, number) == [
        SeasonFacts(2025, 900.0, 300.0, 41.5, None, "hail"), SeasonFacts(2026),
    ]  # fmt: skip
    limb = save_limb(store, number, name="1", base_diameter_mm=31.5)
    assert save_limb(store, number, name="1", base_diameter_mm=32.0, length_mm=900) == limb
    assert [(x.name, x.base_diameter_mm) for x in load_limbs(store, number)] == [("1", 32.0)]


def test_names_sort_alike_in_both_databases(store):
    for name in ("b", "A", "a", "Z", "ä"):
        save_tree(store, OrchardTree(name), year=2026)
    assert [t.name for t in load_trees(store, year=2026)] == ["A", "a", "b", "Z", "ä"]


def _all_bytes(folder):
    return b"".join(p.read_bytes() for p in folder.rglob("*") if p.is_file())


def test_deletes_really_delete(tmp_path, measurement):
    store = open_store(tmp_path / "orchard.db")
    tree = save_tree(store, TREE, year=2026)
    limb = save_limb(store, tree, name="the-secret-limb")
    keep = save_photo(store, b"the kept photo")
    gone = save_photo(
        store, b"the secret photo", name="secret-name.jpg", place=PhotoPlace(tree, limb, "front")
    )
    save_measurement(store, gone, measurement)
    add_edit(store, gone, 0, {"note": "secret-edit"})
    save_decision(store, gone, revision=1, inputs={}, decision={"text": "secret-decision"})
    assert b"secret-edit" in _all_bytes(tmp_path)
    delete_tree(store, tree)
    left = _all_bytes(tmp_path)
    for word in (b"secret", b"grandmother", b"Old one", b"leans"):
        assert word not in left
    assert photo_bytes(store, keep) == b"the kept photo"
    assert find_damage(store) == []
    store.close()


def test_delete_photo(store):
    tree = save_tree(store, TREE, year=2026)
    limb = save_limb(store, tree, name="1")
    one = save_photo(store, b"1", place=PhotoPlace(tree, limb, "front", "before"))
    two = save_photo(store, b"2", place=PhotoPlace(tree, limb, "back", "before"))
    files = [photo_file(store, p) for p in (one, two)]
    delete_photo(store, one)
    assert [f.exists() for f in files] == [False, True]
    assert [p.number for p in list_photos(store)] == [two]
    assert [limb.name for limb in load_limbs(store, tree)] == ["1"]


def test_damage_is_found(store):
    one, two = save_photo(store, b"1"), save_photo(store, b"2")
    add_edit(store, one, 0, {"a": 1})
    assert find_damage(store) == []
    photo_file(store, one).unlink()
    photo_file(store, two).write_bytes(b"3")
    spare = store.photos_folder / "zz" / "spare.jpg"
    spare.parent.mkdir()
    spare.write_bytes(b"")
    found = find_damage(store)
    assert len(found) == 3
    assert "gone" in found[0]
    assert "changed" in found[1]
    with pytest.raises(RecordError, match="changed"):
        photo_bytes(store, two)
    assert delete_unused_files(store) == 1
    assert len(find_damage(store)) == 2


values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text(max_size=8)
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)  # fmt: skip


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.dictionaries(st.text(max_size=4), values, max_size=3))
def test_any_edit_comes_back_as_it_was(tmp_path_factory, edit):
    store = open_store(tmp_path_factory.mktemp("h") / "o.db")
    number = save_photo(store, b"1")
    add_edit(store, number, 0, edit)
    (kept,) = load_record(store, number).edits
    assert {k: v for k, v in kept.items() if k in edit} == edit
    store.close()


def test_a_trees_tuning_is_in_force_until_it_ends_and_stays_in_the_records(store):
    tree = save_tree(store, TREE, year=2026)
    assert load_tuning(store, tree) is None
    save_tuning(store, tree, {"photos_n": 2})
    second = save_tuning(store, tree, {"photos_n": 3})
    now = load_tuning(store, tree)
    assert (now.id, now.body) == (second, {"photos_n": 3})
    end_tuning(store, tree)
    assert load_tuning(store, tree) is None
    with reading(store) as session:
        rows = list(session.scalars(select(TuningRow).order_by(TuningRow.id)))
    assert [r.body["photos_n"] for r in rows] == [2, 3]
    assert all(r.ended_at for r in rows)
    with pytest.raises(RecordError, match="no tree"):
        save_tuning(store, 99, {})
