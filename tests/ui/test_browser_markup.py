"""Names that look like HTML, Markdown or mathematics are shown as typed, on every page."""

from __future__ import annotations

import re
import urllib.parse
from dataclasses import replace
from datetime import date

import pytest
from browse import DESK
from conftest import keep_counted

from fruitcount.files import typed_name
from fruitcount.pipeline import Result, decide
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import result_row
from fruitcount.season.orchard import OrchardTree
from fruitcount.store.base import writing
from fruitcount.store.kept import open_records
from fruitcount.store.orchard import save_tree
from fruitcount.store.tables import PhotoRow

pytestmark = pytest.mark.browser

MARKUP = (
    '<b>bold</b><img src=x onerror="window.hit=1"><script>window.hit=1</script>" onerror="window'
    ".hit=1 [x](https://elsewhere.invalid/) ![x](https://elsewhere.invalid/i.png) $x^2$ :red[r] "
    ":material/eco: **s** `c` ~~d~~ | # h &lt;i&gt; {y}"
)
# signs that no screen should show, letters of other scripts, and no place to break the line
ODD = " \x1b[31m\x07 \u202egpj \u0634\u05d0\u65e5 \U0001f469\U0001f3fd\u200d\U0001f33e " + "W" * 50
TYPED = MARKUP + ODD
# what none of it may become
MADE = """() => {
  const roots = [document], found = [];
  for (let i = 0; i < roots.length; i++)
    for (const e of roots[i].querySelectorAll('*')) if (e.shadowRoot) roots.push(e.shadowRoot);
  const all = s => roots.flatMap(r => [...r.querySelectorAll(s)]);
  if (window.hit) found.push('a script ran');
  for (const s of ['.katex', 'img[src="x"]', '[onerror]', '[href^="https://elsewhere"]',
                   '[src^="https://elsewhere"]', 'del', 'code']) if (all(s).length) found.push(s);
  for (const [s, word] of [['b,strong', 'bold'], ['b,strong', 's'], ['span', 'r'], ['i,em', 'i']])
    if (all(s).some(e => e.textContent === word)) found.push(s + ' ' + word);
  return found; }"""


def _orchard(data) -> str:
    key = keep_counted(data, 20, (1600, 1200))
    records = open_records(data)
    day = date.today().replace(day=1)
    tree = OrchardTree(
        "Tree " + TYPED, "peach", variety="V " + TYPED, block="B " + TYPED,
        rootstock="R " + TYPED, note="N " + TYPED, bloom_date=day, ripening_month=7,
    )  # fmt: skip
    number = save_tree(records.store, tree, year=day.year)
    save_tree(records.store, replace(tree, name="Second"), year=day.year)
    records.put_in_tree(key, number)
    records.put_on_limb(key, "Limb " + TYPED, "front", "before")
    with writing(records.store) as session:
        session.query(PhotoRow).one().file_name = "photo " + TYPED + ".jpg"
    inputs = GrowerInputs(species="peach", ripening_month=7)
    measured = records.measurement(key)
    numbers = result_row(Result(measured, decide(measured, inputs))).values()
    records.keep_result(key, 0, {"species": "peach", "ripening_month": 7}, numbers)
    records.store.close()
    return key


def test_no_name_becomes_markup_on_any_page(chromium, server):
    key = _orchard(server.data)
    tree = urllib.parse.quote(typed_name("Tree " + TYPED))
    context = chromium.new_context(**DESK)
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for path in ("", f"?photo={key}", f"tree?tree={tree}", "season"):
        page.goto(f"{server.url}/{path}")
        page.wait_for_selector("[data-test-script-state=notRunning]", timeout=120000)
        page.wait_for_timeout(1500)
        for drawer in page.locator("summary").all():
            if drawer.is_visible():
                drawer.click()
        page.wait_for_selector("[data-test-script-state=notRunning]", timeout=120000)
        page.wait_for_timeout(1000)
        assert page.evaluate(MADE) == [], path or "start"
        words = page.locator("body").inner_text().replace("\u2060", "")
        assert MARKUP in words or path.startswith("?photo"), path or "start"
        assert not re.search("[\x07\x1b\u202e]", words), path
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
        assert "Traceback" not in words
        assert "went wrong" not in words.lower()
    assert not [url for url in asked if url.startswith("https://else") or url.endswith("/x")]
    context.close()
