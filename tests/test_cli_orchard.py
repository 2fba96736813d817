"""The commands for a tree, the season and the records, and the example in Python."""

import io
import re
import runpy
import sys
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from fruitcount.cli import main
from fruitcount.evaluate.synthetic import SceneSettings, draw_scene
from fruitcount.flags import CAUTIONS_SHORT
from fruitcount.jobs.season import season_book
from fruitcount.jobs.tree_source import records_source
from fruitcount.season.orchard import OrchardTree, SeasonFacts
from fruitcount.store.archive import find_damage
from fruitcount.store.base import open_records
from fruitcount.store.limbs import save_hand_count, save_limb
from fruitcount.store.orchard import load_trees, save_season_facts, save_tree
from fruitcount.store.photo_record import list_photos, save_decision
from fruitcount.store.photos import PhotoPlace, save_photo

pypdf = pytest.importorskip("pypdf")
icalendar = pytest.importorskip("icalendar")


def run(*arguments, **more):
    return CliRunner().invoke(main, [str(a) for a in arguments], **more)


def words_of(path):
    pages = pypdf.PdfReader(path).pages
    return re.sub(r"\s+", " ", " ".join(p.extract_text() for p in pages)), pages


@pytest.fixture(scope="module")
def counted(tmp_path_factory):
    """An invented tree of three limbs, counted by ``fruitcount folder --pictures``."""
    root = tmp_path_factory.mktemp("tree")
    for k in range(3):
        photo, _ = draw_scene(40 + k, SceneSettings(fruit_n=14 + 4 * k, leaf_n=40))
        place = root / "photos" / "Gate" / f"limb {k + 1}"
        place.mkdir(parents=True)
        Image.fromarray(photo.rgb).save(place / "a.jpg", quality=93)
    out = root / "out"
    done = run("folder", root / "photos", "--out", out, "--workers", 1, "--source", "classical",
               "--pictures")  # fmt: skip
    assert done.exit_code == 0, done.output
    return out


def test_tree_from_a_table(counted, tmp_path):
    sheet = tmp_path / "limbs.csv"
    lines = [f"limb {k},{d}" for k, d in enumerate([13, 14, 15, 16, 12], start=1)]
    sheet.write_text("limb,base_diameter_mm\n" + "\n".join(lines))
    done = run(
        "tree", counted, "--limb-sheet", sheet, "--trunk", "20cm", "--age", 4,
        "--ripening-month", 8, "--pace", 20, "--out", tmp_path, "--paper", "letter",
        "--units", "us",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert all(words in done.output for words in CAUTIONS_SHORT)
    # van den Ende 2012: 4-year peach, mid-season: 3.5 fruit per cm of trunk
    assert "tree: 70 fruit at harvest, by trunk and age" in done.output
    assert "limb 5" in done.output
    assert "minutes at your pace" in done.output
    words, pages = words_of(tmp_path / "Gate_sheet.pdf")
    assert float(pages[0].mediabox.width) == 612
    assert "limb 4 *" in words
    assert sum(len(p.images) for p in pages) == 3  # each photographed limb's marked picture
    assert re.search(r"limb 1 \d+ \d+ \d+ (no cut|[\d.]+ in|mark)", words)  # its share made a plan


def test_the_sheet_is_one_with_the_limbs_plans(counted, tmp_path):
    """Off is what the cuts and pinches of each limb take, whichever of share and spacing leads."""
    for trunk, more in (("30cm", []), ("2cm", ["--photos", counted.parent / "photos"])):
        done = run("tree", counted, "--trunk", trunk, "--age", 4, "--ripening-month", 8,
                   "--out", tmp_path, *more)  # fmt: skip
        assert done.exit_code == 0, done.output
        lowered = "less than its share of the target" in done.output
        assert lowered == (trunk == "30cm")
        words, pages = words_of(tmp_path / "Gate_sheet.pdf")
        assert sum(len(p.images) for p in pages) == 3
        for k in range(1, 4):
            now, keep, off = (int(v) for v in re.search(
                rf"limb {k} (\d+) (\d+) (\d+)", words).groups())  # fmt: skip
            assert now - keep == off
            assert f"limb {k}: keep {keep}, cut at" in words
    # 2 cm of trunk leave 7 fruit (3.5 per cm), less than spacing would
    assert "tree: 7 fruit at harvest, by trunk" in done.output


def test_tree_says_what_is_missing(counted, tmp_path):
    for wrong, said in (
        (["--tree", "Pond"], "tree must be one of Gate, got 'Pond'"),
        (["--trunk", "30cm"], "age_years"),
        (["--crates", 2], "kg that one holds"),
        (["--limb-sheet", tmp_path / "none.csv"], "cannot be read"),
        (["--species", "kiwi"], "kiwi"),
        (["--limbs", 2], "at least 3"),
    ):
        done = run("tree", counted, "--out", tmp_path, *wrong)
        assert done.exit_code == 2, done.output
        assert said in done.output
    assert run("tree", "--db", tmp_path, "--out", tmp_path).exit_code == 2
    assert not (tmp_path / "records.db").exists()  # looking does not make records


@pytest.fixture
def data(tmp_path, monkeypatch):
    """The screen's data folder with two invented trees."""
    folder = tmp_path / "data"
    monkeypatch.setenv("FRUITCOUNT_DATA", str(folder))
    year = date.today().year
    with closing(open_records(create=True)) as store:
        tree = OrchardTree("Gate", "peach", ripening_month=8, planted_year=year - 7, block="South",
                           trunk_circumference_mm=400, bloom_date=date(year, 3, 20))  # fmt: skip
        number = save_tree(store, tree, year=year)
        other = OrchardTree("Pond", "sweet-cherry", ripening_month=6)
        save_tree(store, other, year=year)
        for k, (base, fruit) in enumerate([(20.0, 40), (30.0, 90), (26.0, None), (24.0, None)]):
            limb = save_limb(store, number, name=f"limb {k}", base_diameter_mm=base)
            if fruit is not None:
                place = PhotoPlace(number, limb)
                photo = save_photo(store, jpeg(k), name=f"{k}.jpg", place=place)
                numbers = {"count_n": fruit, "keep_n": 9, "base_diameter_mm": 99.0}
                save_decision(store, photo, revision=0, inputs={}, decision=numbers)
        save_hand_count(store, year=year, seen_n=50, true_n=60, tree_id=number)
        save_hand_count(store, year=year, seen_n=40, true_n=48)
        save_season_facts(store, number, facts=SeasonFacts(year - 1, 900, 300, 40.0, 140))
    return folder


def jpeg(k):
    exif = Image.Exif()
    exif.get_ifd(0x8825).update({1: "N", 2: (10.0, 20.0, 30.0), 3: "E", 4: (1.0, 2.0, 3.0)})
    out = io.BytesIO()
    Image.fromarray(np.full((20, 30, 3), 20 * k, np.uint8)).save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_tree_from_the_records(data, tmp_path):
    done = run("tree", "--tree", "Gate", "--out", tmp_path)
    assert done.exit_code == 0, done.output
    assert "tree: 140 to 160 fruit" in done.output  # van den Ende 2012, 7-year mid-season, 40 cm
    assert "limb 0: 48 now" in done.output  # 40 seen, times 108/90 by hand
    assert "limb 3: " in done.output
    assert (tmp_path / "Gate_sheet.pdf").is_file()
    # typed values lead over recorded ones
    done = run("tree", "--tree", "Gate", "--out", tmp_path, "--trunk", "20cm")
    assert "tree: 70 to 80 fruit" in done.output


def test_photos_of_one_name_are_two_limbs(data, tmp_path):
    with closing(open_records()) as store:
        number = save_tree(store, OrchardTree("Hill", "peach"), year=date.today().year)
        for k, fruit in ((7, 30), (8, 50)):
            photo = save_photo(store, jpeg(k), name="IMG.jpg", place=PhotoPlace(number))
            numbers = {"count_n": fruit, "base_diameter_mm": 20.0 + k}
            save_decision(store, photo, revision=0, inputs={}, decision=numbers)
    done = run("tree", "--tree", "Hill", "--out", tmp_path, "--crates", 0.5, "--crate-kg", 9)
    assert done.exit_code == 0, done.output
    # the records' hand counts of no tree of their own hold here too: 48 by hand for 40 seen
    assert "(photo 3): 36 now" in done.output
    assert "(photo 4): 60 now" in done.output


def test_season(data, tmp_path):
    year = date.today().year
    done = run("season", "--out", tmp_path, "--day", f"{year}-05-01")
    assert done.exit_code == 0, done.output
    first, second = done.output.splitlines()[1:3]
    assert first.startswith("now: Gate")  # 42 days after bloom; Univ. Georgia: about 6 weeks
    assert "ripens Aug" in first
    assert second.startswith("not thinned: Pond")
    words, _ = words_of(tmp_path / f"season_{year}.pdf")
    assert "full bloom" in words
    calendar = icalendar.Calendar.from_ical((tmp_path / f"thinning_{year}.ics").read_bytes())
    assert [str(e["SUMMARY"]) for e in calendar.walk("VEVENT")] == ["Thin: Gate"]
    day = f"{year}-12-31"  # over, and no harvest day known: a calendar would be empty
    done = run("season", "--out", tmp_path / "none", "--day", day)
    assert done.exit_code == 0
    assert not list((tmp_path / "none").glob("*.ics"))


def test_season_from_a_sheet(tmp_path):
    sheet = tmp_path / "trees.csv"
    sheet.write_text(
        "tree,species,ripening_month,first_pass_on,size_mm,leave_it\n"
        "late,peach,September,,27,\nearly,peach,6,,15,\ntwice,peach,7,2026-04-10,,\nleft,peach,8,,,yes\n"
    )
    done = run("season", "--trees", sheet, "--day", "2026-05-01", "--out", tmp_path)
    assert done.exit_code == 0, done.output
    states = [line.split(":")[0] for line in done.output.splitlines()[1:5]]
    assert states == ["now", "second pass due", "late", "leave it"]
    assert (
        "By 1 May. First pass on 10 April; look again from 24 April." in done.output
    )  # two weeks on: common practice, no source
    weather = tmp_path / "w.csv"
    weather.write_text("time,temperature_c\n2026-03-20T00:00,12.5\n")
    arguments = ("season", "--trees", sheet, "--out", tmp_path, "--weather", weather)
    done = run(*arguments)
    assert done.exit_code == 0
    weather.write_text("hour\n1\n")
    assert run(*arguments).exit_code == 2
    sheet.write_text("name,colour\na,red\n")
    done = run("season", "--trees", sheet, "--out", tmp_path)
    assert done.exit_code == 2
    assert "colour" in done.output


@pytest.mark.parametrize("southern", [False, True])
def test_an_orchard_through_its_year_by_command(tmp_path, southern):
    """A southern season goes on over New Year: trees due on 31 December are on 5 January too."""
    bloom = date(2025, 11, 26) if southern else date(2025, 3, 26)
    with closing(open_records(str(tmp_path / "d"), create=True)) as store:
        for k in range(3):
            tree = OrchardTree(f"t{k}", "peach", bloom_date=bloom, southern=southern,
                               ripening_month=4 if southern else 8, harvest_days=120)  # fmt: skip
            save_tree(store, tree, year=2025)
        save_limb(store, 1, name="low", base_diameter_mm=20.0)

    def due(day, *more):
        done = run("season", "--db", tmp_path / "d", "--out", tmp_path / "o", "--day", day, *more)
        assert done.exit_code == 0, done.output
        told = re.match(r"(\d|None) of 3 trees due now", done.output)
        return int(told.group(1).replace("None", "0"))

    if southern:
        days = {"2025-11-30": 0, "2025-12-31": 3, "2026-01-01": 3, "2026-01-05": 3,
                "2026-01-17": 3, "2026-06-30": 0, "2026-07-01": 0}  # fmt: skip
    else:
        days = {"2025-01-01": 0, "2025-03-31": 0, "2025-04-25": 3, "2025-05-17": 3,
                "2025-12-31": 0, "2026-01-01": 0}  # fmt: skip
    assert {day: due(day) for day in days} == days
    ics = (tmp_path / "o" / "thinning_2025.ics").read_text().replace("\r\n ", "")
    assert ics.count("Harvest likely") == 3
    assert due("2026-01-05", "--year", 2025) == (3 if southern else 0)
    assert due("2026-01-05", "--year", 2024) == 0


def test_a_day_that_no_calendar_has_is_refused(tmp_path):
    sheet = tmp_path / "trees.csv"
    sheet.write_text("tree,species,size_mm\nGate,peach,18\n")
    done = run("season", "--trees", sheet, "--day", "9999-12-31", "--out", tmp_path)
    assert done.exit_code == 2
    assert "year of day must be from 1800 to 2999" in done.output


def test_the_weeks_ahead_against_the_hours_there_are(data, tmp_path):
    year = date.today().year
    done = run("season", "--out", tmp_path, "--day", f"{year}-05-01", "--pace", 1, "--hours", 1)
    assert done.exit_code == 0, done.output
    line = next(x for x in done.output.splitlines() if x.startswith("Week from"))
    assert re.search(r"Week from \d+ May \d+: [\d.]+ h: [\d.]+ h more than you have: Gate", line)


def test_species_and_month_said_of_a_photo_are_known_to_the_season(data, tmp_path):
    with closing(open_records()) as store:
        number = save_tree(store, OrchardTree("Hill"), year=date.today().year)
        photo = save_photo(store, jpeg(9), place=PhotoPlace(number))
        told = {"species": "apricot", "ripening_month": 7, "southern": False}
        save_decision(store, photo, revision=0, inputs=told, decision={"count_n": 9})
        hill = next(t for t in load_trees(store) if t.name == "Hill")
        assert (hill.species, hill.ripening_month) == ("apricot", 7)


def test_records_go_out_and_in_again(data, tmp_path):
    done = run("records", "check")
    assert (done.exit_code, done.output.strip()) == (0, "All records and photo files are whole.")
    assert run("records", "backup", tmp_path / "b.zip").exit_code == 0
    assert run("records", "export", tmp_path / "csv").exit_code == 0
    assert (tmp_path / "csv" / "tree.csv").is_file()
    done = run("records", "--db", tmp_path / "new", "import", tmp_path / "b.zip")
    assert done.exit_code == 0, done.output
    year = date.today().year
    with closing(open_records(tmp_path / "new")) as new, closing(open_records(data)) as old:
        assert load_trees(new, year=year) == load_trees(old, year=year)
        assert list_photos(new) == list_photos(old)
        assert find_damage(new) == []
    for wrong in (["import", tmp_path / "b.zip"], ["delete"], ["delete", "--tree", "Hill"]):
        done = run("records", *wrong)
        assert done.exit_code == 2, done.output
        assert "Traceback" not in done.output
    again = run("records", "--db", tmp_path / "t.db", "--photos", data / "photos", "import",
                tmp_path / "csv")  # fmt: skip
    assert again.exit_code == 0, again.output


def test_records_delete_for_good(data):
    photos = sorted((data / "photos").glob("??/*"))
    assert len(photos) == 2
    done = run("records", "delete", "--photo", 1, input="n\n")
    assert done.exit_code == 1
    assert len(list((data / "photos").glob("??/*"))) == 2
    assert run("records", "delete", "--photo", 1, "--yes").exit_code == 0
    assert len(list((data / "photos").glob("??/*"))) == 1
    assert run("records", "delete", "--tree", "Gate", "--yes").exit_code == 0
    assert not list((data / "photos").glob("??/*"))
    assert b"Gate" not in (data / "records.db").read_bytes()


def test_records_check_finds_damage(data):
    next((data / "photos").glob("??/*")).write_bytes(b"broken")
    done = run("records", "check")
    assert done.exit_code == 1
    assert "was changed" in done.output


def test_the_example_runs(tmp_path, monkeypatch, capsys):
    script = Path(__file__).parent / "examples" / "whole_tree.py"
    monkeypatch.setattr(sys, "argv", [str(script), str(tmp_path)])
    runpy.run_path(str(script), run_name="__main__")
    said = capsys.readouterr().out
    assert "Target: 70 to 70" in said  # van den Ende 2012: 4 years, mid-season, 3.5 per cm, 20 cm
    words, _ = words_of(tmp_path / "Gate_sheet.pdf")
    assert "Tree Gate" in words
    assert "limb 8 *" in words


def test_block_summaries(data, tmp_path):
    year = date.today().year
    done = run("season", "--out", tmp_path, "--day", f"{year}-05-01", "--pace", 20)
    assert done.exit_code == 0, done.output
    words, _ = words_of(tmp_path / f"block_South_{year}.pdf")
    # van den Ende 2012: 7-year mid-season peach of 40 cm keeps 140 to 160; on the counted limbs
    # their own plans allow less
    assert int(re.search(r"Gate Peach now \d+ \d+ to \d+ (\d+) \d+ \d+", words)[1]) < 150
    other, _ = words_of(tmp_path / f"block_all_{year}.pdf")  # a tree without a block
    assert "Pond Sweet cherry not thinned - - - - -" in other


def test_what_was_thinned_is_no_work_any_more(data, tmp_path):
    """The photos are of today; fruit counted before a first pass do not hang there after it."""
    year, today = date.today().year, date.today()
    with closing(open_records()) as store:
        for done, told in ((today - timedelta(days=1), True), (today, False)):
            (gate, _) = sorted(load_trees(store), key=lambda t: t.name)
            changed = replace(gate, bloom_date=today - timedelta(days=40), first_pass_on=done,
                              ripening_month=(today.month + 2) % 12 + 1)  # fmt: skip
            save_tree(store, changed, year=year)
            source = records_source(store)
            book = season_book(load_trees(store), today, source=source)
            (block,) = [t for t in book.trees if t.line.tree.name == "Gate"]
            assert (block.work is not None) == told


def test_block_summaries_of_a_table(counted, tmp_path):
    sheet = tmp_path / "trees.csv"
    sheet.write_text("name,species,block,size_mm\nGate,peach,a/b,16\nHill,peach,a:b,16\n")
    done = run("season", "--trees", sheet, "--counts", counted, "--limbs", 6, "--out", tmp_path,
               "--day", "2026-05-01")  # fmt: skip
    assert done.exit_code == 0, done.output
    words, _ = words_of(tmp_path / "block_a-b_2026.pdf")
    assert re.search(r"Gate Peach now \d+ \d+ to \d+ \d+ \d+ -", words), words
    assert (tmp_path / "block_a-b-2_2026.pdf").is_file()


def test_walks(tmp_path):
    """Fruit and chances of a constructed tree of 140 fruit (Jessen 1955, worked by hand)."""
    first = run("walk", "20mm", "20mm", "4cm", "--seed", 3)
    assert first.exit_code == 0, first.output
    assert first.output == run("walk", "20mm", "20mm", "4cm", "--seed", 3).output
    # cross-sections 4 : 4 : 16
    assert re.search(
        r"Take branch (1|2) .* 0\.1667|Take branch 3 \(40 mm\).* 0\.6667", first.output
    )
    sheet = tmp_path / "w.csv"
    sheet.write_text("walk,fruit,chance\n1,0,\n1,6,0.6\n1,50,0.625\n2,0,\n2,4,0.4\n2,31,0.5\n")
    done = run("walk", "--sheet", sheet)
    assert "About 154 fruit" in done.output  # 143.33 and 165
    assert "2 walks cannot show how sure that is" in done.output
    assert "An interval needs 3 walks" in done.output
    assert run("walk").exit_code == 2
    assert run("walk", "6cm", "--seed", -1).exit_code == 2
    assert run("walk", "20", "--sheet", sheet).exit_code == 2


def test_groups_and_walks_for_a_tree(counted, tmp_path):
    sheet = tmp_path / "limbs.csv"
    lines = [f"limb {k},15,{'top' if k < 4 else 'low'}" for k in (1, 2, 3)]
    sheet.write_text("limb,base_diameter_mm,group\n" + "\n".join(lines) + "\nlimb 4,15,top\n")
    more = ["--limb-sheet", sheet, "--trunk", "20cm", "--age", 4, "--out", tmp_path]
    done = run("tree", counted, *more, "--by-group")
    assert done.exit_code == 0, done.output
    assert "limbs by group)" in done.output
    assert "photograph 1 more limb (limb 4)" in done.output
    walks = tmp_path / "w.csv"
    walks.write_text("walk,fruit,chance\n1,50,0.5\n2,60,0.5\n")
    done = run("tree", counted, *more, "--walks", walks)
    assert "About 110 fruit" in done.output
    assert "1 walk more" in done.output


@pytest.mark.parametrize("form", ["csv", "coco"])
def test_export_and_import(data, tmp_path, form):
    out = tmp_path / "out"
    done = run("records", "export", out, "--as", form)
    assert done.exit_code == 0, done.output
    new = tmp_path / "new"
    done = run("records", "--db", new, "import", out)
    assert done.exit_code == 0, done.output
    assert run("records", "--db", new, "check").exit_code == 0
    with closing(open_records(str(new))) as store:
        assert [p.name for p in list_photos(store)] == ["0.jpg", "1.jpg"]
