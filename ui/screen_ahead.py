"""The photo before the program: a page that names one shows it while the rest still loads.

The program takes about a second to start in a browser. Meanwhile the page itself shows the photo,
small, where the canvas will be; the canvas takes it away once it has painted the same one.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

__all__ = ["with_photo_ahead"]

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]

_PHOTO = re.compile(rb"(?:^|&)photo=([0-9a-f]{64})(?:&|$)")
# Where the canvas will be on a phone and on a desk; gone by itself where no canvas comes.
_STYLE = (
    b"<style>.fc-ahead{position:fixed;z-index:5;top:108px;left:16px;width:calc(100vw - 32px);"
    b"max-height:min(56vh,720px);object-fit:contain;object-position:center top;pointer-events:none;"
    b"animation:fc-ahead 0s 15s forwards}@keyframes fc-ahead{to{visibility:hidden}}"
    b"@media(min-width:641px){.fc-ahead{left:5rem;width:calc((100vw - 11rem)*.6)}}</style>"
)


def with_photo_ahead(scope: Scope, send: Send) -> Send:
    """For a page that names a photo: a way to send that puts the photo into it.

    Only a page that is served (200, HTML) is changed, so nothing goes to who was not let in.
    """
    if scope["type"] != "http" or scope["method"] != "GET":
        return send
    found = _PHOTO.search(scope.get("query_string", b""))
    if found is None or scope["path"].startswith(("/photo/", "/_stcore/", "/static/")):
        return send
    url = b"/photo/" + found[1] + b"?side=2048"
    held: list[Message] = []

    async def send_with_photo(message: Message) -> None:
        if message["type"] == "http.response.start" and _is_page(message):
            held.append(message)
            return
        if held and message["type"] == "http.response.body":
            await _send_page(send, held, message, url)
            return
        await send(message)

    return send_with_photo


def _is_page(start: Message) -> bool:
    kinds = [v for k, v in start.get("headers", []) if k.lower() == b"content-type"]
    return start["status"] == 200 and any(v.startswith(b"text/html") for v in kinds)


async def _send_page(send: Send, held: list[Message], message: Message, url: bytes) -> None:
    """Send a page held back so far, once all of it is there."""
    held.append(message)
    if message.get("more_body"):
        return
    body = b"".join(bytes(part.get("body", b"")) for part in held[1:])
    picture = b'<img class="fc-ahead" alt="The photo; its marks follow" src="' + url + b'">'
    body = body.replace(b"</body>", _STYLE + picture + b"</body>")
    headers = [
        (k, str(len(body)).encode() if k.lower() == b"content-length" else v)
        for k, v in held[0]["headers"]
    ]
    headers.append((b"link", b"<" + url + b">; rel=preload; as=image"))
    await send({**held[0], "headers": headers})
    await send({"type": "http.response.body", "body": body})
    held.clear()
