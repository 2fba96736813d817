"""The gate: constant-time check, few guesses, no way round it."""

from __future__ import annotations

import asyncio

import pytest
from screen_launch import launch
from screen_login import Gate, Guard, Tries, make_secret

from fruitcount.errors import BadInputError

WORD = "green peaches 12"


def _ask(gate, path="/", method="GET", headers=(), body=b"", kind="http", query=b""):
    """Send one request through the gate; status and headers of the answer."""
    return _all(gate, path, method, headers, body, kind, query)[0]


def _all(gate, path="/", method="GET", headers=(), body=b"", kind="http", query=b""):
    """Send one request through the gate; every message of the answer."""
    sent = []

    async def receive():
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind,
        "path": path,
        "method": method,
        "headers": list(headers),
        "query_string": query,
        "client": ("10.0.0.9", 5),
    }
    asyncio.run(gate(scope, receive, send))
    return sent


async def _inside(_scope, _receive, send):
    await send({"type": "http.response.start", "status": 200, "headers": []})


@pytest.fixture
def gate(tmp_path):
    return Gate(_inside, Guard(WORD, make_secret(tmp_path)))


def test_there_is_no_default_and_no_short_passphrase(tmp_path):
    with pytest.raises(BadInputError, match="no default"):
        launch(lan=True, data_dir=tmp_path)
    with pytest.raises(BadInputError, match="8 characters"):
        Guard("short", b"x" * 32)


def test_the_secret_is_kept_and_private(tmp_path):
    secret = make_secret(tmp_path)
    assert make_secret(tmp_path) == secret
    assert (tmp_path / "gate.key").stat().st_mode & 0o077 == 0


def test_nothing_is_served_without_a_login(gate):
    assert _ask(gate, "/photo/abc")["status"] == 403
    assert _ask(gate, "/_stcore/upload_file/a/b", method="PUT")["status"] == 403
    assert _ask(gate, "/_stcore/stream", kind="websocket")["type"] == "websocket.close"
    page = _ask(gate, "/", headers=[(b"accept", b"text/html")])
    assert page["status"] == 303
    assert dict(page["headers"])[b"location"].startswith(b"/enter")


def test_the_right_word_opens_and_a_forged_login_does_not(gate):
    answer = _ask(gate, "/enter", "POST", body=b"word=green+peaches+12", query=b"to=%2Flimb")
    assert answer["status"] == 303
    cookie = dict(answer["headers"])[b"set-cookie"].split(b";")[0]
    assert b"HttpOnly" in dict(answer["headers"])[b"set-cookie"]
    assert _ask(gate, "/photo/abc", headers=[(b"cookie", cookie)])["status"] == 200
    until, seal = cookie.split(b"=")[1].split(b".")
    forged = b"fruitcount_gate=" + str(int(until) + 1).encode() + b"." + seal
    assert _ask(gate, "/photo/abc", headers=[(b"cookie", forged)])["status"] == 403


def test_logins_run_out_and_another_passphrase_ends_them(tmp_path):
    secret = make_secret(tmp_path)
    guard = Guard(WORD, secret)
    login = guard.sign(1000.0)
    assert guard.accepts(login, 2000.0)
    assert not guard.accepts(login, 1000.0 + 13 * 3600)
    assert not Guard("another word", secret).accepts(login, 2000.0)
    assert not guard.accepts("", 0.0)
    assert not guard.accepts("²." + "0" * 64, 0.0)


def test_guessing_is_slowed(gate):
    for _ in range(5):
        assert _ask(gate, "/enter", "POST", body=b"word=guess")["status"] == 403
    assert _ask(gate, "/enter", "POST", body=b"word=green+peaches+12")["status"] == 429


def test_waits_grow_and_end():
    now = [0.0]
    tries = Tries(clock=lambda: now[0])
    waits = []
    for _ in range(12):
        tries.note("a")
        waits.append(tries.wait_s("a"))
        now[0] += waits[-1]
        assert tries.wait_s("a") == 0
        assert tries.wait_s("b") == 0
    assert waits == [0, 0, 0, 0, 4, 8, 16, 32, 60, 60, 60, 60]
    now[0] += 601.0
    assert tries.wrong != []
    assert tries.wait_s("a") == 0
    assert tries.wrong == []


def _enter(gate, address, word=b"guess", cookie=b"", held=None):
    """One POST from an address; with ``held`` the body comes when the event is set."""
    sent = []

    async def receive():
        if held is not None:
            await held.wait()
        return {"type": "http.request", "body": b"word=" + word, "more_body": False}

    async def send(message):
        sent.append(message)

    scope = {"type": "http", "path": "/enter", "method": "POST", "query_string": b"",
             "headers": [(b"cookie", cookie)], "client": (address, 5)}  # fmt: skip
    return gate(scope, receive, send), sent


def test_guesses_sent_all_at_once_are_counted_one_by_one(gate):
    """Heads of 300 guesses first, then all bodies: 299 were looked at, and the right one."""

    async def all_at_once():
        held = asyncio.Event()
        words = [b"guess%d" % k for k in range(299)] + [WORD.replace(" ", "+").encode()]
        tasks, answers = [], []
        for word in words:
            running, sent = _enter(gate, "10.0.0.9", word, held=held)
            tasks.append(asyncio.create_task(running))
            answers.append(sent)
        await asyncio.sleep(0)
        held.set()
        await asyncio.gather(*tasks)
        return [sent[0]["status"] for sent in answers]

    statuses = asyncio.run(all_at_once())
    assert statuses.count(403) == 5
    assert statuses.count(429) == 295


def test_strangers_who_guess_lock_nobody_out(gate):
    """39 addresses with one wrong guess each kept the keeper out."""
    right = WORD.replace(" ", "+").encode()

    def status(*args):
        running, sent = _enter(gate, *args)
        asyncio.run(running)
        return sent[0]["status"], dict(sent[0]["headers"])

    _, headers = status("10.0.0.9", right)
    cookie = headers[b"set-cookie"].split(b";")[0]
    statuses = [status(f"10.0.1.{k}")[0] for k in range(39)]
    assert statuses.count(403) == 30
    refused, headers = status("10.0.2.1", right)
    assert refused == 429
    assert 0 < int(headers[b"retry-after"]) <= 60
    assert status("127.0.0.1", right)[0] == 303
    assert status("10.0.2.1", right, cookie)[0] == 303
    assert status("10.0.2.1", right, cookie[:-1] + b"x")[0] == 429
    # a login that was stolen helps no more than an address: five guesses, then waits
    assert [status("10.0.2.2", b"no", cookie)[0] for _ in range(7)] == [403] * 5 + [429] * 2


def test_a_login_that_ran_out_is_known_but_does_not_open(gate):
    old = gate.guard.sign(1000.0)
    assert gate.guard.knows(old, 1_000_000.0)
    assert not gate.guard.accepts(old, 1_000_000.0)
    assert not gate.guard.knows("9" * 5000 + ".x", 1_000_000.0)


@pytest.mark.parametrize("to", [b"//evil.example", b"https://evil.example", b"/%5Cevil", b"/a%0Ab"])
def test_after_login_one_stays_on_this_server(gate, to):
    answer = _ask(gate, "/enter", "POST", body=b"word=green+peaches+12", query=b"to=" + to)
    assert dict(answer["headers"])[b"location"] == b"/"


@pytest.mark.parametrize(
    ("host", "status"), [(b"localhost:8501", 200), (b"[::1]:8501", 200), (b"evil.example", 421)]
)
def test_without_a_passphrase_only_this_computer_is_answered(host, status):
    assert _ask(Gate(_inside, None), headers=[(b"host", host)])["status"] == status


KEY = b"ab" * 32


async def _page_inside(_scope, _receive, send):
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", b"26")]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": b"<body>page", "more_body": True})
    await send({"type": "http.response.body", "body": b" and more</body>"})


def test_a_page_that_names_a_photo_shows_it_while_the_rest_loads():
    host = [(b"host", b"localhost")]
    sent = _all(Gate(_page_inside, None), headers=host, query=b"units=us&photo=" + KEY)
    body = sent[1]["body"]
    headers = dict(sent[0]["headers"])
    assert b'src="/photo/' + KEY + b'?side=1024"' in body
    assert body.startswith(b"<body>page and more")
    assert headers[b"content-length"] == str(len(body)).encode()
    assert KEY in headers[b"link"]


@pytest.mark.parametrize("query", [b"", b"photo=" + KEY[:-1], b'photo="><script>', b"x=" + KEY])
def test_no_other_page_is_changed(query):
    sent = _all(Gate(_page_inside, None), headers=[(b"host", b"localhost")], query=query)
    assert b"".join(m["body"] for m in sent[1:]) == b"<body>page and more</body>"


def test_no_photo_goes_to_who_was_not_let_in(tmp_path):
    gate = Gate(_page_inside, Guard(WORD, make_secret(tmp_path)))
    page = [(b"accept", b"text/html")]
    sent = _all(gate, headers=page, query=b"photo=" + KEY)
    assert sent[0]["status"] == 303
    assert b"link" not in dict(sent[0]["headers"])
    assert KEY not in sent[1]["body"]
    form = _all(gate, path="/enter", headers=page, query=b"photo=" + KEY)
    assert KEY not in form[1]["body"]
