"""Taps and swipes on a phone: each does what it says, and no mark is moved or lost by chance."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from browse import IDLE, PHONE, SCREEN, Page, assert_quick
from conftest import keep_counted

from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.image.card import find_card

pytestmark = pytest.mark.browser


@pytest.fixture
def phone(chromium, shared_server):
    """A photo with 24 marks, opened on a phone."""
    key = keep_counted(shared_server.data, 24, (1600, 1200))
    context = chromium.new_context(**PHONE)
    page = Page(context, f"{shared_server.url}/?photo={key}")
    page.ready()
    yield page
    while page.ask("canUndo"):
        page.press("undo")
        page.settled()
    assert not page.errors
    context.close()


def _tap(page: Page, x: float, y: float) -> None:
    page.page.touchscreen.tap(x, y)
    page.page.wait_for_timeout(340)  # two taps in a row would be a zoom


def _swipe(page: Page, start: tuple[float, float], by: tuple[float, float], hold_ms: int = 0):
    wire = page.page.context.new_cdp_session(page.page)
    (x, y), (dx, dy) = start, by
    wire.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    page.page.wait_for_timeout(hold_ms)
    for k in range(1, 7):
        at = {"x": x + dx * k / 6, "y": y + dy * k / 6}
        wire.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [at]})
    wire.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.settled()


def test_a_swipe_moves_no_mark(phone):
    before = phone.marks()
    for name in list(before)[:8]:
        x, y = phone.at(name)
        _swipe(phone, (x, y), (30, 8))
        x, y = phone.at(name)
        _swipe(phone, (x + 6, y), (-60, 0))
    assert phone.marks() == before


def test_a_chosen_mark_is_dragged(phone):
    before = phone.marks()
    name = next(iter(before))
    _tap(phone, *phone.at(name))
    _swipe(phone, phone.at(name), (24, 12))
    assert {k for k, v in phone.marks().items() if v != before[k]} == {name}
    assert "Moved. Undo" in phone.page.locator(".fc-say").inner_text()


def test_a_finger_held_still_aims_under_the_glass(phone):
    """It slides to the place meant: a fruit is added there, or the mark there is chosen."""
    before = phone.marks()
    left, top = phone.box()
    (x, y), *_ = phone.free(1, seed=23)
    k = phone.ask("view.k")
    _swipe(phone, (left + x - 20, top + y - 9), (20, 9), hold_ms=600)
    (new,) = set(phone.marks()) - set(before)
    wanted = phone.page.evaluate(f"{SCREEN}.view.toPhoto({x}, {y})")
    assert np.hypot(*np.subtract(phone.marks()[new][:2], wanted)) * k < 1.5
    assert phone.ask("glass") is None
    name = next(iter(before))
    x, y = phone.at(name)
    _swipe(phone, (x - 14, y + 11), (14, -11), hold_ms=600)
    assert phone.ask("selected") == name
    assert set(phone.marks()) == {*before, new}


def test_a_tap_on_the_photo_adds_whatever_is_chosen(phone):
    before = phone.marks()
    left, top = phone.box()
    chosen = next(iter(before))
    for n, (x, y) in enumerate(phone.free(6, seed=11), start=1):
        _tap(phone, *phone.at(chosen))
        assert phone.ask("selected") == chosen
        _tap(phone, left + x, top + y)
        phone.settled()
        assert len(phone.marks()) == len(before) + n
        assert phone.ask("selected") is None


@pytest.mark.parametrize("beside", [0.8, 1.2])
def test_a_tap_beside_the_ring_of_a_mark_adds(phone, beside):
    """Whoever taps the next fruit of a cluster, half under the ring of its neighbour, adds it."""
    before = phone.marks()
    k, asked = phone.ask("view.k"), 0
    for name in list(before)[:10]:
        x, y = phone.at(name)
        left, top = phone.box()
        y += max(7.5, beside * before[name][2] * k)
        if phone.ask(f"hit({x - left}, {y - top}, 7)") is not None:
            continue  # another mark lies there
        asked += 1
        had = set(phone.marks())
        _tap(phone, x, y)
        (new,) = set(phone.marks()) - had
        wanted = phone.page.evaluate(f"{SCREEN}.view.toPhoto({x - left}, {y - top})")
        assert np.hypot(*np.subtract(phone.marks()[new][:2], wanted)) * k < 1.5
    assert asked >= 4


def test_remove_takes_one_fruit_and_chooses_no_other(phone):
    before = phone.marks()
    name = next(iter(before))
    _tap(phone, *phone.at(name))
    phone.press("remove")
    phone.settled()
    assert set(before) - set(phone.marks()) == {name}
    assert phone.ask("selected") is None
    assert not phone.page.locator("button[data-do=remove]").is_visible()


def test_five_missed_and_one_wrong_are_put_right_in_seven_taps(phone):
    """Seven taps at two seconds each are fourteen: here only what the screen needs is timed."""
    before = phone.marks()
    left, top = phone.box()
    for x, y in phone.free(5, seed=3):
        _tap(phone, left + x, top + y)
    _tap(phone, *phone.at(next(iter(before))))
    phone.press("remove")
    phone.settled()
    after = phone.marks()
    assert (len(set(after) - set(before)), len(set(before) - set(after))) == (5, 1)
    (x, y), *_ = phone.free(1, seed=29)

    def take() -> float:
        begin, had = time.monotonic(), phone.ask("marks.size")
        phone.page.touchscreen.tap(left + x, top + y)
        assert phone.ask("marks.size") == had + 1
        phone.press("undo")
        return 1000 * (time.monotonic() - begin)

    assert_quick(500, take, "a tap and its undo")


def test_two_taps_tell_the_limb_even_close_together(phone):
    phone.job("limb")
    phone.press("freshline")
    assert "starts" in phone.page.locator(".fc-say").inner_text()
    left, top = phone.box()
    _tap(phone, left + 100, top + 120)
    assert "tip" in phone.page.locator(".fc-say").inner_text()
    _tap(phone, left + 120, top + 120)
    phone.settled()
    line = phone.ask("data.line")
    assert phone.page.evaluate(f"{SCREEN}.data.line.length") >= 2
    k = phone.ask("view.k")
    assert abs(line[-1][0] - line[0][0]) * k == pytest.approx(20, abs=6)


def test_without_a_card_the_length_is_asked_for_in_place(chromium, server):
    """The drawn limb without its card: one number typed, and the keep count is there."""
    photo, _ = draw_scene(7)
    rgb = photo.rgb.copy()
    card = find_card(photo).corners_px
    (x0, y0), (x1, y1) = card.min(axis=0).astype(int) - 30, card.max(axis=0).astype(int) + 30
    rgb[y0:y1, x0:x1] = np.median(rgb, axis=(0, 1)).astype(np.uint8)
    _, jpeg = cv2.imencode(".jpg", rgb[..., ::-1])
    context = chromium.new_context(**PHONE)
    page = Page(context, server.url)
    page.upload(bytes(jpeg))
    strip = page.page.locator(".fc-strip b")
    assert strip.inner_text().endswith("How long is this limb?")
    page.page.get_by_label("How long is this limb, cm?").fill("60")
    page.press("length")
    page.page.wait_for_function(f"{SCREEN}.data.px_per_mm > 0", timeout=20000)
    page.settled()
    line = np.array(page.ask("data.line"))
    length_px = np.hypot(*np.diff(line, axis=0).T).sum()
    assert page.ask("data.px_per_mm") * 600 == pytest.approx(length_px, rel=0.01)
    assert "How long" not in strip.inner_text()
    context.close()


def test_undo_shows_at_once_without_a_server(chromium, server):
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    before = page.marks()
    server.kill()
    left, top = page.box()
    for x, y in page.free(3, seed=4):
        _tap(page, left + x, top + y)
    page.press("undo")
    assert len(page.marks()) == len(before) + 2
    page.page.wait_for_function(
        "document.querySelector('.stApp') && "
        f"{SCREEN}.el.say.textContent.startsWith('Not connected. 4 changes')",
        timeout=15000,
    )
    # Streamlit's own box says so too, later; the page goes on being used
    page.page.wait_for_selector(".fc-again", timeout=60000)
    x, y = page.free(1, seed=9)[0]
    _tap(page, left + x, top + y)
    assert len(page.marks()) == len(before) + 3
    assert "terminal" not in page.page.locator("body").inner_text()
    page.press("undo")
    server.start()
    page.page.wait_for_selector(".fc-again", state="detached", timeout=60000)
    page.page.wait_for_function(IDLE, timeout=60000)  # the page is built anew meanwhile
    assert len(page.marks()) == len(before) + 2
    page.page.reload()
    page.ready()
    assert len(page.marks()) == len(before) + 2
    context.close()
