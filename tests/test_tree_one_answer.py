"""One tree's answer is the same whoever is asked: commands, files, records, Python, screen."""

from __future__ import annotations

import json
import re
import shutil
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import page_limb
import pypdf
import pytest
import screen_downloads
from click.testing import CliRunner
from screen_launch import DATA_VARIABLE
from streamlit.testing.v1 import AppTest

import fruitcount.corrections as cx
from fruitcount.cli import main
from fruitcount.export.limb_diagram import tree_words
from fruitcount.export.words import count_line
from fruitcount.files import sample_folder, table_lines
from fruitcount.jobs.season import WorkFacts, season_book, write_season
from fruitcount.jobs.tree import plan_of, tree_lines, write_tree_sheet
from fruitcount.jobs.tree_source import records_source, table_source
from fruitcount.load.words import load_lines
from fruitcount.pipeline import Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.words import choice_lines, cut_lines
from fruitcount.results import ROW_COLUMNS
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import open_store
from fruitcount.store.kept import Event, open_records
from fruitcount.store.limbs import save_limb
from fruitcount.store.orchard import save_tree
from fruitcount.store.photo_record import save_decision, save_measurement
from fruitcount.store.photos import PhotoPlace, save_photo
from fruitcount.tree.checkpoint import measurement_of
from fruitcount.tree.facts import TreeFacts
from fruitcount.tree.folder import read_rows
from fruitcount.tree.plan import plan_tree

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
    run("folder", folder / "photos", "--out", folder / "plain")
    shutil.copytree(folder / "plain", folder / "drawn")  # it goes on from there: counted once
    run("folder", folder / "photos", "--out", folder / "drawn", "--pictures")
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


@pytest.mark.parametrize("more", [{}, {"crates_n": 0.15, "crate_kg": 8.0}, {"limbs_n": 5}])
def test_what_stays_now_and_at_harvest_is_what_the_limbs_own_plans_leave(counted, tmp_path, more):
    """In words, on paper and in the season; limbs nobody has seen bear as those like them."""
    facts = replace(TreeFacts(limbs_n=3), **more)
    plan = plan_of(table_source(counted / "plain"), "Gate", facts)
    own = {name: result.decision.plan for name, result in plan.results.items()}
    seen = plan.sheet.counted
    assert {x.name: (x.keep_n, x.final_n) for x in seen} == {
        name: (one.keep_count, one.final_count) for name, one in own.items()
    }
    final = int(sum(one.final_count for one in own.values()))
    assert plan.sheet.work.final_n == final
    assert plan.sheet.work.harvest_kg == pytest.approx(final * plan.sheet.fruit_g / 1000)
    kg = f"{plan.sheet.work.harvest_kg:.1f} kg"
    assert any(f"about {final} fruit, {kg}" in line for line in tree_lines(plan))
    sheet = write_tree_sheet(plan, tmp_path / "tree.pdf")
    words = " ".join("".join(p.extract_text() for p in pypdf.PdfReader(sheet).pages).split())
    assert f"about {final} fruit, {kg}" in words
    unseen = [x for x in plan.sheet.limbs if not x.counted]
    per_kept = final / sum(one.keep_count for one in own.values())
    assert all(x.final_n == round(x.keep_n * per_kept) for x in unseen)
    whole = final + sum(x.final_n for x in unseen)
    assert plan.sheet.whole_work.final_n == whole
    assert plan.sheet.whole_work.harvest_kg == pytest.approx(whole * plan.sheet.fruit_g / 1000)


def test_where_the_share_is_smaller_the_limbs_own_number_and_the_reason_stand_beside_it(
    counted, tmp_path
):
    source = table_source(counted / "plain")
    own = {row["limb"]: round(row["keep_n"]) for row in source.rows}
    few = TreeFacts(limbs_n=3, ripening_month=6, crates_n=0.1, crate_kg=10.0)
    plan = plan_of(source, "Gate", few)
    sheet = write_tree_sheet(plan, tmp_path / "tree.pdf")
    paper = " ".join("".join(p.extract_text() for p in pypdf.PdfReader(sheet).pages).split())
    lines = "\n".join(tree_lines(plan))
    other = {x.name: x.keep_n for x in plan.sheet.limbs if x.keep_n != own[x.name]}
    assert other
    for name, keep in other.items():
        alone = f"alone the limb would keep {own[name]}"
        words = f"{keep} here ({alone}; its share of the tree is smaller)"
        assert f"{name}: " in lines
        assert f"keep {words}" in lines
        assert f"Keep {words}" in paper
        assert words in tree_words(plan.sheet)
    assert lines.count("alone the limb") == paper.count("alone the limb") == len(other)
    hidden = plan_of(source, "Gate", replace(FACTS, seen_true=((10, 20), (10, 20))))
    for limb in hidden.sheet.limbs:
        both = f"keep {own[limb.name]} of the fruit seen, {2 * own[limb.name]} with those hidden"
        assert both in limb.own_words


def test_the_first_line_says_where_fewer_are_left_than_wanted_and_what_to_do(counted):
    source = table_source(counted / "plain")
    quick = plan_of(source, "Gate", TreeFacts(limbs_n=3, ripening_month=6))
    mine, other = quick.choices
    assert mine.final_n < quick.sheet.target.low_n <= other.final_n
    wanted = quick.sheet.target.span
    assert tree_lines(quick)[0].endswith(
        f"only {mine.final_n:.0f} fruit at harvest, {wanted} are wanted; "
        f'for {other.final_n:.0f} choose the plan "full crop: pinch"'
    )
    full = plan_of(source, "Gate", TreeFacts(limbs_n=3, ripening_month=6, plan_choice="full"))
    assert not full.too_few
    crates = TreeFacts(limbs_n=3, ripening_month=6, crates_n=2, crate_kg=10, plan_choice="full")
    assert plan_of(source, "Gate", crates).too_few.endswith("no more hang there")
    crates = replace(crates, crates_n=0.6)
    assert plan_of(source, "Gate", crates).too_few.endswith("these limbs allow no more")
    assert "bear no more" in plan_of(source, "Gate", replace(crates, plan_choice=None)).too_few
    five = plan_of(source, "Gate", TreeFacts(limbs_n=5, ripening_month=6))
    assert "are wanted; for more choose" in tree_lines(five)[0]


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
            save_measurement(store, photo, measurement)
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


def _table(path):
    return {line.get("photo", ""): line for _, line in list(table_lines(path))[1:]}


def test_count_and_folder_write_the_same_row(counted, tmp_path):
    """Every column that both tables have, value for value."""
    photo = next((counted / "photos").rglob("*.jpg"))
    run("count", photo, "--out", tmp_path)
    one = _table(tmp_path / "counts.csv")[photo.name]
    rows = [line for _, line in list(table_lines(counted / "plain" / "photos.csv"))[1:]]
    row = next(line for line in rows if line["file"].endswith(photo.name))
    shared = [name for name in ROW_COLUMNS if name in row]
    assert len(shared) > 25
    assert {name: row[name] for name in shared} == {name: one[name] for name in shared}
    record = json.loads((tmp_path / f"{photo.stem}.json").read_text())
    assert one["load_before"] == record["load"]["before"]["verdict"]
    assert one["load_after"] == record["load"]["after"]["verdict"]


@pytest.fixture(scope="module")
def kept(counted, tmp_path_factory):
    """The photos as the screen keeps them: key of each by the row that the folder's table has."""
    data = tmp_path_factory.mktemp("screen")
    records = open_records(data)
    year = date.today().year
    tree = save_tree(records.store, replace(TREE, planted_year=year - 6), year=year)
    keys = {}
    for row in read_rows(counted / "plain" / "photos.csv"):
        file = counted / "photos" / row["file"]
        key = records.add_photo(file.read_bytes(), file.name)
        seen = measurement_of(counted / "plain", row)
        records.keep_seen(key, replace(seen, name=file.name, sha256=key))
        records.put_in_tree(key, tree)
        records.put_on_limb(key, row["limb"], "", "")
        records.keep_result(key, 0, {"species": "peach", "ripening_month": 6}, {})
        keys[key] = row
    records.store.close()
    return data, keys


def _page(name: str, **query: str) -> AppTest:
    app = AppTest.from_string(f"import page_{name}\npage_{name}.show()\n", default_timeout=60)
    for key, value in query.items():
        app.query_params[key] = value
    app.run()
    assert not app.exception
    return app


def _words(app: AppTest) -> str:
    shown = [*app.markdown, *app.header, *app.subheader, *app.info, *app.warning, *app.caption]
    return " ".join(str(e.value) for e in shown).replace("\\", "")


def _agrees(words: str, view, result) -> None:
    """The Limb page says all of a result: number, range, size, cuts, load, doubts, notes."""
    plan = result.decision.plan
    big, _, small = result.decision.plan.answer.partition(": ")
    assert view.summary == big
    assert small in view.detail
    assert count_line(result.measurement) in view.detail
    assert list(view.warnings) == list(result.decision.warnings)
    actions = list(view.actions.values())
    assert actions.count("keep") == plan.keep_count
    assert (actions.count("cut"), actions.count("pinch")) == (
        plan.off_count - len(plan.pinches),
        len(plan.pinches),
    )
    middles = [((x1 + x2) / 2, (y1 + y2) / 2) for x1, y1, x2, y2 in view.cuts_px]
    assert middles == [pytest.approx((cut.x_px, cut.y_px)) for cut in plan.cuts]
    for line in (
        *cut_lines(plan),
        *load_lines(result.decision.load),
        *choice_lines(result.decision.choices),
        *result.decision.notes,
        plan.range_sentence,
    ):
        assert line in words, line


def test_the_pages_say_what_the_files_say_before_and_after_corrections(kept, counted, monkeypatch):
    data, keys = kept
    monkeypatch.setenv(DATA_VARIABLE, str(data))
    views = []
    real = page_limb.canvas_data

    def spy(*args, **more):
        views.append(SimpleNamespace(**real(*args, **more)))
        return vars(views[-1])

    monkeypatch.setattr(page_limb, "canvas_data", spy)
    inputs = GrowerInputs(species="peach", ripening_month=6)
    for key, row in keys.items():
        seen = measurement_of(counted / "plain", row)
        words = _words(_page("limb", photo=key))
        _agrees(words, views[-1], Result(seen, decide(seen, inputs)))
        assert row["answer"].startswith(views[-1].summary)
        assert not views[-1].warnings
    whole, limbs = told(counted, "plain")
    words = _words(_page("tree", tree="Gate"))
    assert f"seen: keep {whole}, take off about" in words
    for (name, keep), row in zip(limbs, keys.values(), strict=True):
        assert f"| {name} | {row['count_n']:.0f} | {keep} |" in words
    small = replace(TREE, planted_year=date.today().year - 6, trunk_circumference_mm=35.0)
    records = open_records(data)
    save_tree(records.store, small, year=date.today().year)
    said = _words(_page("tree", tree="Gate"))
    assert re.search(
        r"Limb \w+: keep \d+ here \(alone the limb would keep \d+; its share of the tree is "
        r"smaller\)\.",
        said,
    )
    lines = records.photos(records.tree_of(next(iter(keys))))
    small_plan = plan_of(table_source(counted / "plain"), "Gate",
                         replace(FACTS, trunk_circumference_mm=35.0))  # fmt: skip
    limbs_now = small_plan.sheet.limbs
    said = screen_downloads._photo_table(lines, limbs_now).decode()
    shown = json.loads(screen_downloads._record(lines, "Gate", FACTS, limbs_now))
    assert shown["limbs"] == {
        x.name: {"keep_n": x.keep_n, "keep_words": x.keep_words} for x in limbs_now
    }
    assert any(x.own_words for x in limbs_now)
    assert all(x.keep_words in said for x in limbs_now)
    save_tree(records.store, replace(small, trunk_circumference_mm=400.0), year=date.today().year)
    records.store.close()
    season = _words(_page("season", tree="Gate"))
    for row in keys.values():
        assert re.search(
            rf"\*\*{row['count_n']:.0f}\*\* \(.*\| \*\*{row['keep_n']:.0f}\*\* \|", season
        )

    key, row = next(iter(keys.items()))
    seen = measurement_of(counted / "plain", row)
    sheet = cx.sheet_of(seen)
    gone = cx.Many(tuple(cx.Remove(mark) for mark in sheet.marks if mark.on_limb)[:5])
    records = open_records(data)
    records.add_steps(key, [Event(1, "screen", 1, {"do": cx.edit_to_json(gone)})])
    shown = cx.apply_corrections(seen, cx.apply(sheet, gone))
    result = Result(shown, decide(shown, inputs))
    _agrees(_words(_page("limb", photo=key)), views[-1], result)
    words = _words(_page("tree", tree="Gate"))
    now = result.decision.plan.crop_count
    share = int(re.search(rf"\| {row['limb']} \| {now} \| (\d+) \|", words)[1])
    source = records_source(records.store, year=date.today().year, newest=True)
    plan = plan_of(source, "Gate", FACTS)
    assert {x.name: x.keep_n for x in plan.sheet.limbs}[row["limb"]] == share
    assert f"keep {plan.sheet.keep_n}, take off" in words
    records.store.close()
