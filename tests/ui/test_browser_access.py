"""Accessibility by axe-core (npm, used for tests only), and the screen without a mouse."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path

import pytest
from browse import PHONE, Page
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
