"""Scales set by hand, marks grown and dragged by finger: real photos with real sizes in them."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pypdf
import pytest
from browse import DESK, HERE, PHONE, SCREEN, Page, fetch

from fruitcount.image.references import DISC_DIAMETERS_MM

pytestmark = pytest.mark.browser

# The pixel in the middle of the magnifier's ring and whether anything there changed.
GLASS = f"""() => {{ const S = {SCREEN}, R = Math.min(72, S.view.w / 5);
  const left = S.glass && S.glass[0] > S.view.w / 2;
  return S.glass ? [left ? R + 8 : S.view.w - R - 8, R + 8, R] : null; }}"""
PIXELS = f"""([x, y, r]) => {{ const S = {SCREEN}, d = S.dpr;
  return [...S.ctx.getImageData((x - r / 2) * d, (y - r / 2) * d, r * d, r * d).data]; }}"""


@pytest.fixture(scope="module")
def coin_jpeg():
    """A drawn coin, 400 px across, on rough ground: seeded."""
    rng = np.random.default_rng(3)
    ground = rng.integers(70, 110, (75, 100, 3), dtype=np.uint8)
    rgb = cv2.resize(ground, (1600, 1200), interpolation=cv2.INTER_CUBIC)
    cv2.circle(rgb, (800, 600), 200, (196, 190, 170), -1, cv2.LINE_AA)
    _, data = cv2.imencode(".jpg", rgb)
    return bytes(data)


@pytest.fixture
def phone(chromium, shared_server):
    context = chromium.new_context(**PHONE)
    yield context, shared_server.url
    context.close()


def _touch(wire, kind: str, *points) -> None:
    fingers = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
    wire.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})


def _on_page(page: Page, x_px: float, y_px: float) -> tuple[float, float]:
    cx, cy = page.ask(f"view.toCss({x_px}, {y_px})")
    left, top = page.box()
    return left + cx, top + cy


def test_a_tapped_coin_gives_the_scale(phone, coin_jpeg):
    """The truth is drawn: 400 px across, and the coin's own published diameter."""
    context, url = phone
    page = Page(context, url)
    page.upload(coin_jpeg, "coin.jpg")
    page.job("scale")
    page.page.locator("[data-el=how]").select_option("coin")
    page.page.locator("[data-el=coin]").select_option(index=0)
    mm = next(iter(DISC_DIAMETERS_MM.values()))
    assert float(page.page.locator("[data-el=mm]").input_value()) == pytest.approx(mm)
    page.page.touchscreen.tap(*_on_page(page, 830, 580))
    page.press("usescale")
    page.settled()
    assert page.ask("data.px_per_mm") == pytest.approx(400 / mm, rel=0.02)
    page.press("undo")
    page.settled()
    assert page.ask("data.px_per_mm") == 0


def test_a_measured_fruit_gives_the_scale_and_a_new_look_is_offered(phone, limb_jpeg):
    context, url = phone
    page = Page(context, url)
    page.upload(limb_jpeg)
    was, before = page.ask("data.px_per_mm"), page.marks()
    (x, y), *_ = page.free(1)
    left, top = page.box()
    page.page.touchscreen.tap(left + x, top + y)
    page.settled()
    (mine,) = set(page.marks()) - set(before)
    fruit = max(before, key=lambda k: before[k][2])
    page.job("scale")
    page.page.locator("[data-el=how]").select_option("fruit")
    page.page.locator("[data-el=mm]").fill("10")
    page.page.touchscreen.tap(*page.at(fruit))
    page.press("usescale")
    page.settled()
    now = page.ask("data.px_per_mm")
    assert now == pytest.approx(2 * before[fruit][2] / 10, rel=0.01)
    assert abs(now / was - 1) > 0.1
    hand = page.marks()[mine]
    revision = page.ask("data.revision")
    page.page.get_by_role("button", name="Look again at this scale").click()
    page.page.wait_for_function(f"{HERE}?.data?.revision === {revision + 1}", timeout=30000)
    assert page.marks()[mine] == hand
    assert all(k == mine or k.startswith("s") for k in page.marks())
    for _ in range(3):
        page.press("undo")
        page.settled()
    assert page.marks() == before


def test_the_grip_resizes_and_the_glass_shows_while_dragging(phone, limb_jpeg):
    context, url = phone
    page = Page(context, url)
    page.upload(limb_jpeg)
    name = max(page.marks(), key=lambda k: page.marks()[k][2])
    was = page.marks()[name]
    page.page.touchscreen.tap(*page.at(name))
    page.page.wait_for_timeout(400)
    x, y = page.at(name)
    out = 0.78 * (max(7, was[2] * page.ask("view.k")) + 16)  # where the script draws the grip
    gx, gy = x + out, y + out
    assert page.page.evaluate(GLASS) is None
    wire = page.page.context.new_cdp_session(page.page)
    _touch(wire, "touchStart", (gx, gy))
    _touch(wire, "touchMove", (gx + 14, gy + 14))
    _touch(wire, "touchMove", (gx + 22, gy + 22))
    page.page.wait_for_timeout(100)
    glass = page.page.evaluate(GLASS)
    assert glass is not None
    shown = page.page.evaluate(PIXELS, glass)
    _touch(wire, "touchEnd")
    page.settled()
    page.page.wait_for_timeout(100)
    assert page.page.evaluate(GLASS) is None
    plain = page.page.evaluate(PIXELS, glass)
    assert sum(a != b for a, b in zip(shown, plain, strict=True)) > 0.3 * len(plain)
    now = page.marks()[name]
    assert now[:2] == was[:2]
    assert now[2] > 1.3 * was[2]
    page.press("undo")
    page.settled()
    assert page.marks()[name] == was


def test_a_double_tap_zooms_in_and_out_and_adds_nothing(phone, limb_jpeg):
    context, url = phone
    page = Page(context, url)
    page.upload(limb_jpeg)
    before, k = page.marks(), page.ask("view.k")
    (x, y), *_ = page.free(1)
    left, top = page.box()
    for want in (lambda now: now > 2 * k, lambda now: now == pytest.approx(k)):
        for _ in range(2):
            page.page.touchscreen.tap(left + x, top + y)
        page.settled()
        assert want(page.ask("view.k"))
        assert page.marks() == before
        page.page.wait_for_timeout(400)


def test_the_work_sheet_tells_what_the_screen_tells(chromium, shared_server, limb_jpeg):
    context = chromium.new_context(**DESK)
    page = Page(context, shared_server.url)
    page.upload(limb_jpeg)
    crop = page.ask("data.summary.match(/of (\\d+)/)[1]")
    keep = page.ask("data.summary.match(/KEEP (\\d+)/)[1]")
    pages = pypdf.PdfReader(io.BytesIO(fetch(page.page, "Work sheet (PDF)"))).pages
    assert len(pages) == 1
    words = pages[0].extract_text()
    assert f"KEEP {keep} of {crop} " in words
    context.close()
