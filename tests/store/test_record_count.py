"""A count kept by the command line is known to the season, the tree, the records and the screen."""

from contextlib import closing
from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from fruitcount.cli import main
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.season.orchard import OrchardTree
from fruitcount.store import kept as screen_store
from fruitcount.store.archive import find_damage
from fruitcount.store.base import open_records
from fruitcount.store.limbs import load_limbs
from fruitcount.store.orchard import load_trees, save_tree, tree_id_of
from fruitcount.store.photo_record import list_photos, load_record, save_decision
from fruitcount.store.photos import PhotoPlace, save_photo


def run(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    scene, _ = draw_scene(41, SceneSettings(fruit_n=18, leaf_n=40))
    path = tmp_path_factory.mktemp("photos") / "IMG_7-front before.jpg"
    Image.fromarray(scene.rgb).save(path, quality=93)
    return path


@pytest.fixture
def data(tmp_path, monkeypatch):
    monkeypatch.setenv("FRUITCOUNT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def count(photo, tmp_path, *more):
    return run("count", photo, "--source", "classical", "--species", "apricot", "--ripening-month",
               "July", "--out", tmp_path / "o", "--no-picture", *more)  # fmt: skip


def test_what_is_recorded_is_known_everywhere(photo, data, tmp_path):
    missing = run("season")
    assert missing.exit_code == 2
    assert "--record --tree NAME" in missing.output
    done = count(photo, tmp_path, "--record", "--tree", "Gate", "--limb", "low")
    assert done.exit_code == 0, done.output
    assert f"Kept in {data / 'records.db'} as Gate, low, front, before" in done.output
    with closing(open_records()) as store:
        (tree,) = load_trees(store)
        assert (tree.name, tree.species, tree.ripening_month) == ("Gate", "apricot", 7)
        assert 10 < tree.photos_mm < 20  # by its scale card
        assert tree.photos_on == date.today()
        (line,) = list_photos(store)
        (limb,) = load_limbs(store, line.tree_id)
        assert (limb.name, line.side, line.moment) == ("low", "front", "before")
        assert find_damage(store) == []
    season = run("season", "--out", tmp_path / "o")
    assert ": Gate (apricot, ripens July)." in season.output
    assert run("tree", "--out", tmp_path / "o", "--crates", 1, "--crate-kg", 9).exit_code == 0
    assert run("records", "check").exit_code == 0
    screen = screen_store.open_records(data)
    (shown,) = screen.photos(line.tree_id)
    assert shown.numbers["count_n"] > 0
    assert shown.inputs == {"species": "apricot", "ripening_month": 7}
    kept = screen.measurement(shown.key)
    assert kept.sha256 == shown.key
    assert int(kept.fruitlets.counts_as_crop.sum()) == shown.numbers["count_n"]


def test_counting_again_leaves_what_was_kept(photo, data, tmp_path):
    count(photo, tmp_path, "--record", "--tree", "Gate")
    with closing(open_records()) as store:
        first = load_record(store, 1).measurement
    done = count(photo, tmp_path, "--record", "--min-score", 0.99)
    assert done.exit_code == 0, done.output
    with closing(open_records()) as store:
        again = load_record(store, 1)
        assert again.tree_id == tree_id_of(store, "Gate")
        np.testing.assert_array_equal(again.measurement.fruitlets.x_px, first.fruitlets.x_px)


def test_wrong_use_is_told(photo, data, tmp_path):
    done = count(photo, tmp_path, "--tree", "Gate")
    assert done.exit_code == 2
    assert "give it too" in done.output
    assert not data.exists()
    (tmp_path / "file").write_text("no database " * 200)
    done = count(photo, tmp_path, "--record", "--db", tmp_path / "file")
    assert done.exit_code == 2
    assert "Traceback" not in done.output


def test_sizes_of_the_last_photos_are_known_to_the_season(data):
    with closing(open_records(create=True)) as store:
        number = save_tree(store, OrchardTree("Gate", "peach"), year=2026)
        seen = [
            ("2026-04-10", 12.0, ""), ("2026-04-20", 16.0, ""), ("2026-04-20", 17.0, ""),
            ("2026-04-20", 18.0, ""), ("2026-04-25", 21.0, "after"), ("2025-05-20", 30.0, ""),
        ]  # fmt: skip
        for k, (day, size, moment) in enumerate(seen):
            photo = save_photo(store, bytes([k]), place=PhotoPlace(number, moment=moment))
            told = {"taken_at": f"{day}T10:00:00", "median_size_mm": size, "count_n": 9}
            save_decision(store, photo, revision=0, inputs={}, decision=told)
        (tree,) = load_trees(store, year=2026)
        assert (tree.photos_mm, tree.photos_on) == (17.0, date(2026, 4, 20))
        assert tree.size_mm is None
        (tree,) = load_trees(store, day=date(2025, 6, 1))
        assert tree.photos_mm == 30.0
