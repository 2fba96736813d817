"""Small damage to a file: steps that Hypothesis draws, applied to good bytes."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from typing import Any

from hypothesis import strategies as st

Step = tuple[str, int, int, bytes]
Program = list[Step]

# Numbers and words at which readers have broken before: ends of integer types, what Python takes
# for a number and others do not, signs of structure, markup, formulas, escapes.
TOKENS = [
    b"", b"0", b"-1", b"1e308", b"1e400", b"-1e400", b"nan", b"inf", b"NaN", b"Infinity", b"null",
    b"true", b"[]", b"{}", b"[[]]", b'""', b"\xff", b"\x00", b"\r", b"\n", b'"', b"'", b",", b";",
    b"\xef\xbb\xbf", b"\xed\xb3\xa9", b"\\ud800", b"9" * 30, b"9" * 5000, b"2147483648",
    b"18446744073709551616", b"=1+1", b"../../x", b"<b>", b"1_0", "\u0661\u0662".encode(),
    "\u00b2".encode(), b"9999-12-31", b"0001-01-01T00:00+23:59", b"2026-13-45",
    b"[" * 4000, b"{\"a\":" * 3000, b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\x80\x00\x00\x00",
    b"\x00\x00\x00\x00", b"\xff\xd8\xff\xe1", b"Exif\x00\x00", b"ftypheic", b"IHDR", b"iCCP",
]  # fmt: skip
NONSENSE: list[Any] = [
    None, True, False, -1, 0, 1, 7, 2**31, 2**63, 10**400, 1.5, -0.0, 1e308, float("nan"),
    float("inf"), "", "x", "\ud800", "9" * 5000, "<b>", "=1", [], {}, [[]], [None], {"a": 1},
    [1, 2], ["x", "y"], [[1, 2], [3]], [float("inf")] * 2, "2026-01-01",
]  # fmt: skip
KINDS = ["flip", "put", "insert", "cut", "end", "copy", "json", "json", "key", "cell", "cell"]

_step = st.tuples(
    st.sampled_from(KINDS),
    st.integers(0, 2**24 - 1),
    st.integers(0, 2**16 - 1),
    st.one_of(st.sampled_from(TOKENS), st.binary(max_size=6)),
)
programs = st.lists(_step, min_size=1, max_size=5)


def damaged(data: bytes, program: Program) -> bytes:
    """Apply the steps one after another; a step that does not fit the data changes nothing."""
    for kind, a, b, piece in program:
        if kind in ("json", "key"):
            data = _in_json(data, kind, a, b)
        elif kind == "cell":
            data = _in_table(data, a, b, piece)
        else:
            data = _in_bytes(data, (kind, a, b, piece))
    return data


def _in_bytes(data: bytes, step: Step) -> bytes:
    kind, a, b, piece = step
    # half of all damage falls into the first 512 bytes, where headers are
    at = a % (min(len(data), 512) if b % 2 else len(data)) if data else 0
    if kind == "flip" and data:
        return data[:at] + bytes([data[at] ^ 1 << b % 8]) + data[at + 1 :]
    if kind == "put":
        return data[:at] + piece + data[at + len(piece) :]
    if kind == "insert":
        return data[:at] + piece + data[at:]
    if kind == "cut":
        return data[:at] + data[at + 1 + b % 64 :]
    if kind == "end":
        return data[:at]
    if kind == "copy":
        return data[:at] + data[b % (len(data) or 1) :][: 1 + b % 200] + data[at:]
    return data


def _in_json(data: bytes, kind: str, a: int, b: int) -> bytes:
    lines = data.split(b"\n") if data.count(b"\n{") else [data]
    which = b % len(lines)
    try:
        value = json.loads(lines[which])
    except (ValueError, RecursionError):
        return data
    places = list(_places(value))
    at = places[a % len(places)]
    new = NONSENSE[(a // len(places) + b) % len(NONSENSE)]
    try:
        lines[which] = json.dumps(_replaced(value, at, new, drop=kind == "key")).encode()
    except (ValueError, RecursionError):
        return data
    return b"\n".join(lines)


def _places(value: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield at
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _places(inner, (*at, key))
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            yield from _places(inner, (*at, k))


def _replaced(value: Any, at: tuple[Any, ...], new: Any, *, drop: bool) -> Any:
    if not at:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    if drop and len(at) == 1:
        del copy[at[0]]
    else:
        copy[at[0]] = _replaced(copy[at[0]], at[1:], new, drop=drop)
    return copy


def _in_table(data: bytes, a: int, b: int, piece: bytes) -> bytes:
    try:
        rows = list(csv.reader(io.StringIO(data.decode(), newline="")))
    except (UnicodeDecodeError, csv.Error):
        return data
    if not rows or not any(len(row) > 1 for row in rows):
        return data
    row = rows[b % len(rows)]
    if row:
        row[a % len(row)] = piece.decode("utf-8", "replace")
    out = io.StringIO(newline="")
    try:
        csv.writer(out).writerows(rows)
    except csv.Error:
        return data
    return out.getvalue().encode("utf-8", "surrogatepass")
