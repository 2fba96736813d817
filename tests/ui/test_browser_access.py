"""Accessibility by axe-core (npm, used for tests only), and the screen without a mouse."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from browse import PHONE, Page
from conftest import keep_counted

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def axe():
    """The text of axe-core; ``FRUITCOUNT_AXE`` names its file."""
    path = Path(os.environ.get("FRUITCOUNT_AXE", ""))
    if not path.is_file():
        pytest.skip("axe-core is not here: set FRUITCOUNT_AXE to axe.min.js (npm install axe-core)")
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_finding(chromium, shared_server, axe, scheme):
    key = keep_counted(shared_server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE, color_scheme=scheme)
    page = Page(context, f"{shared_server.url}/?photo={key}")
    page.ready()
    serious = {}
    for path in (f"/?photo={key}", "/", "/tree", "/season"):
        page.page.goto(shared_server.url + path)
        page.page.get_by_text("Units").wait_for(timeout=30000)
        page.page.wait_for_timeout(500)
        page.page.evaluate(axe)
        found = page.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        serious[path] = [
            (v["id"], v["nodes"][0]["html"][:120])
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
    assert serious == {path: [] for path in serious}
    context.close()
