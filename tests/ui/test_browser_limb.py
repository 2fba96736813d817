"""The limb page end to end in a real Chromium, at phone and at desk size."""

from __future__ import annotations

import csv
import io
import itertools
import json
import statistics
import time

import pytest
from browse import DESK, PHONE, SCREEN, Page, assert_quick, fetch
from conftest import keep_counted

pytestmark = pytest.mark.browser


# Ten frames of a drag; reading one pixel back waits until they are really drawn.
PAINT = """() => { const S = SCREEN, begin = performance.now();
  for (let i = 0; i < 10; i++) { S.view.pan(i % 2 ? 2 : -2, 0); S.paint(true); }
  S.ctx.getImageData(0, 0, 1, 1);
  return (performance.now() - begin) / 10; }""".replace("SCREEN", SCREEN)


@pytest.fixture(params=["phone", "desk"])
def opened(request, chromium, shared_server, limb_jpeg):
    """A photo just uploaded; every test gets marks as they are stored by then."""
    context = chromium.new_context(**(PHONE if request.param == "phone" else DESK))
    page = Page(context, shared_server.url)
    page.upload(limb_jpeg)
    yield page, request.param
    assert not page.errors
    context.close()


def _tap(page: Page, size: str, x: float, y: float) -> None:
    if size == "phone":
        page.page.touchscreen.tap(x, y)
        page.page.wait_for_timeout(350)  # two taps in a row would be a zoom
    else:
        page.page.mouse.click(x, y)


def test_add_relabel_move_remove_undo_and_reload(opened):
    page, size = opened
    before = page.marks()
    (x, y), *_ = page.free(1)
    left, top = page.box()
    _tap(page, size, left + x, top + y)
    page.settled()
    (new,) = set(page.marks()) - set(before)
    _tap(page, size, *page.at(new))
    page.page.locator("button[data-label=damaged]").click()
    page.settled()
    assert page.marks()[new][3] == "damaged"
    page.press("bigger")
    page.settled()
    grown = page.marks()[new]
    page.page.reload()
    page.ready()
    assert page.marks()[new] == grown
    _tap(page, size, *page.at(new))
    page.press("remove")
    page.settled()
    assert page.marks() == before
    page.press("undo")
    page.settled()
    assert page.marks()[new] == grown
    for _ in range(3):
        page.press("undo")
        page.settled()
    assert page.marks() == before


def test_nothing_scrolls_sideways_and_buttons_are_large(opened):
    page, size = opened
    width = page.page.evaluate("document.documentElement.scrollWidth")
    assert width <= (390 if size == "phone" else 1280)
    for job in ("fruit", "doubt", "limb", "scale"):
        page.job(job)
        boxes = page.page.evaluate(
            f"[...{SCREEN}.root.querySelectorAll('button,select,input')]"
            ".filter(e => e.offsetParent).map(e => { const b = e.getBoundingClientRect();"
            " return [b.width, b.height, b.right]; })"
        )
        assert all(w >= 44 and h >= 44 and right <= width for w, h, right in boxes)
    page.job("fruit")


def test_dragging_moves_a_mark_and_the_empty_photo_pans(opened):
    page, size = opened
    if size == "phone":
        pytest.skip("mouse drag; touch is tested by pinch")
    name = max(page.marks(), key=lambda k: page.marks()[k][2])
    x, y = page.at(name)
    was = page.marks()[name]
    k = page.ask("view.k")
    page.page.mouse.click(x, y)  # only a chosen mark is dragged
    page.page.mouse.move(x, y)
    page.page.mouse.down()
    page.page.mouse.move(x + 20, y + 12, steps=4)
    page.page.mouse.up()
    page.settled()
    now = page.marks()[name]
    assert now[0] - was[0] == pytest.approx(20 / k, rel=0.05)
    assert now[1] - was[1] == pytest.approx(12 / k, rel=0.05)
    page.press("undo")
    page.settled()
    assert page.marks()[name] == was
    page.page.mouse.move(x, y)
    page.page.mouse.wheel(0, -600)
    assert page.ask("view.k") > 2 * k


def test_pinch_zooms_without_adding_a_mark(opened):
    page, size = opened
    if size == "desk":
        pytest.skip("two fingers need a touch screen")
    before, k = page.marks(), page.ask("view.k")
    left, top = page.box()
    wire = page.page.context.new_cdp_session(page.page)
    for kind, gap in [("touchStart", 30), ("touchMove", 60), ("touchMove", 110), ("touchEnd", 0)]:
        points = (
            []
            if kind == "touchEnd"
            else [
                {"x": left + 170 - gap, "y": top + 130, "id": 1},
                {"x": left + 170 + gap, "y": top + 130, "id": 2},
            ]
        )
        wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    assert page.ask("view.k") > 2 * k
    assert page.marks() == before


def test_everything_from_the_keyboard(opened):
    page, size = opened
    if size == "phone":
        pytest.skip("a keyboard is a desk thing")
    before = page.marks()
    page.page.locator("canvas").focus()
    page.page.keyboard.press("ArrowRight")
    chosen = page.ask("selected")
    page.page.keyboard.press("2")
    page.settled()
    assert page.marks()[chosen][3] == "yellowing"
    assert "yellowing" in page.page.locator(".fc-say").inner_text()
    page.page.keyboard.press("Delete")
    page.settled()
    assert chosen not in page.marks()
    for key in ("u", "u"):
        page.page.keyboard.press(key)
        page.settled()
    assert page.marks() == before
    page.page.keyboard.press("r")
    page.settled()
    assert page.marks()[chosen][3] == "yellowing"
    page.page.keyboard.press("u")
    page.settled()


def test_a_limb_line_is_traced_and_a_scale_tapped(opened):
    page, size = opened
    was = page.ask("data.line")
    base, tip = was[0], was[-1]
    page.job("limb")
    page.press("freshline")
    left, top = page.box()
    for x, y in (base, tip):
        cx, cy = page.ask(f"view.toCss({x}, {y})")
        _tap(page, size, left + cx, top + cy)
    page.settled()
    line = page.ask("data.line")
    assert len(line) > 10
    assert line[0] == pytest.approx(base, abs=6)
    assert line[-1] == pytest.approx(tip, abs=6)
    page.job("scale")
    for dx in (60, 160):
        _tap(page, size, left + dx, top + 60)
    page.page.locator("[data-el=mm]").fill("100")
    page.press("usescale")
    page.settled()
    assert page.ask("data.px_per_mm") == pytest.approx(100 / page.ask("view.k") / 100, rel=0.03)
    for _ in range(2):
        page.press("undo")
        page.settled()
    assert page.ask("data.line") == was


def test_twenty_fruit_are_checked_in_three_taps(chromium, shared_server, twenty):
    """Nine in ten right: open the doubtful ones, take off the wrong one, the rest is right."""
    context = chromium.new_context(**PHONE)
    page = Page(context, f"{shared_server.url}/?photo={twenty}")
    page.ready()
    assert page.ask("doubtful().length") == 2
    page.job("doubt")
    wrong = page.ask("doubtful()[0].id")
    page.page.touchscreen.tap(*page.at(wrong))
    page.press("allright")
    page.settled()
    assert wrong not in page.marks()
    assert len(page.marks()) == 19
    assert page.ask("doubtful().length") == 0
    assert page.ask("data.revision") == 2
    context.close()


def test_each_download_can_be_read(opened):
    page, size = opened
    if size == "phone":
        pytest.skip("the same files")
    crop = int(page.ask("data.summary.match(/of (\\d+)/)[1]"))

    (row,) = csv.DictReader(io.StringIO(fetch(page.page, "CSV").decode()))
    assert crop in [int(v) for v in row.values() if v and v.isdigit()]
    record = json.loads(fetch(page.page, "JSON"))
    assert record["plan"]["crop_count"] == crop
    coco = json.loads(fetch(page.page, "COCO"))
    assert len(coco["annotations"]) == len(page.marks())
    assert "automatic" not in coco["images"][0]["fruitcount"]
    before = len(page.marks())
    ((x, y),) = page.free(1)
    left, top = page.box()
    page.page.mouse.click(left + x, top + y)
    page.settled()
    assert len(page.marks()) == before + 1
    # What is drawn is corrected; the automatic result goes along.
    coco = json.loads(fetch(page.page, "COCO"))
    assert len(coco["annotations"]) == before + 1
    assert len(coco["images"][0]["fruitcount"]["automatic"]["fruitlets"]["x_px"]) == before
    assert fetch(page.page, "Picture")[:8] == b"\x89PNG\r\n\x1a\n"


def test_click_to_new_keep_count(chromium, shared_server, three_hundred):
    """Both under a second with 300 marks on a 12 MP photo, without a graphics card."""
    context = chromium.new_context(**DESK)
    page = Page(context, f"{shared_server.url}/?photo={three_hundred}")
    page.ready()
    assert len(page.marks()) >= 300
    seeds = itertools.count(5)
    assert_quick(1000, lambda: statistics.median(_clicks(page, next(seeds))), "click to keep count")

    def painted() -> float:
        page.page.reload()
        page.ready()
        return int(page.page.locator("canvas").get_attribute("data-painted"))

    assert_quick(1000, painted, "first paint")
    context.close()


def _clicks(page: Page, seed: int) -> list[float]:
    """Milliseconds from each of a few clicks to the keep count that follows from it."""
    left, top = page.box()
    took = []
    for x, y in page.free(9, seed):
        want = page.ask("data.revision") + 1
        begin = time.perf_counter()
        page.page.mouse.click(left + x, top + y)
        page.page.wait_for_function(
            f"{SCREEN}.el.strip.dataset.revision === '{want}'", polling=5, timeout=10000
        )
        took.append(1000 * (time.perf_counter() - begin))
    return took


def test_five_hundred_marks_are_drawn_at_thirty_frames(chromium, shared_server):
    """A drag redraws every frame; 33 ms each, here without a graphics card."""
    key = keep_counted(shared_server.data, 500)
    context = chromium.new_context(**PHONE)
    page = Page(context, f"{shared_server.url}/?photo={key}")
    page.ready()
    assert_quick(33, lambda: page.page.evaluate(PAINT), "a frame of 500 marks")
    context.close()
