"""The gate before everything: who may come in, with which word, and how often they may guess.

It stands before pages, photos, uploads and the live connection alike, so that nothing is served
to a browser that has not given the passphrase.
"""

from __future__ import annotations

import hashlib
import hmac
import html
import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

from screen_assets import read_asset
from screen_shell import with_shell

from fruitcount.errors import BadInputError

__all__ = ["Gate", "Guard", "Tries", "make_secret"]

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

COOKIE = "fruitcount_gate"
SHORTEST = 8
LASTS_S = 12 * 3600
_SEAL = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"SAMEORIGIN"),
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"referrer-policy", b"same-origin"),
)
LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")


@dataclass
class Tries:
    """Wrong guesses: five a minute from one address, thirty a minute from all (our choice).

    Attributes
    ----------
    clock : callable
        Seconds; replaced in tests.
    """

    clock: Callable[[], float] = time.monotonic
    wrong: list[tuple[float, str]] = field(default_factory=list)

    def too_many(self, who: str) -> bool:
        """Whether this address must wait before another guess."""
        since = self.clock() - 60.0
        self.wrong = [w for w in self.wrong if w[0] > since]
        mine = sum(1 for w in self.wrong if w[1] == who)
        return mine >= 5 or len(self.wrong) >= 30

    def note(self, who: str) -> None:
        """Count a wrong guess."""
        self.wrong.append((self.clock(), who))


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
        until, _, seal = login.partition(".")
        if not until.isascii() or not until.isdigit():
            return False
        right = hmac.compare_digest(seal.encode(), self._seal(until).encode())
        # not longer than a login lasts either, if the clock was set back since (an hour's grace)
        return right and now_s < int(until) <= now_s + LASTS_S + 3600

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
        elif _from_elsewhere(scope):
            await _refuse(scope, send, 403)
        elif self.guard is None:
            if _host(scope) in LOCAL_HOSTS:
                await self.app(scope, receive, _sealed(with_shell(scope, send)))
            else:
                await _refuse(scope, send, 421)
        elif scope["path"] == "/enter" and scope["type"] == "http":
            await self._enter(scope, receive, send)
        elif self.guard.accepts(_cookie(scope), time.time()):
            await self.app(scope, receive, _sealed(with_shell(scope, send)))
        elif scope["type"] == "websocket" or not _wants_page(scope):
            await _refuse(scope, send, 403)
        else:
            query = scope.get("query_string", b"").decode("latin-1")
            back = quote(scope["path"] + ("?" + query if query else ""), safe="")
            await _answer(send, 303, "", [(b"location", f"/enter?to={back}".encode())])

    async def _enter(self, scope: Scope, receive: Receive, send: Send) -> None:
        assert self.guard is not None  # noqa: S101
        to = _safe_path(
            parse_qs(scope.get("query_string", b"").decode("latin-1")).get("to", ["/"])[0]
        )
        if scope["method"] != "POST":
            await _answer(send, 200, _page("", to))
            return
        who = (scope.get("client") or ("?", 0))[0]
        if self.tries.too_many(who):
            await _answer(send, 429, _page("Too many tries. Wait a minute.", to))
            return
        form = parse_qs((await _body(receive)).decode("utf-8", "replace"))
        if not self.guard.opens(form.get("word", [""])[0]):
            self.tries.note(who)
            await _answer(send, 403, _page("That is not the passphrase.", to))
            return
        login = self.guard.sign(time.time())
        cookie = f"{COOKIE}={login}; Path=/; HttpOnly; SameSite=Lax; Max-Age={LASTS_S}"
        await _answer(send, 303, "", [(b"location", to.encode()), (b"set-cookie", cookie.encode())])


def _sealed(send: Send) -> Send:
    """Adds to every answer what keeps other sites from framing it or guessing at its type."""

    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            given = list(message.get("headers", []))
            names = {bytes(name).lower() for name, _ in given}
            message = {**message, "headers": given + [h for h in _SEAL if h[0] not in names]}
        await send(message)

    return sending


def _from_elsewhere(scope: Scope) -> bool:
    """Whether a page of another site sent this, to act in the name of who is logged in here."""
    acts = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD", "OPTIONS")
    origin = _headers(scope, b"origin")
    return acts and bool(origin) and origin.partition("://")[2] != _headers(scope, b"host")


def _headers(scope: Scope, name: bytes) -> str:
    return next((v.decode("latin-1") for k, v in scope["headers"] if k == name), "")


def _host(scope: Scope) -> str:
    host = _headers(scope, b"host").lower()
    return host[: host.index("]") + 1] if host.startswith("[") else host.split(":")[0]


def _cookie(scope: Scope) -> str:
    for part in _headers(scope, b"cookie").split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return ""


def _wants_page(scope: Scope) -> bool:
    return scope["method"] == "GET" and "text/html" in _headers(scope, b"accept")


def _safe_path(to: str) -> str:
    """A path on this server only: never another site."""
    plain = to.isascii() and to.isprintable() and "\\" not in to
    return to if plain and to.startswith("/") and not to.startswith("//") else "/"


async def _body(receive: Receive) -> bytes:
    body = b""
    while True:
        message = await receive()
        body += bytes(message.get("body", b""))
        if len(body) > 4096 or not message.get("more_body"):
            return body[:4096]


async def _refuse(scope: Scope, send: Send, status: int) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
    else:
        await _answer(send, status, "Not open.")


async def _answer(
    send: Send, status: int, text: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    base = [
        (b"content-type", b"text/html; charset=utf-8"),
        (b"cache-control", b"no-store"),
        (b"x-content-type-options", b"nosniff"),
        (b"x-frame-options", b"DENY"),
        (b"content-security-policy", b"default-src 'none'; style-src 'unsafe-inline'"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": base + (headers or [])})
    await send({"type": "http.response.body", "body": text.encode()})


def _page(problem: str, to: str) -> str:
    said = f'<p role="alert">{html.escape(problem)}</p>' if problem else ""
    page = read_asset("enter.html")
    return page.replace("{said}", said).replace("{to}", quote(to, safe=""))
