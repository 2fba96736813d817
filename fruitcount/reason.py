"""Where a number of a result comes from."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Reason"]


@dataclass(frozen=True)
class Reason:
    """One number of a result, explained.

    Attributes
    ----------
    number : str
        What the number is called in the result.
    value : float
    rule : str
        How it was worked out, in words.
    given : str
        The inputs that went in, with their values.
    source : str
        Who says so, with its status in brackets.
    """

    number: str
    value: float
    rule: str
    given: str
    source: str
