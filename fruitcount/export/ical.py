"""The season's work and harvest as an iCalendar file (RFC 5545), all-day entries."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta

from fruitcount.season.queue import Days, QueueLine

_TITLES = {
    "second pass due": "Second thinning pass",
    "second pass later": "Second thinning pass",
    "measure again": "Measure a limb again",
}


def calendar_bytes(
    lines: Sequence[QueueLine], *, today: date, stamp: datetime | None = None
) -> bytes:
    """Write a queue as a calendar.

    Parameters
    ----------
    lines : sequence of QueueLine
        From :func:`fruitcount.season.queue.queue`.
    today : date
        Harvests before it are left out.
    stamp : datetime, optional
        When the calendar was made, with a time zone; default now. The same entry keeps its
        number in every later calendar, so that importing again moves it instead of doubling it.

    Returns
    -------
    bytes
        Empty where there is nothing to put in.
    """
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", "-//fruitcount//season//EN")
    for line, title, days, text in _entries(lines, today):
        tree, event = line.tree, Event()
        key = hashlib.sha256(f"{tree.name}|{title}|{days.first.year}".encode()).hexdigest()[:32]
        event.add("uid", f"{key}@fruitcount")
        event.add("dtstamp", stamp or datetime.now(UTC))
        event.add("dtstart", days.first)
        event.add("dtend", days.last + timedelta(days=1))
        what = f"{tree.name} ({tree.variety})" if tree.variety else tree.name
        event.add("summary", f"{title}: {what}")
        event.add("description", text)
        event.add("transp", "TRANSPARENT")
        if tree.block:
            event.add("location", tree.block)
        calendar.add_component(event)
    return bytes(calendar.to_ical()) if calendar.subcomponents else b""


def _entries(lines: Sequence[QueueLine], today: date) -> Iterator[tuple[QueueLine, str, Days, str]]:
    for line in lines:
        if line.due is not None and not line.closed:
            yield line, _TITLES.get(line.state, "Thin"), line.due, line.reason
        ripe = line.harvest
        if ripe is not None and ripe.last >= today:
            yield line, "Harvest likely", ripe, f"An estimate from {ripe.source}."
