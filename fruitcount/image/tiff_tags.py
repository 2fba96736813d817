"""Walk the directories of a TIFF block (Exif is one) and take the GPS directory out in place.

TIFF 6.0 (1992), BigTIFF (64-bit offsets), CIPA DC-008 (Exif) for the numbers of the tags.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["blank_tiff"]

_GPS, _EXIF, _INTEROP, _SUB, _XMP = 0x8825, 0x8769, 0xA005, 0x014A, 0x02BC
# bytes of one value of each field type; 16 to 18 are BigTIFF's
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_SIZES |= {16: 8, 17: 8, 18: 8}
_MOST_DIRECTORIES = 4096
# a position takes some 100 bytes; a larger "value" is damage, and zeros there could hit pixels
_LARGEST_VALUE = 8192


@dataclass(frozen=True)
class _Entry:
    """One field: its tag, where it lies, and where its value lies."""

    tag: int
    at: int
    value_at: int
    value_bytes: int
    each_bytes: int


@dataclass(frozen=True)
class _Block:
    """A TIFF block inside a buffer; all offsets in it count from ``start``."""

    out: bytearray
    start: int
    end: int
    order: str
    big: bool

    @property
    def word(self) -> int:
        return 8 if self.big else 4

    @property
    def entry_bytes(self) -> int:
        return 20 if self.big else 12

    def number(self, at: int, size: int) -> int:
        if at < self.start or at + size > self.end:
            return 0
        return int.from_bytes(self.out[at : at + size], self.order)  # type: ignore[arg-type]

    def put(self, at: int, value: int, size: int) -> None:
        self.out[at : at + size] = value.to_bytes(size, self.order)  # type: ignore[arg-type]

    def blank(self, at: int, size: int) -> None:
        at, end = max(at, self.start), min(at + size, self.end)
        if end > at:
            self.out[at:end] = bytes(end - at)

    def entries(self, directory: int) -> list[_Entry]:
        count_bytes = 8 if self.big else 2
        first, size = directory + count_bytes, self.entry_bytes
        room = max((self.end - first) // size, 0)
        return [
            self._entry(first + k * size)
            for k in range(min(self.number(directory, count_bytes), room))
        ]

    def _entry(self, at: int) -> _Entry:
        tag, kind = self.number(at, 2), self.number(at + 2, 2)
        each = _SIZES.get(kind, 1)
        size = each * self.number(at + 4, self.word)
        here = at + 4 + self.word
        value_at = here if size <= self.word else self.start + self.number(here, self.word)
        return _Entry(tag, at, value_at, size, each)

    def next_at(self, directory: int) -> int:
        count_bytes = 8 if self.big else 2
        return directory + count_bytes + self.number(directory, count_bytes) * self.entry_bytes

    def offsets(self, entry: _Entry) -> list[int]:
        n = min(entry.value_bytes // entry.each_bytes, _MOST_DIRECTORIES)
        return [
            self.start + self.number(entry.value_at + k * entry.each_bytes, entry.each_bytes)
            for k in range(n)
        ]


def blank_tiff(out: bytearray, start: int, end: int) -> list[tuple[int, int]]:
    """Take every GPS directory out of a TIFF block; the block keeps its length.

    The values and the directory become zeros, and the field that pointed at it is taken out of
    its directory (those behind it move up; no value moves). A damaged block is left as far as it
    cannot be read.

    Parameters
    ----------
    out : bytearray
        Changed in place.
    start, end : int
        Where the block begins and ends.

    Returns
    -------
    list of (start, end)
        Where XMP packets lie in the block.
    """
    end = min(end, len(out))
    head = bytes(out[start : min(start + 4, end)])
    if head not in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"):
        return []
    big = b"+" in head
    block = _Block(out, start, end, "little" if head[:1] == b"I" else "big", big)
    todo = [start + block.number(start + (8 if big else 4), block.word)]
    done: set[int] = set()
    packets = []
    while todo and len(done) < _MOST_DIRECTORIES:
        here = todo.pop()
        if here <= start or here >= end or here in done:
            continue
        done.add(here)
        for entry in block.entries(here):
            if entry.tag in (_EXIF, _INTEROP, _SUB):
                todo += block.offsets(entry)
            elif entry.tag == _XMP:
                stop = min(entry.value_at + entry.value_bytes, end)
                packets.append((entry.value_at, max(stop, entry.value_at)))
        _take_out_gps(block, here)
        todo.append(start + block.number(block.next_at(here), block.word))
    return packets


def _take_out_gps(block: _Block, directory: int) -> None:
    for entry in reversed(block.entries(directory)):
        if entry.tag != _GPS:
            continue
        count_bytes = 8 if block.big else 2
        count = block.number(directory, count_bytes)
        stop = min(block.next_at(directory) + block.word, block.end)
        for gps in block.offsets(entry):
            if not directory <= gps < stop:  # else damaged: it points into its own parent
                _blank_directory(block, gps)
        behind = entry.at + block.entry_bytes
        block.out[entry.at : stop] = bytes(block.out[behind:stop]) + bytes(block.entry_bytes)
        block.put(directory, count - 1, count_bytes)


def _blank_directory(block: _Block, directory: int) -> None:
    if directory <= block.start or directory >= block.end:
        return
    for entry in block.entries(directory):
        if block.word < entry.value_bytes <= _LARGEST_VALUE:
            block.blank(entry.value_at, entry.value_bytes)
    size = block.next_at(directory) + block.word - directory
    block.blank(directory, size)
