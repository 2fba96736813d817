"""The gate before everything: who may come in, with which word, and how often they may guess.

It stands before pages, photos, uploads and the live connection alike, so that nothing is served
to a browser that has not given the passphrase.
"""

from __future__ import annotations

import hashlib
import hmac
import html
import math
import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

from screen_shell import read_asset, unpacked, with_shell
from starlette.requests import ClientDisconnect, HTTPConnection, Request
from starlette.responses import HTMLResponse, Response

from fruitcount.errors import BadInputError

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

COOKIE = "fruitcount_gate"
SHORTEST = 8
LASTS_S = 12 * 3600
KNOWN_S = 90 * 86400
_SEAL = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"SAMEORIGIN"),
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"referrer-policy", b"same-origin"),
)
LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")
THIS_COMPUTER = ("127.0.0.1", "::1")


@dataclass
class Tries:
    """Wrong guesses, and how long the next one has to wait: slower each time, never locked out.

    Five guesses are free, then waits double from 4 s to a minute; a guess that comes too early
    is not looked at and makes no wait longer. Thirty wrong guesses a minute from all addresses
    together make strangers wait (our choices).

    Attributes
    ----------
    clock : callable
        Seconds; replaced in tests.
    """

    clock: Callable[[], float] = time.monotonic
    wrong: list[tuple[float, str, bool]] = field(default_factory=list)

    def wait_s(self, who: str, *, known: bool = False) -> float:
        """Seconds until a guess is looked at; 0 lets it through.

        ``known`` is this computer, or a device that was let in before: strangers' guesses never
        make it wait, its own do.
        """
        now = self.clock()
        self.wrong = [w for w in self.wrong if w[0] > now - 600.0]
        mine = [at for at, name, _ in self.wrong if name == who]
        own = min(4.0 * 2.0 ** (len(mine) - 5), 60.0) if len(mine) >= 5 else 0.0
        wait = mine[-1] + own - now if mine else 0.0
        strangers = [at for at, _, was_known in self.wrong if not was_known][-30:]
        if not known and len(strangers) == 30:
            wait = max(wait, strangers[0] + 60.0 - now)
        return max(wait, 0.0)

    def note(self, who: str, *, known: bool = False) -> None:
        """Count a wrong guess."""
        self.wrong.append((self.clock(), who, known))


def make_secret(folder: Path) -> bytes:
    """The key that signs logins; made once, readable by its owner only."""
    path = folder / "gate.key"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_bytes(secrets.token_bytes(32))
    return path.read_bytes()


class Guard:
    """Checks passphrases and signs logins.

    Parameters
    ----------
    passphrase : str
        At least 8 characters. There is no default.
    secret : bytes
        From :func:`make_secret`. Logins outlive a restart; another passphrase ends them.

    Raises
    ------
    BadInputError
        When the passphrase is too short.
    """

    def __init__(self, passphrase: str, secret: bytes) -> None:
        if len(passphrase) < SHORTEST:
            raise BadInputError(
                f"passphrase must have at least {SHORTEST} characters, got {len(passphrase)}"
            )
        self._key = hmac.new(secret, passphrase.encode(), hashlib.sha256).digest()
        self._secret = secret

    def opens(self, guess: str) -> bool:
        """Whether a guess is right, in a time that does not tell how much of it is."""
        made = hmac.new(self._secret, guess.encode(), hashlib.sha256).digest()
        return hmac.compare_digest(made, self._key)

    def sign(self, now_s: float) -> str:
        """A login that lasts twelve hours."""
        until = str(int(now_s + LASTS_S))
        return f"{until}.{self._seal(until)}"

    def accepts(self, login: str, now_s: float) -> bool:
        """Whether a login is ours and has not run out."""
        return now_s < self._until(login, now_s)

    def knows(self, login: str, now_s: float) -> bool:
        """Whether a login is ours, run out or not."""
        return self._until(login, now_s) > 0

    def _until(self, login: str, now_s: float) -> int:
        until, _, seal = login.partition(".")
        if not until.isascii() or not until.isdigit() or len(until) > 12:
            return 0
        right = hmac.compare_digest(seal.encode(), self._seal(until).encode())
        # not longer than a login lasts either, if the clock was set back since (an hour's grace)
        return int(until) if right and int(until) <= now_s + LASTS_S + 3600 else 0

    def _seal(self, until: str) -> str:
        return hmac.new(self._key, b"login " + until.encode(), hashlib.sha256).hexdigest()


class Gate:
    """ASGI middleware: lets in who has a login, shows the question to others.

    Parameters
    ----------
    app : ASGI application
    guard : Guard or None
        None asks nothing; then only this computer's own names are answered, so that a web page
        elsewhere cannot reach in through a made-up name.
    """

    def __init__(self, app: Any, guard: Guard | None = None) -> None:
        self.app = app
        self.guard = guard
        self.tries = Tries()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or pass on."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        answer = self._refusal(asked)
        if answer is None and scope["path"] == "/enter" and self.guard and scope["type"] == "http":
            answer = await self._enter(Request(scope, receive), self.guard)
        if answer is None:
            await self.app(unpacked(scope), receive, _sealed(with_shell(scope, send)))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await answer(scope, receive, send)

    def _refusal(self, asked: HTTPConnection) -> Response | None:
        """Why this is not passed on; None where it is, and for the question itself."""
        scope, refused = asked.scope, _answer("Not open.", 403)
        if _from_elsewhere(asked):
            return refused
        if self.guard is None:
            return None if _host(asked) in LOCAL_HOSTS else _answer("Not open.", 421)
        page = scope["type"] == "http" and scope["path"] == "/enter"
        if page or self.guard.accepts(asked.cookies.get(COOKIE, ""), time.time()):
            return None
        wants_page = scope.get("method") == "GET" and "text/html" in asked.headers.get("accept", "")
        if scope["type"] == "websocket" or not wants_page:
            return refused
        query = scope.get("query_string", b"").decode("latin-1")
        back = quote(scope["path"] + ("?" + query if query else ""), safe="")
        return _answer("", 303, location=f"/enter?to={back}")

    async def _enter(self, asked: Request, guard: Guard) -> Response:
        to = _safe_path(asked.query_params.get("to", "/"))
        if asked.method != "POST":
            return _answer(_page("", to))
        form = parse_qs((await _body(asked)).decode("utf-8", "replace"))
        # From here on nothing is waited for: guesses sent all at once are still looked at one by
        # one, each after the one before was counted.
        login, who = asked.cookies.get(COOKIE, ""), asked.client.host if asked.client else "?"
        known = who in THIS_COMPUTER or guard.knows(login, time.time())
        who = f"login {login}" if known and who not in THIS_COMPUTER else who
        wait = math.ceil(self.tries.wait_s(who, known=known))
        if wait:
            said = f"Too many tries. Wait {wait} seconds, then try again."
            return _answer(_page(said, to), 429, **{"retry-after": str(wait)})
        if not guard.opens(form.get("word", [""])[0]):
            self.tries.note(who, known=known)
            return _answer(_page("That is not the passphrase.", to), 403)
        answer = _answer("", 303, location=to)
        # the cookie outlives the login, so that a device once let in is known again
        answer.set_cookie(
            COOKIE, guard.sign(time.time()), KNOWN_S, path="/", httponly=True, samesite="lax",
            secure=asked.url.scheme == "https"
        )  # fmt: skip
        return answer


def _sealed(send: Send) -> Send:
    """Adds to every answer what keeps other sites from framing it or guessing at its type."""

    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            names = {bytes(name).lower() for name, _ in given}
            message = {**message, "headers": given + [h for h in _SEAL if h[0] not in names]}
        await send(message)

    return sending


def _from_elsewhere(asked: HTTPConnection) -> bool:
    """Whether a page of another site sent this, to act in the name of who is logged in here."""
    safe = asked.scope.get("method") in ("GET", "HEAD", "OPTIONS")
    acts = asked.scope["type"] == "websocket" or not safe
    origin = asked.headers.get("origin", "")
    return acts and bool(origin) and origin.partition("://")[2] != asked.headers.get("host", "")


def _host(asked: HTTPConnection) -> str:
    host = asked.headers.get("host", "").lower()
    return host[: host.index("]") + 1] if host.startswith("[") and "]" in host else (
        host.split(":")[0])  # fmt: skip


def _safe_path(to: str) -> str:
    """A path on this server only: never another site."""
    plain = to.isascii() and to.isprintable() and "\\" not in to
    return to if plain and to.startswith("/") and not to.startswith("//") else "/"


async def _body(asked: Request) -> bytes:
    body = b""
    with suppress(ClientDisconnect):  # who went away in the middle gets no answer, nor a log line
        async for piece in asked.stream():
            body += piece
            if len(body) > 4096:
                break
    return body[:4096]


def _answer(text: str, status: int = 200, **headers: str) -> Response:
    return HTMLResponse(text, status, {
        "cache-control": "no-store",
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "content-security-policy": "default-src 'none'; style-src 'unsafe-inline'",
        **headers,
    })  # fmt: skip


def _page(problem: str, to: str) -> str:
    said = f'<p role="alert">{html.escape(problem)}</p>' if problem else ""
    page = read_asset("enter.html")
    return page.replace("{said}", said).replace("{to}", quote(to, safe=""))
