"""Front and back of a limb on the Tree page: joined by the program, parted and joined by taps.

The limb is one in space before the test's own pinhole (``limbs_around``).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from limbs_around import SIDE_PX, limb_in_space, photo_of
from streamlit.testing.v1 import AppTest

from fruitcount.image.opencv import cv2
from fruitcount.jobs.tree_source import records_source
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import DATA_VARIABLE
from fruitcount.store.kept import open_records
from fruitcount.store.limbs import load_side_counts, load_side_marks
from fruitcount.store.orchard import save_tree, tree_id_of


@pytest.fixture
def page(tmp_path, monkeypatch):
    """The Tree page with limb 1 from both sides, and the records behind it."""
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    records = open_records(tmp_path)
    tree_id = save_tree(records.store, OrchardTree("Gate", species="peach"), year=date.today().year)
    limb = limb_in_space(0)
    for k, (side, yaw) in enumerate({"front": 0.0, "back": 172.0}.items()):
        shot, _ = photo_of(limb, yaw, k)
        blank = np.full((SIDE_PX[1], SIDE_PX[0], 3), 90 + k, np.uint8)
        key = records.add_photo(bytes(cv2.imencode(".jpg", blank)[1]), f"1_{side}.jpg")
        on_limb = np.ones(len(shot.fruitlets), int)
        fruit = shot.fruitlets.with_columns(on_limb=on_limb)
        records.keep_seen(key, replace(shot, sha256=key, fruitlets=fruit, source="classical"))
        records.put_in_tree(key, tree_id)
        records.put_on_limb(key, "1", side, "")
        told = {"count_n": len(fruit), "keep_n": 5, "verdict": "thin"}
        told |= {"base_diameter_mm": 20.0, "length_mm": 650.0}
        records.keep_result(key, 0, {"species": "peach"}, told)
    app = AppTest.from_string("import page_tree\npage_tree.show()\n", default_timeout=120)
    app.query_params["tree"] = "Gate"
    return app.run(), records


def _pills(app, words: str):
    return next(g for g in app.button_group if words in g.label)


def _recognised(app) -> int:
    words = "\n".join(e.value for e in (*app.markdown, *app.caption))
    found = re.search(r"(\d+) fruit recognised on both sides", words)
    return int(found[1]) if found else -1


def test_both_sides_are_joined_and_a_tap_parts_and_joins(page) -> None:
    app, records = page
    assert not app.exception
    both = [int(v) for v in _pills(app, "On both").value]
    assert len(both) >= 10
    assert _recognised(app) == len(both)
    # the command says the same of the same records
    (limb,) = records_source(records.store).known("Gate").both_sides
    assert limb.both_n == len(both)

    tree_id = tree_id_of(records.store, "Gate")
    _pills(app, "On both").set_value(both[1:]).run()
    assert not app.exception
    assert list(load_side_counts(records.store, tree_id).values()) == [len(both) - 1]
    assert len(_pills(app, "On both").value) == len(both) - 1
    (marks,) = load_side_marks(records.store, tree_id).values()
    assert len(marks) == len(both) - 1

    front, back = _pills(app, "Only on the front"), _pills(app, "Only on the back")
    parted = front.options[0]
    front.set_value(int(parted) - 1)
    back.set_value(int(back.options[0]) - 1).run()
    assert not app.exception
    assert list(load_side_counts(records.store, tree_id).values()) == [len(both)]
    (limb,) = records_source(records.store).known("Gate").both_sides
    assert limb.both_n == len(both)


def test_all_parted_stays_parted(page) -> None:
    app, records = page
    _pills(app, "On both").set_value([]).run()
    assert not app.exception
    tree_id = tree_id_of(records.store, "Gate")
    assert list(load_side_counts(records.store, tree_id).values()) == [0]
    assert len(_pills(app, "Only on the back").options) >= 10


def test_a_number_typed_leads_over_the_join(page) -> None:
    app, records = page
    field = next(n for n in app.number_input if n.label == "Fruit of limb 1 seen on both")
    field.set_value(7).run()
    assert not app.exception
    assert list(load_side_counts(records.store, tree_id_of(records.store, "Gate")).values()) == [7]
    assert _recognised(app) == -1
    (limb,) = records_source(records.store).known("Gate").both_sides
    assert limb.both_n == 7
