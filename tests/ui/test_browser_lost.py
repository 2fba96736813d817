"""Nothing is lost: killed server, two browsers at once, a gate before everything."""

from __future__ import annotations

import os
import random
import urllib.request

import pytest
from browse import DESK, HERE, IDLE, PHONE, SCREEN, Page
from conftest import Server, keep_counted

from fruitcount.store.archive import find_damage
from fruitcount.store.kept import open_records

pytestmark = pytest.mark.browser

RELABEL = "([n, l]) => { const S = SCREEN; S.select(n); S.setLabel(l); }".replace("SCREEN", SCREEN)


def test_edits_made_while_the_server_is_dead_arrive_once(chromium, server):
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**DESK)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    left, top = page.box()
    spots = page.free(6)
    for x, y in spots[:2]:
        page.page.mouse.click(left + x, top + y)
    server.kill()  # perhaps before the second one was answered
    for x, y in spots[2:4]:
        page.page.mouse.click(left + x, top + y)
    page.page.wait_for_timeout(500)
    assert len(page.marks()) == 24
    server.start()
    page.page.reload()
    page.ready()
    assert len(page.marks()) == 24
    x, y = spots[4]
    left, top = page.box()
    page.page.mouse.click(left + x, top + y)
    page.settled()
    page.page.reload()
    page.ready()
    assert len(page.marks()) == 25
    assert page.ask("data.revision") == 5
    context.close()


def test_a_page_left_open_sends_its_edits_when_the_server_is_back(chromium, server):
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**DESK)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    left, top = page.box()
    spots = page.free(3)
    server.kill()
    for x, y in spots[:2]:
        page.page.mouse.click(left + x, top + y)
    page.page.locator(".fc-say", has_text="Not connected").wait_for(timeout=30000)
    server.start()
    page.page.wait_for_function(IDLE, timeout=60000)
    assert len(page.marks()) == 22
    assert page.ask("data.revision") == 2
    context.close()


@pytest.mark.slow
def test_marks_made_by_touch_outlive_a_server_killed_again_and_again(chromium, server):
    """``FRUITCOUNT_KILLS`` sets how often; each kill comes at a random moment between taps."""
    kills_n, rng = int(os.environ.get("FRUITCOUNT_KILLS", "2")), random.Random(8)
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    for k in range(kills_n):
        left, top = page.box()
        last = rng.randrange(3)
        for number, (x, y) in enumerate(page.free(3, seed=k + 2)):
            page.page.touchscreen.tap(left + x, top + y)
            page.page.wait_for_timeout(rng.choice((340, 400, 900)))
            if number == last:
                server.kill()
        server.start()
        page.page.wait_for_function(IDLE, timeout=300000)  # a busy machine
        assert len(page.marks()) == 20 + 3 * (k + 1)
    server.kill()
    kept = open_records(server.data)
    assert [step.revision for step in kept.steps(key)] == list(range(1, 3 * kills_n + 1))
    assert find_damage(kept.store) == []
    assert not page.errors
    context.close()


def test_two_browsers_on_one_photo_never_overwrite_silently(chromium, shared_server, twenty):
    url = f"{shared_server.url}/?photo={twenty}"
    one, two = chromium.new_context(**DESK), chromium.new_context(**PHONE)
    a, b = Page(one, url), Page(two, url)
    a.ready()
    b.ready()
    name = a.ask("inOrder()[3].id")
    for page, label in ((a, "damaged"), (b, "yellowing")):
        # both look at the same picture; the second edit is made before the first is seen
        page.page.evaluate(RELABEL, [name, label])
    a.settled()
    b.settled()
    for page in (a, b):
        page.page.reload()
        page.ready()
    assert a.marks() == b.marks()
    assert a.marks()[name][3] in ("damaged", "yellowing")
    assert a.ask("data.revision") == 1
    left, top = a.box()
    (x, y), *_ = a.free(1)
    a.page.mouse.click(left + x, top + y)
    a.settled()
    b.page.wait_for_function(f"{HERE}?.data?.revision === 2", timeout=15000)
    assert a.marks() == b.marks()
    # undo takes back one's own edit, though the other's came after it
    mine = set(a.marks())
    (x, y), *_ = b.free(1, seed=31)
    left, top = b.box()
    b.page.touchscreen.tap(left + x, top + y)
    b.settled()
    (other,) = set(b.marks()) - mine
    a.page.wait_for_function(f"{HERE}?.data?.revision === 3", timeout=15000)
    a.press("undo")
    a.settled()
    assert other in a.marks()
    assert len(a.marks()) == len(mine)
    one.close()
    two.close()


def test_a_passphrase_stands_before_pages_and_photos(chromium, tmp_path):
    server = Server(tmp_path / "data", word="green peaches 12")
    key = keep_counted(server.data, 20, (1600, 1200))
    server.start()
    try:
        for path in ("/photo/" + key, "/_stcore/health", "/_stcore/upload_file/x/y"):
            with pytest.raises(urllib.error.HTTPError, match="403"):
                urllib.request.urlopen(server.url + path, timeout=10)  # noqa: S310
        context = chromium.new_context(**PHONE)
        page = Page(context, f"{server.url}/?photo={key}")
        assert "/enter" in page.page.url
        page.page.fill("#word", "wrong peaches")
        page.page.get_by_role("button", name="Come in").click()
        assert "not the passphrase" in page.page.inner_text("[role=alert]")
        page.page.fill("#word", "green peaches 12")
        page.page.get_by_role("button", name="Come in").click()
        page.ready()
        assert len(page.marks()) == 20
        server.kill()
        server.start()  # the login outlives a restart
        page.page.reload()
        page.ready()
        context.close()
    finally:
        server.kill()


def test_a_page_that_did_not_arrive_whole_is_loaded_again(chromium, server):
    key = keep_counted(server.data, 20, (1600, 1200))
    context = chromium.new_context(**PHONE)
    lost: list[str] = []

    def lose_first(route) -> None:
        if len(lost) < 2:  # as when a phone changes its network while it loads
            lost.append(route.request.url)
            route.abort("connectionreset")
        else:
            route.continue_()

    context.route("**/static/js/*", lose_first)
    page = Page(context, f"{server.url}/?photo={key}")
    page.ready()
    assert len(lost) == 2
    assert len(page.marks()) == 20
    context.close()


def test_a_page_that_never_arrives_whole_says_so_and_stops(chromium, server):
    context = chromium.new_context(**PHONE)
    pages: list[str] = []
    context.route("**/static/js/*", lambda route: route.abort("connectionreset"))
    context.on("request", lambda r: pages.append(r.url) if r.is_navigation_request() else None)
    page = Page(context, server.url)
    said = page.page.get_by_role("alert")
    said.wait_for(timeout=20000)
    assert "did not arrive whole" in said.inner_text()
    page.page.wait_for_timeout(2500)
    assert len(pages) == 4  # the visit and three more
    context.close()
