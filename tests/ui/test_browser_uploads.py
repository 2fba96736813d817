"""The upload control: what cannot be taken is told at once, in sight, and nothing is half kept."""

from __future__ import annotations

import pytest
from browse import PHONE

from fruitcount.store.kept import open_records

pytestmark = pytest.mark.browser


def _start(chromium, url: str):
    page = chromium.new_context(**PHONE).new_page()
    page.goto(url)
    page.wait_for_selector("[data-test-script-state=notRunning]", timeout=120000)
    return page


def _told(page, words: str) -> None:
    """Wait until the page says so in a place large enough to be read."""
    page.wait_for_function(
        "words => [...document.querySelectorAll('[role=alert]')].some(e => "
        "e.innerText.includes(words) && e.getBoundingClientRect().height > 20)",
        arg=words, timeout=60000,
    )  # fmt: skip


def test_a_photo_that_is_not_taken_is_told_of(chromium, shared_server, tmp_path):
    large = tmp_path / "large.jpg"
    with large.open("wb") as file:
        file.truncate(300_000_000)
    for name, data, words in (
        ("large.jpg", None, "must be 120.0MB or smaller"),
        ("notes.txt", b"hello", "not allowed"),
        ("empty.jpg", b"", "empty.jpg: the file is empty"),
        ("words.jpg", b"hello" * 99, "words.jpg: is not a JPEG"),
    ):
        page = _start(chromium, shared_server.url)
        file = large if data is None else {"name": name, "mimeType": "", "buffer": data}
        page.locator("input[type=file]").set_input_files(file)
        _told(page, words)
        page.context.close()
    kept = open_records(shared_server.data).photos()
    assert {line.name for line in kept} <= {"limb.jpg"}


def test_a_photo_whose_connection_broke_is_told_of_and_kept_once_when_it_came(
    chromium, shared_server, limb_jpeg
):
    file = {"name": "limb.jpg", "mimeType": "image/jpeg", "buffer": limb_jpeg}
    page = _start(chromium, shared_server.url)
    page.route("**/upload_file/**", lambda route: route.abort("connectionreset"))
    page.locator("input[type=file]").set_input_files(file)
    _told(page, "Network Error")
    page.unroute("**/upload_file/**")
    assert open_records(shared_server.data).photos() == []
    for _ in range(2):  # again, and later the same photo once more
        page.locator("input[type=file]").set_input_files(file)
        page.wait_for_url("**photo=**", timeout=60000)
        page.goto(shared_server.url)
        page.wait_for_selector("text=Go on with", timeout=60000)
    assert [line.name for line in open_records(shared_server.data).photos()] == ["limb.jpg"]
    page.context.close()


def test_of_thirty_files_at_once_the_one_that_was_lost_stands_first(chromium, shared_server):
    page = _start(chromium, shared_server.url + "/tree")
    page.get_by_label("Or a new tree").fill("Thirty")
    page.get_by_role("button", name="Add it").click()
    page.get_by_text("No photos of this tree yet").wait_for()
    lost: list[str] = []

    def lose_first(route) -> None:
        put = route.request.method == "PUT" and not lost
        lost.extend([route.request.url] * put)
        route.abort("connectionreset") if put else route.continue_()

    page.route("**/upload_file/**", lose_first)
    page.locator("input[type=file]").set_input_files(
        [{"name": f"{k}.jpg", "mimeType": "", "buffer": b"%d" % k} for k in range(30)]
    )
    page.get_by_text("29 arrived whole.").wait_for(timeout=60000)
    first = page.locator("[data-testid=stFileChip]").evaluate_all(
        "all => all.sort((a, b) => a.getBoundingClientRect().y - b.getBoundingClientRect().y)[0]"
        ".getAttribute('aria-invalid')"
    )
    assert first == "true"
    page.context.close()
