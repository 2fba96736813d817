"""The season's work as an iCalendar file (RFC 5545), one all-day entry a tree and pass."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from fruitcount.season.queue import QueueLine

__all__ = ["calendar_text"]

_SUMMARY = {
    "second pass due": "Second thinning pass",
    "second pass later": "Second thinning pass",
}


def _escape(text: str) -> str:
    # RFC 5545 3.3.11; other control characters are not allowed in a text at all
    out = text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    out = out.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
    return "".join(c for c in out if c == "\t" or (ord(c) >= 32 and ord(c) != 127))


def _fold(line: str) -> str:
    # RFC 5545 3.1: at most 75 octets a line, a letter of several octets not cut apart
    parts, current, room = [], "", 75
    for letter in line:
        size = len(letter.encode())
        if size > room:
            parts.append(current)
            current, room = "", 74
        current += letter
        room -= size
    parts.append(current)
    return "\r\n ".join(parts)


def _entry(line: QueueLine, first: date, last: date, stamp: datetime) -> list[str]:
    tree = line.tree
    title = _SUMMARY.get(line.state, "Thin")
    what = f"{tree.name} ({tree.variety})" if tree.variety else tree.name
    key = hashlib.sha256(f"{tree.name}|{title}|{first.year}".encode()).hexdigest()[:32]
    out = [
        "BEGIN:VEVENT",
        f"UID:{key}@fruitcount",
        f"DTSTAMP:{stamp.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{first:%Y%m%d}",
        f"DTEND;VALUE=DATE:{last + timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{_escape(f'{title}: {what}')}",
        f"DESCRIPTION:{_escape(line.reason)}",
        "TRANSP:TRANSPARENT",
    ]
    if tree.block:
        out.append(f"LOCATION:{_escape(tree.block)}")
    return [*out, "END:VEVENT"]


def calendar_text(lines: Sequence[QueueLine], *, today: date, stamp: datetime | None = None) -> str:
    """Write a queue as a calendar.

    Trees that are closed (done, over, left or not thinned) are left out, and so are those whose
    days cannot be told, unless there is work for them today: these get today.

    Parameters
    ----------
    lines : sequence of QueueLine
        From :func:`fruitcount.season.queue.queue`.
    today : date
    stamp : datetime, optional
        When the calendar was made, with a time zone; default now. The same entry keeps its
        number in every later calendar, so that importing again moves it instead of doubling it.

    Returns
    -------
    str
        With CRLF line ends; write it as UTF-8 and without changing them.
    """
    made = stamp or datetime.now(UTC)
    out = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//fruitcount//season//EN",
        "CALSCALE:GREGORIAN",
    ]
    for line in lines:
        if line.closed:
            continue
        first, last = line.due_from, line.due_to
        if first is None or last is None or (line.for_today and last < today):
            if not line.for_today:
                continue
            first = last = today
        out += _entry(line, first, last, made)
    return "\r\n".join(_fold(row) for row in [*out, "END:VCALENDAR"]) + "\r\n"
