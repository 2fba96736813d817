"""What a served page has before the program runs: the photo and its answer, and a way to reload.

The program takes a second to start in a browser, and half a minute over a weak signal. Meanwhile
the page itself shows the photo, small, and what to do, where the canvas will be; the canvas takes
both away once it has painted the same. When a part of the program does not arrive, the page is
loaded again instead of staying empty.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, MutableMapping
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
import streamlit as st
from PIL import Image

ASSETS = Path(__file__).resolve().parent / "assets"


def read_asset(name: str) -> str:
    """Text of one of them."""
    return (ASSETS / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def icon_png() -> bytes:
    """The program's sign, a green ring: drawn here, as a named icon comes from another site."""
    rows, columns = np.mgrid[:192, :192] - 95.5
    ring = np.abs(np.hypot(rows, columns) - 66)
    picture = np.zeros((192, 192, 4), np.uint8)
    picture[ring < 24] = (0, 87, 63, 255)
    file = BytesIO()
    Image.fromarray(picture).save(file, "PNG")
    return file.getvalue()


@lru_cache(maxsize=1)
def canvas_script() -> str:
    """All of the canvas's JavaScript: one file an idea, which the browser gets as one."""
    names = ("edits", "view", "draw", "outbox", "pointer", "keys", "acts", "main")
    return "\n".join(read_asset(f"canvas_{name}.js") for name in names)


def canvas_url() -> str:
    """Where it is; another text has another address, so a browser may keep it for good."""
    return f"/canvas.js?v={crc32(canvas_script().encode()):08x}"


@lru_cache(maxsize=1)
def _canvas_parts() -> frozenset[str]:
    """Files of the framework that the photo's page asks for one after the other, with theirs."""
    folder = Path(st.__file__).parent / "static/static/js"
    wanted = [p.name for p in folder.glob("*.js") if p.name.partition(".")[0] in _OF_THE_CANVAS]
    found: set[str] = set()
    while wanted:
        if (name := wanted.pop()) not in found:
            found.add(name)
            wanted += _IMPORTED.findall((folder / name).read_text(encoding="utf-8"))
    return frozenset(found)


Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]

_PHOTO = re.compile(rb"(?:^|&)photo=([0-9a-f]{64})(?:&|$)")
# A font of 170 kB that is not used here.
_LATER = re.compile(r'<link\s+rel="preload"\s+href="[^"]*SourceSans[^>]*>')
_PARTS = re.compile(
    r'<script type="module"[^>]*></script>|<link rel="(?:modulepreload|stylesheet)"[^>]*>'
)
_OF_THE_CANVAS = ("BidiComponent", "PageLink", "ButtonGroup", "Html")
_IMPORTED = re.compile(r'(?:from|import)"\./([^"]+\.js)"')


def with_shell(scope: Scope, send: Send) -> Send:
    """For a page: a way to send that puts the photo it names, and the loading again, into it.

    Only a page that is served (200, HTML) is changed, so nothing goes to who was not let in.
    """
    if scope["type"] != "http" or scope["method"] != "GET":
        return send
    if scope["path"].startswith(("/photo/", "/_stcore/", "/static/")):
        return send
    query = scope.get("query_string", b"")
    found = _PHOTO.search(query)
    key = found[1].decode() if found else ""
    answer = key + ("?units=us" if b"units=us" in query.split(b"&") else "")
    held: list[Message] = []

    async def send_with_shell(message: Message) -> None:
        if message["type"] == "http.response.start" and _is_page(message):
            held.append(message)
            return
        if held and message["type"] == "http.response.body":
            await _send_page(send, held, message, (key, answer))
            return
        await send(message)

    return send_with_shell


def unpacked(scope: Scope) -> Scope:
    """The same request asking for an answer that is not compressed, so that it can be changed."""
    headers = [(k, v) for k, v in scope.get("headers", []) if k.lower() != b"accept-encoding"]
    return {**scope, "headers": headers}


def _is_page(start: Message) -> bool:
    kinds = [v for k, v in start.get("headers", []) if k.lower() == b"content-type"]
    return start["status"] == 200 and any(v.startswith(b"text/html") for v in kinds)


async def _send_page(
    send: Send, held: list[Message], message: Message, wanted: tuple[str, str]
) -> None:
    """Send a page held back so far, once all of it is there."""
    held.append(message)
    if message.get("more_body"):
        return
    page = b"".join(bytes(part.get("body", b"")) for part in held[1:]).decode()
    page = _LATER.sub("", page).replace("<title>Streamlit</title>", read_asset("head.html"), 1)
    # before all that can fail to arrive
    page = page.replace("<head>", f"<head><script>{read_asset('again.js')}</script>", 1)
    ahead = []
    key, answer = wanted
    if key:
        photo = f"/photo/{key}?side=1024"
        first = read_asset("ahead.html").replace("{answer}", answer).replace("{photo}", photo)
        parts = _PARTS.findall(page)
        more = [f"/static/js/{n}" for n in _canvas_parts() if n not in page] + [canvas_url()]
        parts += [f'<link rel="modulepreload" crossorigin href="{url}">' for url in more]
        first = first.replace("{parts}", "".join(parts))
        page = _PARTS.sub("", page).replace("</body>", f"{first}</body>")
        ahead = [(b"link", f"<{photo}>; rel=preload; as=image".encode())]
    body = page.encode()
    headers = [
        (k, str(len(body)).encode() if k.lower() == b"content-length" else v)
        for k, v in held[0]["headers"]
    ]
    await send({**held[0], "headers": headers + ahead})
    await send({"type": "http.response.body", "body": body})
    held.clear()
