"""Tree and season pages in a real Chromium: many photos at once, one of them bad, and the files."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from dataclasses import replace
from datetime import date, datetime, time, timedelta

import cv2
import icalendar
import pypdf
import pytest
from browse import DESK, PHONE, fetch, open_part
from conftest import keep_counted

from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.kept import open_records
from fruitcount.store.orchard import save_tree

pytestmark = pytest.mark.browser


def _drawn(seed: int) -> bytes:
    photo, _ = draw_scene(seed)
    small = cv2.resize(photo.rgb, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
    _, data = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR))
    return bytes(data)


def _file(name: str, data: bytes) -> dict:
    return {"name": name, "mimeType": "image/jpeg", "buffer": data}


def test_photos_of_a_tree_are_counted_grouped_and_taken_away(chromium, shared_server):
    context = chromium.new_context(**PHONE)
    page = context.new_page()
    page.goto(shared_server.url + "/tree")
    page.get_by_label("Or a new tree").fill("Row 3, tree 7")
    page.get_by_role("button", name="Add it").click()
    page.wait_for_selector("text=No photos of this tree yet")
    page.locator("input[type=file]").set_input_files(
        [
            _file("1_front.jpg", _drawn(7)),
            _file("1_back.jpg", _drawn(8)),
            _file("2_before.jpg", _drawn(9)),
            _file("2_after.jpg", _drawn(10)),
            _file("broken.jpg", b"\xff\xd8\xff nothing"),
        ]
    )
    page.get_by_role("button", name="Count them").click()
    page.wait_for_selector("text=of 5 photos", timeout=60000)
    page.wait_for_selector("text=fruit seen", timeout=120000)
    assert "not kept" in page.get_by_text("broken.jpg:").inner_text()
    open_part(page, "The photos, most doubtful first")
    pictures = page.locator("img[alt^='Limb ']")
    pictures.nth(3).wait_for(timeout=60000)
    assert pictures.count() == 4
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    rows = list(csv.DictReader(io.StringIO(fetch(page, "CSV of all photos").decode())))
    record = json.loads(fetch(page, "JSON"))
    assert len(rows) == len(record["photos"]) == 4
    by_name = {p["photo"]: p for p in record["photos"]}
    assert (by_name["1_back.jpg"]["limb"], by_name["1_back.jpg"]["side"]) == ("1", "back")
    assert by_name["2_after.jpg"]["moment"] == "after"
    words = pypdf.PdfReader(io.BytesIO(fetch(page, "Work sheet (PDF)"))).pages[0].extract_text()
    assert "Row 3, tree 7" in words
    # front and back are one limb: the better side counts, not the sum; "after" is left out
    best = max(by_name[f"1_{side}.jpg"]["count_n"] for side in ("front", "back"))
    total = best + by_name["2_before.jpg"]["count_n"]
    assert re.search(rf"\b{total} fruit", words)
    open_part(page, "What you know of the tree")
    page.get_by_role("textbox", name="Base thickness of each other limb, mm").fill("20, 25")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=95% interval")
    context.close()


def test_fruit_on_both_sides_by_phone_is_kept_and_in_the_files(chromium, server):
    """Chapman's estimator (1951) by hand, of what the page itself says it counted."""
    context = chromium.new_context(**PHONE)
    page = context.new_page()
    page.goto(server.url + "/tree")
    page.get_by_label("Or a new tree").fill("Both sides")
    page.get_by_role("button", name="Add it").click()
    page.wait_for_selector("text=No photos of this tree yet")
    page.locator("input[type=file]").set_input_files(
        [_file("1_front.jpg", _drawn(7)), _file("1_back.jpg", _drawn(8))]
    )
    page.get_by_role("button", name="Count them").click()
    open_part(page, "What you know of the tree")
    open_part(page, "Fruit that neither side shows")
    assert page.get_by_text("capture-recapture by itself").count() == 0
    shown = page.get_by_text(re.compile(r"\d+ on the front, \d+ on the back")).inner_text()
    front, back = (int(n) for n in re.findall(r"(\d+) on", shown))
    both = min(front, back) - 2
    open_part(page, "Limb by limb, and what to bear in mind")
    page.get_by_label("Fruit of limb 1 seen on both").fill(str(both))
    page.keyboard.press("Enter")
    page.get_by_text("Told of 1 of 1 limbs").wait_for(timeout=60000)
    whole = (front + 1) * (back + 1) / (both + 1) - 1
    words = f"capture-recapture by itself says {whole:.0f}."
    # the part is as the reader left it, though all around it was built anew
    page.get_by_text(words).first.wait_for(timeout=60000)
    page.get_by_text("Fruit that no side can show").first.wait_for(timeout=60000)
    page.get_by_text(f"About {whole:.0f} fruit on the tree").first.wait_for(timeout=60000)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    record = json.loads(fetch(page, "JSON"))
    (limb,) = record["limbs_from_both_sides"]
    assert (limb["limb"], limb["front_n"], limb["both_n"]) == ("1", front, both)
    assert limb["low_n"] < limb["value_n"] < limb["high_n"]
    sheet = pypdf.PdfReader(io.BytesIO(fetch(page, "Work sheet (PDF)"))).pages[0].extract_text()
    assert words in " ".join(sheet.split())
    assert "come on top" in " ".join(sheet.split())
    page.reload()  # it is in the records, not only on this page
    open_part(page, "What you know of the tree")
    open_part(page, "Fruit that neither side shows")
    field = page.get_by_label("Fruit of limb 1 seen on both")
    page.wait_for_function("e => e.value !== ''", arg=field.element_handle(), timeout=60000)
    assert field.input_value() == str(both)
    # both photos again: one may lie in a folded part
    page.locator("img").nth(3).wait_for(state="attached", timeout=60000)
    field.fill("")
    page.keyboard.press("Enter")
    page.get_by_text("Told of 0 of 1 limbs").wait_for(timeout=60000)
    page.wait_for_function("!document.body.innerText.includes('capture-recapture')", timeout=60000)
    context.close()


def test_the_seasons_calendar_and_log_can_be_read(chromium, server):
    context = chromium.new_context(**DESK)
    page = context.new_page()
    page.goto(server.url + "/season")
    open_part(page, "Add a tree")
    page.get_by_label("Name or place").fill("Old peach, gate")
    page.get_by_role("button", name="Save").first.click()
    # in a drawer: nothing is due yet
    page.get_by_text("Old peach, gate").first.wait_for(state="attached")
    # nothing tells a day yet: a calendar with nothing in it is not offered
    page.get_by_role("button", name="Season log (PDF)").wait_for(timeout=60000)
    assert page.get_by_role("button", name="Calendar (for a phone)").count() == 0
    tree = OrchardTree("Old peach, gate", "peach", bloom_date=date.today() - timedelta(days=40))
    save_tree(open_records(server.data).store, tree, year=date.today().year)
    page.reload()
    calendar = icalendar.Calendar.from_ical(fetch(page, "Calendar (for a phone)"))
    assert calendar["version"] == "2.0"
    assert [e["summary"] for e in calendar.events] == ["Thin: Old peach, gate"]
    picture = page.get_by_role("img", name="Old peach, gate: now. By")
    picture.wait_for(timeout=60000)
    words = pypdf.PdfReader(io.BytesIO(fetch(page, "Season log (PDF)"))).pages[0].extract_text()
    assert "Old peach, gate" in words
    context.close()


def test_printed_sheets_follow_inches_and_pounds(chromium, server):
    """Letter is 8.5 in wide: 612 points. The buttons' files are made after the page was built."""
    store = open_records(server.data).store
    year = date.today().year
    tree = OrchardTree("Gate", "peach", block="South", planted_year=year - 7, ripening_month=7)
    tree_id = save_tree(store, replace(tree, trunk_circumference_mm=460.0), year=year)
    key = keep_counted(server.data, 24, (800, 600))
    records = open_records(server.data)
    records.put_in_tree(key, tree_id)
    told = {"count_n": 24, "keep_n": 5, "verdict": "thin", "base_diameter_mm": 30.0}
    records.keep_result(key, 0, {"species": "peach"}, told)
    context = chromium.new_context(**DESK)
    page = context.new_page()
    page.goto(server.url + "/tree?tree=Gate&units=us")
    sheets = {"tree": fetch(page, "Work sheet (PDF)")}
    page.goto(server.url + "/season?units=us")
    open_part(page, "Summaries of the blocks")
    sheets |= {"log": fetch(page, "Season log (PDF)"), "block": fetch(page, "South (PDF)")}
    first = {name: pypdf.PdfReader(io.BytesIO(data)).pages[0] for name, data in sheets.items()}
    assert {name: round(float(p.mediabox.width)) for name, p in first.items()} == dict.fromkeys(
        sheets, 612
    )
    assert "18 in" in first["log"].extract_text()  # 46 cm around
    assert " lb" in first["tree"].extract_text()
    context.close()


def test_warm_weeks_after_bloom_and_the_summaries_of_blocks(chromium, server):
    """Degree hours of 30 days at 20 degrees C: Anderson, Richardson & Kesner (1986), rising arm.

    Between 4 and 25 degrees the published curve gives 21/2 (1 + cos(pi + pi (T - 4)/21)): 14.3 an
    hour at 20, so 720 hours come to 10,291, over the 6,000 from which one thins earlier.
    """
    store = open_records(server.data).store
    today = date.today()
    bloom = today - timedelta(days=45)
    for name, block in (("Gate", "South"), ("Wall", "")):
        tree = OrchardTree(name, "peach", block=block, ripening_month=8, bloom_date=bloom)
        save_tree(store, tree, year=today.year)
    context = chromium.new_context(**PHONE)
    page = context.new_page()
    page.goto(server.url + "/season")
    open_part(page, "Temperatures: thin earlier?")
    start = datetime.combine(bloom, time())
    hours = [(start + timedelta(hours=h)).isoformat() for h in range(24 * 40)]
    table = "time,temperature_c\n" + "".join(f"{hour},20.0\n" for hour in hours)
    upload = page.locator("input[type=file]").first
    upload.set_input_files(
        {"name": "bad.csv", "mimeType": "text/csv", "buffer": b"time,degrees\n2026-01-01,3\n"}
    )
    page.get_by_text("bad.csv: the file needs a column").wait_for(timeout=60000)
    upload.set_input_files({"name": "w.csv", "mimeType": "text/csv", "buffer": table.encode()})
    expected = 24 * 30 * 21 / 2 * (1 + math.cos(math.pi + math.pi * (20 - 4) / 21))
    page.get_by_text(f"Gate: {expected:,.0f} degree hours").wait_for(timeout=60000)
    page.get_by_text("thin earlier").nth(1).wait_for(timeout=60000)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    open_part(page, "Summaries of the blocks")
    for button, name, other in (
        ("South (PDF)", "Gate", "Wall"),
        ("Trees without a block (PDF)", "Wall", "Gate"),
    ):
        words = pypdf.PdfReader(io.BytesIO(fetch(page, button))).pages[0].extract_text()
        assert name in words
        assert other not in words
    context.close()


def test_sheets_of_limbs_in_groups_and_of_walks(chromium, server):
    """By group: (24 x 2 + 30 x 1) fruit seen on limbs that stand for their own group alone.

    Walks: 30 fruit at chance 0.5 and 40 at 0.5 make 60 and 80, 35 make 70: 70 on average
    (Jessen 1955).
    """
    store = open_records(server.data).store
    tree_id = save_tree(store, OrchardTree("Gate", "peach"), year=date.today().year)
    for limb, n in (("1", 24), ("2", 30)):
        key = keep_counted(server.data, n, (800, 600))
        records = open_records(server.data)
        records.put_in_tree(key, tree_id)
        records.put_on_limb(key, limb, "", "")
        told = {"count_n": n, "keep_n": 5, "verdict": "thin", "base_diameter_mm": 30.0}
        records.keep_result(key, 0, {"species": "peach"}, told)
    context = chromium.new_context(**DESK)
    page = context.new_page()
    page.goto(server.url + "/tree?tree=Gate")
    open_part(page, "What you know of the tree")
    open_part(page, "Sheets of limbs or walks (CSV)")
    here = page.get_by_test_id("stFileUploader")
    limbs = here.filter(has_text="Every limb of the tree").locator("input[type=file]")
    walks = here.filter(has_text="Random walks").locator("input[type=file]")

    def give(field, text):
        field.set_input_files({"name": "s.csv", "mimeType": "text/csv", "buffer": text.encode()})

    give(limbs, "limb,base_diameter_mm\n1,thick\n")
    page.get_by_text("s.csv, line 2: base_diameter_mm must be a number").wait_for(timeout=60000)
    give(limbs, "limb,base_diameter_mm,group\n1,30,low\n2,30,top\n3,60,low\n")
    page.get_by_text("Limbs stand for those of their group").click(timeout=60000)
    page.get_by_text("About 78 fruit that photos of all limbs").first.wait_for(timeout=60000)
    give(walks, "walk,fruit,chance\na,0,\na,30,0.5\nb,0,\nb,40,0.5\nc,0,\nc,35,0.5\n")
    page.get_by_text("About 70 fruit on the tree").first.wait_for(timeout=60000)
    page.get_by_text("randomized branch sampling").first.wait_for(timeout=60000)
    context.close()
