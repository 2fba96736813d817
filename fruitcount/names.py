"""File names as they can be printed, written and shown."""

from __future__ import annotations

import unicodedata

__all__ = ["shown_name"]

_LONGEST = 240
_UNSHOWN = ("Cc", "Cs", "Zl", "Zp")
# marks that turn the direction of writing, so that gpj.exe reads as exe.jpg (Unicode TR 36)
_TURNING = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F}


def shown_name(name: str, *, longest: int = _LONGEST) -> str:
    """A file's name on one line, without escapes, writable as UTF-8.

    Bytes that are no text, control characters and marks that turn the direction of writing each
    become U+FFFD; a very long name is cut. Other names come back as they are.

    Parameters
    ----------
    name : str
        As the file system or a sheet gave it; it may be anything.
    longest : int
        Letters kept; a larger number keeps more of a long name.
    """
    clean = "".join("\ufffd" if _hidden(c) else c for c in name)
    return clean if len(clean) <= longest else clean[: longest - 1] + "\u2026"


def _hidden(sign: str) -> bool:
    return ord(sign) in _TURNING or unicodedata.category(sign) in _UNSHOWN
