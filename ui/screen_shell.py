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

import numpy as np
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


Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]

_PHOTO = re.compile(rb"(?:^|&)photo=([0-9a-f]{64})(?:&|$)")
# Where the canvas will be on a phone and on a desk; gone by itself where no canvas comes.
_STYLE = (
    b"<style>.fc-ahead{position:fixed;z-index:5;top:64px;left:16px;width:calc(100vw - 32px);"
    b"pointer-events:none;font:1rem/1.25 system-ui,sans-serif;background:#fffdf6;color:#181c20;"
    b"animation:fc-ahead 0s 90s forwards}@keyframes fc-ahead{to{visibility:hidden}}"
    b".fc-ahead b,.fc-ahead i{display:block;font-style:normal}.fc-ahead b{font-size:1.45rem}"
    b".fc-ahead p{margin:4px 0}.fc-ahead i{font-weight:600;color:#6b2a00;background:#ffe9d1}"
    b".fc-ahead img{width:100%;max-height:min(56vh,720px);object-fit:contain;"
    b"object-position:center top}"
    b"@media(prefers-color-scheme:dark){.fc-ahead{background:#12171a;color:#f4f2e8}}"
    b"@media(min-width:641px){.fc-ahead{left:5rem;width:calc((100vw - 11rem)*.6)}}</style>"
)
_HEAD = (
    b'<title>Fruit count</title><link rel="manifest" href="/app.webmanifest" '
    b'crossorigin="use-credentials"><link rel="apple-touch-icon" href="/icon.png">'
    b'<meta name="apple-mobile-web-app-title" content="Fruit count">'
)
# A font of 170 kB that is not used here.
_LATER = re.compile(rb'<link\s+rel="preload"\s+href="[^"]*SourceSans[^>]*>')
_PARTS = re.compile(rb'<script type="module"[^>]*></script>|<link rel="modulepreload"[^>]*>')
_START = (
    b"</template><script>(()=>{const photo=document.querySelector('.fc-ahead img');let begun;"
    b"const says=photo.previousElementSibling,make=(tag,text)=>"
    b"Object.assign(document.createElement(tag),{textContent:text||''});"
    b"fetch(says.dataset.from).then(r=>r.json()).then(d=>says.replaceChildren("
    b"make('b',d.big),make('small',d.small),make('i',d.warn)),()=>0);"
    b"const begin=()=>{if(begun)return;begun=1;"
    b"for(const e of document.getElementById('fc-parts').content.children){"
    b"const part=document.createElement(e.tagName);"
    b"for(const a of e.attributes)part.setAttribute(a.name,a.value);document.head.append(part)}};"
    b"photo.complete?begin():photo.addEventListener('load',begin);"
    b"photo.addEventListener('error',begin);setTimeout(begin,8000)})()</script></body>"
)
_AHEAD = (
    b'<div class="fc-ahead"><p role="status" data-from="/answer/%s"><b>Counting the fruit</b></p>'
    b'<img alt="The photo; its marks follow" src="%s"></div>'
)
_AGAIN_STYLE = (
    b"<style>.fc-again{position:fixed;z-index:9;bottom:0;left:0;right:0;margin:0;"
    b"padding:10px 16px;font:600 16px/1.3 sans-serif;background:#ffe9d1;color:#6b2a00}</style>"
)


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
    key = found[1] if found else b""
    answer = key + (b"?units=us" if b"units=us" in query.split(b"&") else b"")
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


@lru_cache(maxsize=1)
def _again() -> bytes:
    """The script that loads a page again; before all that can fail to arrive."""
    return b"<script>" + read_asset("again.js").encode() + b"</script>" + _AGAIN_STYLE


def _is_page(start: Message) -> bool:
    kinds = [v for k, v in start.get("headers", []) if k.lower() == b"content-type"]
    return start["status"] == 200 and any(v.startswith(b"text/html") for v in kinds)


async def _send_page(
    send: Send, held: list[Message], message: Message, wanted: tuple[bytes, bytes]
) -> None:
    """Send a page held back so far, once all of it is there."""
    held.append(message)
    if message.get("more_body"):
        return
    body = b"".join(bytes(part.get("body", b"")) for part in held[1:])
    body = _LATER.sub(b"", body)
    body = body.replace(b"<title>Streamlit</title>", _HEAD, 1).replace(
        b"<head>", b"<head>" + _again(), 1
    )
    ahead = []
    key, answer = wanted
    if key:
        url = b"/photo/" + key + b"?side=1024"
        # the program's parts wait until the photo is there: on a slow network they come after it
        parts = b"".join(_PARTS.findall(body))
        body = _PARTS.sub(b"", body).replace(b"</body>", b"<template id=fc-parts>" + parts + _START)
        first = _STYLE + _AHEAD % (answer, url)
        body = body.replace(b"<template id=fc-parts>", first + b"<template id=fc-parts>")
        ahead = [(b"link", b"<" + url + b">; rel=preload; as=image")]
    headers = [
        (k, str(len(body)).encode() if k.lower() == b"content-length" else v)
        for k, v in held[0]["headers"]
    ]
    await send({**held[0], "headers": headers + ahead})
    await send({"type": "http.response.body", "body": body})
    held.clear()
