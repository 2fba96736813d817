"""One tree's keep number is the same whoever is asked: command, sheet, block, records, Python."""

from __future__ import annotations

import re
import shutil
from contextlib import closing
from datetime import date
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner

from fruitcount.cli import main
from fruitcount.jobs.season import WorkFacts, season_book, write_season
from fruitcount.jobs.tree import plan_of
from fruitcount.jobs.tree_source import records_source, table_source
from fruitcount.pipeline import Result, decide
from fruitcount.plan import GrowerInputs
from fruitcount.resources import sample_folder
from fruitcount.season import OrchardTree
from fruitcount.store import (
    PhotoPlace,
    open_store,
    save_decision,
    save_limb,
    save_measurement,
    save_photo,
    save_tree,
)
from fruitcount.tree import TreeFacts, measurement_of, plan_tree, read_rows

LIMBS = ("peach-34in-heavy", "peach-18in-crowded", "peach-upright")
TREE = OrchardTree(
    "Gate", species="peach", planted_year=2020, trunk_circumference_mm=400.0, ripening_month=6
)
FACTS = TreeFacts(ripening_month=6, age_years=6, trunk_circumference_mm=400.0, limbs_n=3)

pytestmark = pytest.mark.skipif(
    not (sample_folder() / "truth.json").is_file(), reason="no sample photographs here"
)


def run(*words: object) -> str:
    done = CliRunner().invoke(main, [str(w) for w in words])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.fixture(scope="module")
def counted(tmp_path_factory):
    folder = tmp_path_factory.mktemp("one")
    for n, name in enumerate(LIMBS, start=1):
        place = folder / "photos" / "Gate" / str(n)
        place.mkdir(parents=True)
        shutil.copy(sample_folder() / f"{name}.jpg", place)
    for out, more in (("plain", ()), ("drawn", ("--pictures",))):
        run("folder", folder / "photos", "--out", folder / out, *more)
    return folder


def told(folder: Path, out: str) -> tuple[int, list[tuple[str, int]]]:
    """What ``fruitcount tree`` prints: the tree's number and each limb's."""
    said = run(
        "tree", folder / out, "--trunk", "400mm", "--age", 6, "--limbs", 3,
        "--ripening-month", 6, "--out", folder / out,
    )  # fmt: skip
    whole = int(re.search(r"keep (\d+), take off", said)[1])
    limbs = re.findall(r"^  (\S+): \d+ now, keep (\d+)", said, re.MULTILINE)
    return whole, [(name, int(n)) for name, n in limbs]


def test_the_command_says_the_same_with_and_without_pictures(counted):
    whole, limbs = told(counted, "plain")
    assert (whole, limbs) == told(counted, "drawn")
    assert whole == sum(n for _, n in limbs)
    assert len(limbs) == 3


def test_python_and_the_printed_sheet_say_what_the_command_says(counted):
    whole, limbs = told(counted, "plain")
    out = counted / "plain"
    rows = read_rows(out / "photos.csv")
    plan = plan_tree(rows, "Gate", FACTS, measured=lambda row: measurement_of(out, row))
    assert plan.sheet.keep_n == whole
    assert [(x.name, x.keep_n) for x in plan.sheet.limbs] == limbs
    for name, result in plan.results.items():  # the limb's own cuts and pinches keep its share
        assert result.decision.plan.keep_count == dict(limbs)[name]
    words = "".join(p.extract_text() for p in pypdf.PdfReader(out / "Gate_sheet.pdf").pages)
    assert f"Keep {whole}, take off" in words


def test_the_block_summary_says_what_the_command_says(counted, tmp_path):
    whole, _ = told(counted, "plain")
    source = table_source(counted / "plain")
    work = WorkFacts(limbs_n=3)
    book = season_book([TREE], date(2026, 4, 20), year=2026, source=source, work=work)
    files = write_season(book, tmp_path)
    (block,) = [f for f in files if f.name.startswith("block")]
    words = "".join(p.extract_text() for p in pypdf.PdfReader(block).pages)
    assert [t.keep_n for t in book.trees] == [whole]
    assert re.search(rf"\b{whole}\b", words)


def test_the_records_say_what_the_command_says(counted, tmp_path):
    """As the screen keeps them: measurement and decision of each photo."""
    whole, limbs = told(counted, "plain")
    out = counted / "plain"
    with closing(open_store(tmp_path / "o.db")) as store:
        tree = save_tree(store, TREE, year=2026)
        for row in read_rows(out / "photos.csv"):
            limb = save_limb(store, tree, name=row["limb"])
            data = (counted / "photos" / row["file"]).read_bytes()
            photo = save_photo(store, data, name=row["file"], place=PhotoPlace(tree, limb))
            measurement = measurement_of(out, row)
            save_measurement(store, photo, measurement=measurement)
            result = Result(measurement, decide(measurement, GrowerInputs(ripening_month=6)))
            plan = result.decision.plan
            kept = {
                "verdict": plan.verdict,
                "count_n": plan.crop_count,
                "keep_n": plan.keep_count,
                "base_diameter_mm": measurement.limb.base_diameter_mm,
            }
            save_decision(store, photo, revision=0, inputs={"ripening_month": 6}, decision=kept)
        source = records_source(store, year=2026, newest=True)
        plan = plan_of(source, "Gate", FACTS)
    assert [(x.name, x.keep_n) for x in plan.sheet.limbs] == limbs
    assert plan.sheet.keep_n == whole
