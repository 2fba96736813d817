"""Every reader against damaged files: what broke one before, and ten seconds of new damage."""

from __future__ import annotations

import os

import pytest
from hardening.fuzz import fuzz_one, main, replay, stored_seeds
from hardening.fuzz_readers import READERS

pytestmark = pytest.mark.filterwarnings("ignore")
# FRUITCOUNT_FUZZ_S: seconds for all readers together; python -m tests.hardening.fuzz runs longer
SECONDS = float(os.environ.get("FRUITCOUNT_FUZZ_S", "10"))


@pytest.mark.parametrize(
    "path", [p for n in READERS for p in stored_seeds(n)], ids=lambda p: p.stem
)
def test_what_broke_a_reader_once_is_refused_in_words_now(tmp_path, path):
    replay(path, tmp_path)


@pytest.mark.parametrize("name", READERS)
def test_good_files_are_read(tmp_path, name):
    """Without this the damage would be done to files that are refused at once."""
    reader = READERS[name]
    assert reader.seeds()
    for data in reader.seeds():
        reader.read(data, tmp_path)


@pytest.mark.parametrize("name", READERS)
def test_damage_ends_in_a_result_or_in_the_projects_own_error(tmp_path, name):
    tally = fuzz_one(name, SECONDS / len(READERS), tmp_path)
    assert tally.found == {}
    assert tally.tried_n >= len(READERS[name].seeds())


def test_a_reader_that_breaks_is_a_finding(tmp_path, monkeypatch):
    """The harness itself: it finds a reader that is broken on purpose."""
    from hardening import fuzz

    def broken(data, _):
        if data != b"good":
            raise ZeroDivisionError

    monkeypatch.setitem(READERS, "yolo", fuzz.Reader(lambda: [b"good"], broken))
    tally = fuzz_one("yolo", 3.0, tmp_path)
    assert list(tally.found) == ["ZeroDivisionError-test_hardening_fuzz-broken"]


def test_the_command_runs_one_reader(tmp_path, capsys):
    assert (
        main(
            [
                "--minutes",
                "0.02",
                "--engine",
                "hypothesis",
                "--only",
                "hand-counts",
                "--out",
                str(tmp_path),
            ]
        )
        == 0
    )
    assert "findings" in capsys.readouterr().out
