"""Accessibility by axe-core (npm, used for tests only), and the screen without a mouse."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest
from browse import PHONE, SCREEN, Page
from conftest import keep_counted

from fruitcount.season.orchard import OrchardTree
from fruitcount.store.kept import open_records
from fruitcount.store.orchard import save_tree

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def axe():
    """The text of axe-core; ``FRUITCOUNT_AXE`` names its file."""
    path = Path(os.environ.get("FRUITCOUNT_AXE", ""))
    if not path.is_file():
        pytest.skip("axe-core is not here: set FRUITCOUNT_AXE to axe.min.js (npm install axe-core)")
    return path.read_text(encoding="utf-8")


# Controls that can be seen and are smaller than a thumb, as (width, height, what it says).
SMALL = """() => [...document.querySelectorAll(
    'button, a[href], input, select, textarea, summary, [role=button], [role=switch]')]
  .map(e => ['checkbox', 'radio', 'file'].includes(e.type) ? e.closest('label') || e : e)
  .filter(e => getComputedStyle(e).visibility !== 'hidden' && !e.closest('.stSkipToContent'))
  .map(e => [e.getBoundingClientRect(), e])
  .filter(([b, e]) => b.width > 2 && b.height > 2 && (b.width < 44 || b.height < 44))
  .map(([b, e]) => [b.width, b.height, e.innerText || e.ariaLabel || e.outerHTML.slice(0, 80)])"""

# Words of warnings and of the canvas's buttons that are too faint or too small, with their contrast
# (WCAG 2.2, 1.4.6: 7 to 1) against what lies behind them, and their size. Signs of one letter are
# pictures beside their words.
FAINT = """() => {
  const pen = new OffscreenCanvas(1, 1).getContext('2d', { willReadFrequently: true });
  const rgba = c => { pen.clearRect(0, 0, 1, 1); pen.fillStyle = c; pen.fillRect(0, 0, 1, 1);
    return [...pen.getImageData(0, 0, 1, 1).data]; };
  const over = (a, b, t) => a.map((v, i) => v * t + b[i] * (1 - t));
  const up = e => e.parentElement || e.getRootNode().host;
  const behind = e => { if (!e) return [255, 255, 255];
    const [r, g, b, a] = rgba(getComputedStyle(e).backgroundColor);
    return a === 255 ? [r, g, b] : over([r, g, b], behind(up(e)), a / 255); };
  const light = c => c.map(v => v / 255)
    .map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [.2126, .7152, .0722][i], 0);
  const all = root => [...root.querySelectorAll('*')]
    .flatMap(e => e.shadowRoot ? [e, ...all(e.shadowRoot)] : [e]);
  const own = '.fc-root, .fc-again, [role=alert], [data-testid=stCaptionContainer]';
  return all(document).filter(e => e.closest(own) && !e.disabled
      && e.checkVisibility({ visibilityProperty: true })
      && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim().length > 1))
    .map(e => { const style = getComputedStyle(e), back = behind(e);
      const [r, g, b, a] = rgba(style.color);
      let seen = a / 255; for (let p = e; p; p = up(p)) seen *= getComputedStyle(p).opacity;
      const [x, y] = [light(over([r, g, b], back, seen)), light(back)].sort((m, n) => n - m);
      const small = e.closest('.fc-root') && parseFloat(style.fontSize) < 16;
      return [(x + .05) / (y + .05), style.fontSize, small, e.textContent.trim().slice(0, 50)]; })
    .filter(([ratio, , small]) => ratio < 7 || small); }"""
ASKED = """([ask, question]) => { const S = SCREEN;
  Object.assign(S.data, { ask, question, warnings: ['One doubt.', 'Another.'] });
  S.tell(); }""".replace("SCREEN", SCREEN)
WAITS = f"(S => {{ S.outbox.items.push({{ seq: 99 }}); S.firstWait = 1; S.tell(); }})({SCREEN})"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_warnings_and_buttons_can_be_read_in_the_sun(chromium, server, scheme):
    """On every page, whatever is chosen or asked, and while the server is not reached."""
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE, color_scheme=scheme)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    faint = {"photo": page.page.evaluate(FAINT)}
    page.page.evaluate(f"{SCREEN}.select({next(iter(page.marks()))!r})")
    faint["chosen"] = page.page.evaluate(FAINT)
    for job in ("doubt", "limb", "scale", "fruit"):
        page.job(job)
        faint[job] = page.page.evaluate(FAINT)
    for ask in ("no limb", "limb", "length", "scale", "ends"):
        page.page.evaluate(ASKED, [ask, "Is this right?"])
        assert page.page.locator(".fc-ask").is_visible()
        faint[ask] = page.page.evaluate(FAINT)
    page.page.evaluate(WAITS)
    assert "Not connected" in page.page.locator(".fc-say").inner_text()
    faint["not connected"] = page.page.evaluate(FAINT)
    save_tree(open_records(server.data).store, OrchardTree("Gate"), year=date.today().year)
    for path in ("/", "/?photo=" + "0" * 64, "/tree", "/tree?tree=Gate", "/season?tree=Gate"):
        page.page.goto(server.url + path)
        page.page.wait_for_selector("[data-test-script-state=notRunning]", timeout=60000)
        for part in page.page.locator("summary").all():
            part.click()
        page.page.wait_for_timeout(700)
        faint[path] = page.page.evaluate(FAINT)
    assert faint == {name: [] for name in faint}
    context.close()


def test_every_control_of_every_page_fits_a_thumb_and_nothing_scrolls_sideways(
    chromium, shared_server
):
    """44 px: the target size of WCAG 2.2, criterion 2.5.5."""
    records = open_records(shared_server.data)
    tree_id = save_tree(records.store, OrchardTree("Thumb"), year=date.today().year)
    key = keep_counted(shared_server.data, 20, (1600, 1200))
    records.put_in_tree(key, tree_id)
    records.keep_result(key, 0, {}, {"count_n": 20, "keep_n": 8, "verdict": "thin"})
    context = chromium.new_context(**PHONE)
    page = context.new_page()
    small, wide = {}, {}
    for path in (f"/?photo={key}", "/", "/tree?tree=Thumb", "/season?tree=Thumb"):
        page.goto(shared_server.url + path)
        page.wait_for_selector("[data-test-script-state=notRunning]", timeout=60000)
        page.wait_for_timeout(1500)
        for part in page.locator("summary").all():
            part.click()
        page.wait_for_timeout(700)
        small[path] = page.evaluate(SMALL)
        wide[path] = page.evaluate("document.documentElement.scrollWidth")
    assert small == {path: [] for path in small}
    assert set(wide.values()) == {390}
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_finding(chromium, shared_server, axe, scheme):
    key = keep_counted(shared_server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE, color_scheme=scheme)
    page = Page(context, f"{shared_server.url}/?photo={key}")
    page.ready()
    found_on = {}
    records = open_records(shared_server.data)
    tree_id = save_tree(records.store, OrchardTree("Axe"), year=date.today().year)
    records.put_in_tree(key, tree_id)
    records.keep_result(key, 0, {}, {"count_n": 20, "keep_n": 8, "verdict": "thin"})
    for path in (f"/?photo={key}", "/", "/tree", "/tree?tree=Axe", "/season?tree=Axe"):
        page.page.goto(shared_server.url + path)
        page.page.wait_for_selector("[data-test-script-state=notRunning]", timeout=60000)
        page.page.wait_for_timeout(1000)
        for part in page.page.locator("summary").all():
            part.click()
        page.page.wait_for_timeout(700)
        page.page.evaluate(axe)
        # a minor remark on the uploader of the framework itself, which has its name
        own = "rules: {'presentation-role-conflict': {enabled: false}}"
        told = page.page.evaluate(f"axe.run(document, {{resultTypes: ['violations'], {own}}})")
        found_on[path] = [(v["id"], v["nodes"][0]["html"][:120]) for v in told["violations"]]
    assert found_on == {path: [] for path in found_on}
    context.close()
