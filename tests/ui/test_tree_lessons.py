"""Learning on the tree page: offered with figures, put in force by a tap, taken back by another."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import cv2
import numpy as np
import pytest
import screen_cache as cache
import tree_lessons as lessons
from screen_launch import DATA_VARIABLE
from screen_wide import has_wide, wide_marks
from streamlit.testing.v1 import AppTest
from tree_lessons import find_many

import fruitcount.corrections as cx
from fruitcount.calibrate import Tuning
from fruitcount.files import sample_folder
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.kept import Event, open_records
from fruitcount.store.limbs import load_tuning
from fruitcount.store.orchard import save_tree
from fruitcount.types import Fruitlets, Limb, Measurement, Scale

WIDTH, HEIGHT = 1600, 400
LINE = np.stack([np.linspace(20, 1580, 40), np.full(40, 200.0)], axis=1)


def wide(seed: int) -> Fruitlets:
    """Thirty marks along a limb; on this tree every one over 0.2 is a fruit, none under."""
    rng = np.random.default_rng(seed)
    score = np.concatenate([np.linspace(0.20, 0.29, 8), rng.uniform(0.5, 0.95, 12),
                            rng.uniform(0.06, 0.18, 10)])  # fmt: skip
    return Fruitlets.from_columns(
        x_px=np.linspace(60, 1540, 30)[rng.permutation(30)],
        y_px=np.full(30, 206.0),
        r_px=np.full(30, 14.0),
        score=score,
        on_limb=np.ones(30, int),
    )


def seen_of(seed: int, key: str) -> Measurement:
    limb = Limb(
        line_px=LINE,
        width_px=np.full(40, 24.0),
        length_px=1560.0,
        length_mm=780.0,
        base_diameter_mm=12.0,
        tip_diameter_mm=12.0,
        diameter_source="photo",
    )
    marks = wide(seed)
    marks = marks.take(marks.score >= 0.3)
    scale = Scale(2.0, 0.01, "card")
    return Measurement(
        f"{seed}.jpg", key, WIDTH, HEIGHT, None, scale, marks, limb, source="trained"
    )


def keep(records, seed: int, tree_id: int) -> str:
    rgb = np.random.default_rng(seed).integers(0, 255, (20, 80, 3), dtype=np.uint8)
    _, jpeg = cv2.imencode(".jpg", cv2.resize(rgb, (WIDTH, HEIGHT)))
    key = records.add_photo(bytes(jpeg), f"{seed}.jpg")
    records.put_in_tree(key, tree_id)
    records.keep_seen(key, seen_of(seed, key))
    records.keep_result(key, 0, {}, {"count_n": 12, "keep_n": 5, "verdict": "thin"})
    return key


def correct(records, key: str, seed: int) -> None:
    """A person adds the eight fruit that were missed."""
    marks = wide(seed)
    add = [
        cx.Add(cx.Mark(f"hx-{i}", float(marks.x_px[i]), 206.0, 14.0, on_limb=1, by_hand=True))
        for i in range(8)
    ]
    steps = [{"do": cx.edit_to_json(edit)} for edit in add]
    records.add_steps(key, [Event(n, "hx", n, step) for n, step in enumerate(steps, start=1)])


@pytest.fixture
def tree(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    records = open_records(tmp_path)
    tree_id = save_tree(records.store, OrchardTree("Gate"), year=date.today().year)
    keys = {seed: keep(records, seed, tree_id) for seed in (1, 2, 3)}
    by_path = {records.path(key): seed for seed, key in keys.items()}
    monkeypatch.setattr(lessons, "wide_marks", lambda path: wide(by_path[path]))
    monkeypatch.setattr(lessons, "find_many", lambda paths, tell: tell(len(paths), len(paths)))
    for seed in (1, 2):
        correct(records, keys[seed], seed)
    app = AppTest.from_string("import page_tree\npage_tree.show()\n", default_timeout=60)
    app.query_params["tree"] = "Gate"
    return app, records, tree_id, keys


def press(app: AppTest, words: str) -> AppTest:
    next(b for b in app.button if words in b.label).click().run()
    assert not app.exception
    return app


def shown(app: AppTest) -> str:
    return "\n".join(e.value for e in (*app.markdown, *app.caption, *app.success))


def marks_of(records, key: str) -> list[str]:
    session = cache.EditSession(cx.History.begin(cx.sheet_of(records.measurement(key))))
    session.follow(records.steps(key))
    return [m.id for m in session.history.sheet.marks]


def test_offered_with_figures_used_by_a_tap_and_taken_back_by_another(tree):
    app, records, tree_id, keys = tree
    before = marks_of(records, keys[3])
    assert len(before) == 12
    press(app.run(), "Use these 2 corrections")
    # held out, each photo is judged by the other: 12 of 20 found before, 16 after, as two photos
    # take the threshold half of the way from 0.3 to 0.2
    assert "| Missed fruit | 16 | 8 |" in shown(app)
    assert "| Agreement with you | **75%** | **89%** |" in shown(app)
    assert load_tuning(records.store, tree_id) is None
    assert marks_of(records, keys[3]) == before
    press(app, "Use it for the others")
    assert "Photos changed: 1." in shown(app)
    assert len(marks_of(records, keys[3])) == 16
    assert len(marks_of(records, keys[1])) == 20
    assert len(records.measurement(keys[3]).fruitlets) == 12
    line = next(p for p in records.photos(tree_id) if p.key == keys[3])
    assert line.numbers["count_n"] == 16
    press(app, "Back to the original settings")
    assert load_tuning(records.store, tree_id) is None
    assert marks_of(records, keys[3]) == before
    assert sum(name.startswith("h") for name in marks_of(records, keys[1])) == 8


def test_declined_changes_nothing(tree):
    app, records, tree_id, keys = tree
    press(app.run(), "Use these 2 corrections")
    press(app, "Leave them as they are")
    assert "Nothing was changed" in shown(app)
    assert load_tuning(records.store, tree_id) is None
    assert len(marks_of(records, keys[3])) == 12


def test_a_photo_with_doubtful_marks_left_does_not_teach(tree):
    _, records, _, keys = tree
    measurement = records.measurement(keys[1])
    sheet = cx.sheet_of(measurement)
    history = cx.History.begin(sheet)
    assert not lessons.is_checked(history, 0.47)
    history = history.do(cx.Add(cx.Mark("hx-1", 1, 1, 5, by_hand=True)))
    assert lessons.is_checked(history, 0.47)
    assert not lessons.is_checked(history, 0.97)


def test_going_back_keeps_what_a_person_did_since(tree):
    _, _, _, keys = tree
    measurement = seen_of(3, keys[3])
    start = cx.History.begin(cx.sheet_of(measurement))
    edit = lessons.tuned_edit(measurement, start.sheet, (wide(3), Tuning(0.6)), "1")
    tuned = start.do(edit)
    assert not lessons.touched(tuned)
    assert len(tuned.sheet.marks) < 12
    assert lessons.restoring(tuned) == {"undo": True}
    mine = cx.Mark("hx-1", 800, 50, 9, on_limb=1, by_hand=True)
    moved = tuned.sheet.marks[0]
    gone = tuned.sheet.marks[1]
    later = tuned.do(cx.Add(mine)).do(
        cx.Change(moved, replace(moved, y_px=210.0, by_hand=True), "move")
    )
    later = later.do(cx.Remove(gone))
    assert lessons.touched(later)
    back = later.step(lessons.restoring(later))
    want = {m.id for m in start.sheet.marks} - {gone.id} | {"hx-1"}
    assert {m.id for m in back.sheet.marks} == want
    assert back.sheet.find(moved.id).y_px == 210.0
    kept = [m for m in start.sheet.marks if m.id not in (moved.id, gone.id)]
    assert all(back.sheet.find(m.id) == m for m in kept)
    assert lessons.restoring(back) is None
    assert not lessons.learned_here(back)


def test_marks_of_many_photos_are_found_by_worker_processes_and_kept(tmp_path, monkeypatch):
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))  # workers may run a page anew
    records = open_records(tmp_path)
    rgb = cv2.resize(cv2.imread(str(sample_folder() / "peach-leafy.jpg")), (1000, 750))
    coded = [cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, 90 + n])[1] for n in range(4)]
    paths = [records.path(records.add_photo(bytes(data), "a.jpg")) for data in coded]
    told = []
    find_many(paths, lambda n, m: told.append((n, m)))
    assert told[-1] == (4, 4)
    assert all(has_wide(path) for path in paths)
    first = wide_marks(paths[0])
    assert len(first) > 10
    assert float(first.score.min()) < 0.3
    find_many(paths, lambda n, m: pytest.fail("found already"))
    paths[0].with_name(f"{paths[0].name}.wide.json").write_text("{damaged")
    assert not has_wide(paths[0])
    assert len(wide_marks(paths[0])) == len(first)
