"""Never "0 fruit" from a photo that cannot tell: in the library, in every file, on the terminal."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path

import pytest
from hardening.kit import CLASSICAL, limb_rgb, run, saved, scene

from fruitcount.errors import RecordError
from fruitcount.export.words import count_line, result_lines
from fruitcount.flags import Flag, flag_names
from fruitcount.image.photo import read_photo
from fruitcount.jobs.count import read_left_standing
from fruitcount.pipeline import CountSettings, Result, count_limb
from fruitcount.results import result_row

POOR = ["blurred", "shaken", "black", "white", "grey", "fog", "night", "snow"]
WHY = Flag.PHOTO_BLURRED | Flag.PHOTO_DARK | Flag.PHOTO_BRIGHT
# a number right before "fruit", or a zero that stands for a count
ZERO = re.compile(r"\b0 (?:fruit|of|stay|now|hang)|fruit: 0|keep 0", re.IGNORECASE)
COUNTS = ("count_n", "yellowing_n", "elsewhere_n", "keep_n", "off_n", "cuts_n", "pinches_n")


@pytest.fixture(scope="module")
def results() -> dict[str, Result]:
    settings = CountSettings(source="classical")
    return {name: count_limb(read_photo(scene(name), name=name), settings) for name in POOR}


@pytest.mark.parametrize("name", POOR)
def test_the_library_says_could_not_tell_and_why(results: dict[str, Result], name: str) -> None:
    seen, decision = results[name].measurement, results[name].decision
    assert Flag.COUNT_UNKNOWN in seen.flags
    assert seen.flags & WHY
    assert Flag.NO_FRUIT_SEEN not in seen.flags
    assert decision.plan.verdict == "cannot tell"
    assert not decision.load.known
    assert math.isnan(seen.scale.px_per_mm)
    assert math.isnan(seen.limb.length_mm)


@pytest.mark.parametrize("name", POOR)
def test_words_say_so(results: dict[str, Result], name: str) -> None:
    assert "could not tell" in count_line(results[name].measurement)
    words = "\n".join(result_lines(results[name]))
    assert "CANNOT TELL" in words
    assert not ZERO.search(words), words


def test_a_table_has_empty_cells(results: dict[str, Result]) -> None:
    for result in results.values():
        row = result_row(result).values()
        assert row["status"] == "could not tell"
        assert [row[name] for name in COUNTS] == [None] * len(COUNTS)
        assert "COUNT_UNKNOWN" in row["flags"]


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """All poor photos and a good one through ``count``, with every export."""
    folder = tmp_path_factory.mktemp("poor")
    for name in ("blurred", "black", "white"):
        (folder / f"{name}.jpg").write_bytes(scene(name))
    exports = ("sheet", "diagram", "coco", "yolo", "voc")
    also = [part for name in exports for part in ("--also", name)]
    result = run("count", *sorted(folder.iterdir()), "--out", folder / "out", *CLASSICAL, *also)
    assert result.exit_code == 0, result.output
    return folder / "out", result.output


def test_the_terminal_says_so(counted: tuple[Path, str]) -> None:
    assert not ZERO.search(counted[1]), counted[1]
    assert counted[1].count("CANNOT TELL") == 3


def test_json_has_null(counted: tuple[Path, str]) -> None:
    for path in counted[0].glob("*.json"):
        record = json.loads(path.read_text())
        plan = record["plan"]
        for name in ("crop_count", "keep_count", "off_count", "yellowing_count"):
            assert plan[name] is None, name
        assert record["left_standing"]["kept_count"] is None
        assert "COUNT_UNKNOWN" in record["flags"]
        assert any("could not be told" in words for words in record["warnings"])
        assert record["measurement"]["scale"]["px_per_mm"] is None
        with pytest.raises(RecordError):  # nothing for a second pass to start from
            read_left_standing(path)


def test_csv_has_empty_cells(counted: tuple[Path, str]) -> None:
    with (counted[0] / "counts.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 3
    assert all(row[name] == "" for row in rows for name in COUNTS)


def test_no_boxes_are_written_that_would_read_as_no_fruit(counted: tuple[Path, str]) -> None:
    names = [path.name for path in counted[0].iterdir()]
    assert "blurred.sheet.pdf" in names
    assert "blurred.diagram.pdf" in names
    assert not [n for n in names if n.endswith((".txt", ".xml", ".coco.json"))]


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A tree of four limbs: two good photos, a blurred and a black one."""
    folder = tmp_path_factory.mktemp("tree")
    for limb, data in (
        ("1", saved(limb_rgb())), ("2", saved(limb_rgb()[:, ::-1])),
        ("3", scene("blurred")), ("4", scene("black")),
    ):  # fmt: skip
        (folder / "in" / "north" / limb).mkdir(parents=True)
        (folder / "in" / "north" / limb / "a.jpg").write_bytes(data)
    result = run("folder", folder / "in", "--out", folder / "out", "--workers", 1, "--limbs", 4,
                 *CLASSICAL)  # fmt: skip
    return folder / "out", result.output


def test_batch_rows_are_empty(tree: tuple[Path, str]) -> None:
    with (tree[0] / "photos.csv").open() as stream:
        rows = {row["limb"]: row for row in csv.DictReader(stream)}
    for limb in ("3", "4"):
        assert rows[limb]["count_n"] == rows[limb]["keep_n"] == rows[limb]["yellowing_n"] == ""
        assert "COUNT_UNKNOWN" in rows[limb]["flags"]
    for line in (tree[0] / "progress.jsonl").read_text().splitlines():
        body = json.loads(line)["body"]
        assert (body["count_n"] is None) == ("COUNT_UNKNOWN" in body["flags"])


def test_a_tree_total_takes_them_for_limbs_not_counted(tree: tuple[Path, str]) -> None:
    assert "north / 3: not known" in tree[1]
    total = re.search(r"Tree north: About (\d+) fruit", tree[1])
    assert total is not None, tree[1]
    with (tree[0] / "photos.csv").open() as stream:
        told = [float(row["count_n"]) for row in csv.DictReader(stream) if row["count_n"]]
    assert len(told) == 2
    # four limbs like those two; with zeros for the other two it would be half of that
    assert int(total[1]) == pytest.approx(4 * sum(told) / 2, abs=1)


def test_the_check_after_the_work_is_not_told_either(tmp_path: Path) -> None:
    good, after = tmp_path / "good.jpg", tmp_path / "after.jpg"
    good.write_bytes(saved(limb_rgb()))
    after.write_bytes(scene("blurred"))
    assert run("count", good, "--out", tmp_path, *CLASSICAL, "--no-picture").exit_code == 0
    result = run("after", after, tmp_path / "good.json", *CLASSICAL)
    assert result.exit_code == 1
    assert "could not be told" in result.output
    assert "fewer than the plan" not in result.output
    again = run("count", after, "--first", tmp_path / "good.json", "--out", tmp_path / "two",
                *CLASSICAL, "--no-picture")  # fmt: skip
    assert "CANNOT TELL" in again.output
    assert "have fallen since" not in again.output


def test_marks_that_are_no_crop_do_not_make_a_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a poor photo on which only yellowing fruit is found the crop is not 0 but not told."""
    import fruitcount.pipeline as line
    from fruitcount.types import Kind

    real = line.place_fruitlets

    def yellow(found, *rest):  # type: ignore[no-untyped-def]
        placed = real(found, *rest)
        return placed.with_columns(kind=[int(Kind.YELLOWING)] * len(placed))

    monkeypatch.setattr(line, "place_fruitlets", yellow)
    monkeypatch.setattr(line, "photo_quality", lambda _: Flag.PHOTO_BLURRED)
    result = count_limb(read_photo(saved(limb_rgb())), CountSettings(source="classical"))
    assert len(result.measurement.fruitlets)
    assert Flag.COUNT_UNKNOWN in result.measurement.flags
    assert result_row(result).count_n is None


def test_a_readable_photo_without_fruit_is_a_real_zero(monkeypatch: pytest.MonkeyPatch) -> None:
    """The other side of the rule: a sharp photo of a bare limb may say none."""
    import fruitcount.pipeline as line

    monkeypatch.setattr(line, "find_fruitlets", lambda *_: _nothing())
    result = count_limb(read_photo(saved(limb_rgb())), CountSettings(source="classical"))
    assert "NO_FRUIT_SEEN" in flag_names(result.measurement.flags)
    assert result_row(result).count_n == 0


def _nothing():  # type: ignore[no-untyped-def]
    from fruitcount.types import Fruitlets

    return Fruitlets.empty()
