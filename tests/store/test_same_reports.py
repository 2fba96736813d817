"""SQLite and PostgreSQL give the same printed reports, byte for byte."""

from datetime import date

import cv2
import numpy as np
import pytest
from store_facts import TREE

from fruitcount.export.ical import calendar_bytes
from fruitcount.export.report_block import BlockTree, block_summary
from fruitcount.export.report_page import ReportSettings
from fruitcount.export.report_season import season_log
from fruitcount.jobs.season import WorkFacts, history_of, season_book, write_season
from fruitcount.jobs.tree import plan_of, tree_lines, write_tree_sheet
from fruitcount.jobs.tree_source import records_source
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.season.queue import queue
from fruitcount.store.base import open_store
from fruitcount.store.limbs import load_limbs, save_hand_count, save_limb
from fruitcount.store.orchard import load_trees, save_season_facts, save_tree, tree_id_of
from fruitcount.store.photo_record import save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.tree.estimate import csa_cm2, ratio_total
from fruitcount.tree.sheet import thinning_work

TODAY = date(2026, 5, 2)
HOW = ReportSettings(made_on=TODAY)


def _fill(store):
    trees = [
        TREE,
        OrchardTree("b", "peach", size_mm=1 / 3 + 18),
        OrchardTree("A", "apricot"),
        OrchardTree("ä", "nectarine", ripening_month=6, bloom_date=date(2026, 3, 20)),
    ]
    for tree in trees:
        number = save_tree(store, tree, year=2026)
        for i in range(4):
            save_limb(store, number, name=str(i), base_diameter_mm=20.1 + i / 7)
        for year in (2026, 2024):
            facts = SeasonFacts(year, 900.1 - year / 9, 300.0, 40 + year / 7, 0.1 + 0.2)
            save_season_facts(store, number, facts=facts)


def _reports(store, folder):
    trees = load_trees(store, year=2026)
    numbers = {t.name: tree_id_of(store, t.name) for t in trees}
    history = history_of(store, trees)
    lines = queue(trees, TODAY)
    rows = []
    for line in lines:
        limbs = load_limbs(store, numbers[line.tree.name])
        area = csa_cm2([limb.base_diameter_mm for limb in limbs])
        estimate = ratio_total([30, 22], area[:2], all_area_cm2=area)
        work = thinning_work(estimate.value_n, 40, pace_n_per_min=30, fruit_g=150)
        rows.append(BlockTree(line, estimate, 40, work))
    folder.mkdir()
    one = season_log(lines, folder / "s.pdf", year=2026, history=history, settings=HOW)
    two = block_summary(rows, folder / "b.pdf", block="Hill", settings=HOW)
    text = calendar_bytes(lines, today=TODAY).decode()
    calendar = [row for row in text.splitlines() if not row.startswith("DTSTAMP")]
    return one.read_bytes(), two.read_bytes(), calendar


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_same_reports(tmp_path, new_postgres):
    lite = open_store(tmp_path / "o.db")
    server = open_store(new_postgres(), photos_folder=tmp_path / "p")
    made = []
    for name, store in (("lite", lite), ("server", server)):
        _fill(store)
        made.append(_reports(store, tmp_path / name))
        store.close()
    assert made[0] == made[1]


def _picture(k):
    grey = np.full((900, 1200, 3), 90 + 20 * k, np.uint8)
    return cv2.imencode(".jpg", grey)[1].tobytes()


def _photographed(store, measurement):
    """An invented tree of four limbs, three of them photographed and one counted by hand too."""
    tree = OrchardTree("Gate", "peach", ripening_month=8, planted_year=2016, block="South",
                       trunk_circumference_mm=400, bloom_date=date(2026, 3, 20))  # fmt: skip
    number = save_tree(store, tree, year=2026)
    for k in range(4):
        limb = save_limb(store, number, name=f"limb {k}", base_diameter_mm=20.1 + k / 7)
        if k < 3:
            place = PhotoPlace(number, limb)
            # one that no longer can be read: the sheet then has two pictures
            data = b"broken" if k == 2 else _picture(k)
            photo = save_photo(store, data, name="same.jpg", place=place)
            save_measurement(store, photo, measurement)
            told = {"count_n": 41 + 9 * k, "base_diameter_mm": 99.0}
            save_decision(store, photo, revision=0, inputs={}, decision=told)
    save_hand_count(store, year=2026, seen_n=50, true_n=61, tree_id=number)
    save_hand_count(store, year=2026, seen_n=40, true_n=48)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_same_tree_sheet_and_season(tmp_path, new_postgres, measurement):
    lite = open_store(tmp_path / "o.db")
    server = open_store(new_postgres(), photos_folder=tmp_path / "p")
    made = []
    for name, store in (("lite", lite), ("server", server)):
        _photographed(store, measurement)
        source = records_source(store, year=2026)
        sheet = tmp_path / name / "t.pdf"
        answer = plan_of(source, "Gate", source.facts["Gate"])
        write_tree_sheet(answer, sheet, source=source, settings=HOW)
        trees = load_trees(store, year=2026)
        work = WorkFacts(pace_n_per_min=25)
        book = season_book(trees, TODAY, year=2026, source=source, work=work)
        files = write_season(book, tmp_path / name, settings=HOW)
        pages = [f.read_bytes() for f in (sheet, *files) if f.suffix == ".pdf"]
        made.append((tree_lines(answer), pages))
        store.close()
    assert len(made[0][1]) == 3  # tree sheet, season log, block summary
    assert made[0] == made[1]
