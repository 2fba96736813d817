"""Printed reports: one page where one is promised, all words there, both papers and units."""

import re
from dataclasses import replace
from datetime import date, timedelta

import cv2
import numpy as np
import pytest
from report_demo import HISTORY, TODAY, block, limb_result, north_4, orchard, tree_plan

from fruitcount.errors import BadInputError
from fruitcount.export.report_block import block_summary
from fruitcount.export.report_page import ReportSettings
from fruitcount.export.report_season import season_log, season_picture
from fruitcount.export.tree_work_sheet import tree_work_sheet
from fruitcount.export.work_sheet import limb_work_sheet
from fruitcount.flags import CAUTIONS_FULL
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.season.queue import queue
from fruitcount.tree.both_sides import BothSides, both_sides_factor
from fruitcount.tree.hidden import apply_factor

pypdf = pytest.importorskip("pypdf")
EVERY = [
    ReportSettings(paper, units, TODAY) for paper in ("a4", "letter") for units in ("metric", "us")
]


def read(path):
    pages = pypdf.PdfReader(path).pages
    words = re.sub(r"\s+", " ", " ".join(p.extract_text() for p in pages))
    return pages, words


@pytest.fixture(params=EVERY, ids=lambda s: f"{s.paper}-{s.units}")
def how(request):
    return request.param


def test_limb_sheet(tmp_path, how):
    result = limb_result()
    pages, words = read(limb_work_sheet(result, tmp_path / "l.pdf", settings=how))
    assert len(pages) == 1
    plan = result.decision.plan
    assert f"KEEP {plan.keep_count} of {plan.crop_count}" in words
    assert f"Leave {plan.keep_count}." in words
    assert ("cm" if how.units == "metric" else " in ") in words
    for line in CAUTIONS_FULL:
        assert line.split(".")[0] in words
    size = pages[0].mediabox
    assert float(size.width) == pytest.approx(595.3 if how.paper == "a4" else 612, abs=0.1)


@pytest.mark.parametrize("n", [0, 1, 150])
def test_limb_sheet_is_one_page_however_many(tmp_path, n):
    pages, _ = read(limb_work_sheet(limb_result(n=n), tmp_path / "l.pdf", settings=EVERY[2]))
    assert len(pages) == 1


def test_limb_sheet_without_scale(tmp_path):
    result = limb_result(scale=False)
    pages, words = read(limb_work_sheet(result, tmp_path / "l.pdf"))
    assert len(pages) == 1
    plan = result.decision.plan
    assert plan.verdict == "cannot tell"
    assert f"A proposal: pinch off {len(plan.pinches)} by hand" in words
    assert "nan" not in words.lower()


def test_tree_sheet(tmp_path, how):
    sheet = north_4()
    job = tree_plan("North 4", sheet, plan=limb_result(),
                    surer="Photograph 2 more limbs (limb 9, limb 7).")  # fmt: skip
    path = tree_work_sheet(job, tmp_path / "t.pdf", settings=how)
    pages, words = read(path)
    assert len(pages) == 1
    kept = sum(limb.keep_n for limb in sheet.counted)
    assert (
        f"On the 6 limbs photographed keep {kept}, take off about {sheet.work.off_n:,.0f}" in words
    )
    for limb in sheet.limbs:
        now = f" {limb.whole_n:,}" if limb.counted else r" \* -"  # nobody has seen it
        most = "" if limb.counted else "≤ "
        assert re.search(rf"{limb.name}{now} {most}{limb.keep_n} ", words), limb
    assert "limb 9, limb 7" in words
    assert "no source" in words
    assert "95% interval" in words
    assert "size class A" in words


def test_pictures_come_behind_the_table(tmp_path):
    pictures = {
        f"limb {i}": cv2.imencode(".jpg", np.full((300, 400, 3), 20 * i, np.uint8))[1].tobytes()
        for i in range(1, 8)
    }
    path = tree_work_sheet(tree_plan("N", north_4()), tmp_path / "t.pdf", pictures=pictures)
    pages, words = read(path)
    assert len(pages) == 3  # six to a page
    assert sum(len(p.images) for p in pages) == 7
    assert "limb 7: keep" in words
    pictures["limb 1"] = cv2.imencode(".png", np.zeros((900, 20, 3), np.uint8))[1].tobytes()
    read(tree_work_sheet(tree_plan("N", north_4()), tmp_path / "t.pdf", pictures=pictures))


def test_tree_sheet_of_many_limbs_goes_on(tmp_path):
    pages, words = read(tree_work_sheet(tree_plan("Big", north_4(60)), tmp_path / "t.pdf"))
    assert len(pages) > 1
    assert "limb 60 *" in words
    assert words.count("Cut at") == len(pages) or words.count("Cut at") == len(pages) - 1


def test_block(tmp_path, how):
    trees = block(30)
    pages, words = read(block_summary(trees, tmp_path / "b.pdf", block="Hill", settings=how))
    assert len(pages) <= 4
    for t in trees:
        assert t.line.tree.name in words
    assert "Wall <old> & dear" in words
    assert (" kg" if how.units == "metric" else " lb") in words
    assert "nan" not in words.lower().split()


def test_one_tree_and_a_block_without_a_name(tmp_path):
    (one, *_), path = block(3), tmp_path / "b.pdf"
    _, words = read(block_summary([one], path, block=""))
    assert "Trees without a block" in words
    assert "1 tree: " in words
    assert "1 trees" not in words


def test_a_season_with_nothing_counted_has_no_empty_table(tmp_path):
    trees = [OrchardTree("A", "european-plum"), OrchardTree("B", "peach")]
    blank = {"A": [SeasonFacts(2026)], "B": [SeasonFacts(2026)]}
    _, words = read(season_log(queue(trees, TODAY), tmp_path / "s.pdf", year=2026, history=blank))
    assert "European plum" in words
    assert "Before and after" not in words
    blank["B"] = [SeasonFacts(2026, fruit_before_n=80)]
    _, words = read(season_log(queue(trees, TODAY), tmp_path / "s.pdf", year=2026, history=blank))
    assert "Before and after" in words
    assert "B 80 - " in words


def test_empty_block(tmp_path):
    pages, words = read(block_summary([], tmp_path / "b.pdf", block="None"))
    assert len(pages) == 1
    assert "0 trees" in words


def test_season(tmp_path, how):
    path = season_log(
        queue(orchard(), TODAY), tmp_path / "s.pdf", year=2026, history=HISTORY, settings=how
    )
    _, words = read(path)
    assert "43 days after bloom" in words  # 2 March to 14 April
    assert "2026-03-18 North 4 full bloom" in words
    assert "680" in words  # 980 - 300 taken off
    assert "-30" in words  # 320 to 290 left
    if how.units == "metric":
        assert "-0.9" in words  # 44.0 to 43.1 kg
        assert "46 cm" in words
    else:
        assert "-2.0" in words  # the same in lb
        assert "18 in" in words


def test_the_same_data_gives_the_same_file(tmp_path):
    for write in (
        lambda p: limb_work_sheet(limb_result(), p, settings=EVERY[0]),
        lambda p: block_summary(block(3), p, block="x", settings=EVERY[0]),
    ):
        one, two = write(tmp_path / "1.pdf").read_bytes(), write(tmp_path / "2.pdf").read_bytes()
        assert one == two


def test_settings_are_checked():
    with pytest.raises(BadInputError, match="paper"):
        ReportSettings(paper="a5")
    with pytest.raises(BadInputError, match="units"):
        ReportSettings(units="imperial")


def test_a_block_names_the_trees_estimated_from_both_sides_and_what_that_takes(tmp_path):
    trees = block(3)
    factor = both_sides_factor((BothSides("1", 30, 25, 18), BothSides("2", 22, 28, 14)))
    at = next(i for i, t in enumerate(trees) if t.estimate is not None)
    sided = replace(trees[at], estimate=apply_factor(trees[at].estimate, factor))
    _, words = read(block_summary([*trees[:at], sided], tmp_path / "b.pdf", block="x"))
    assert f"(capture-recapture): {sided.line.tree.name}. " in words
    assert "come on top" in words
    _, words = read(block_summary(trees, tmp_path / "b.pdf", block="x"))
    assert "Chapman" not in words


@pytest.mark.parametrize("size", [8.5, 12.0])
def test_no_word_of_the_seasons_picture_is_clipped(size):
    """Whatever day is today: all words lie between the picture's edges."""
    pond = OrchardTree("Pond", "japanese-plum", bloom_date=date(2026, 3, 1),
                       second_pass_on=date(2026, 4, 15))  # fmt: skip
    for k in range(75):
        today = date(2026, 4, 1) + timedelta(days=k)
        drawing = season_picture(queue([pond], today), 380, today, size=size)
        left, _, right, _ = drawing.getBounds()
        assert left >= 0
        assert right <= 380, today
