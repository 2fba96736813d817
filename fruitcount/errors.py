"""Typed errors and the checks that raise them. Each names the file or parameter, rule and value."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager


class FruitcountError(Exception):
    """Base of every error that fruitcount raises on purpose."""


class BadInputError(FruitcountError, ValueError):
    """A parameter breaks its rule; the message names parameter, rule and value."""


class PhotoUnreadableError(FruitcountError):
    """A file is not a photograph that can be decoded whole.

    Parameters
    ----------
    path : str
        The file, as the caller named it.
    reason : str
        The rule that the file breaks, in words that a grower can act on.
    """

    def __init__(self, path: str, reason: str) -> None:
        self.path = path
        self.reason = reason
        super().__init__(f"{path}: {reason}")


class NotWrittenError(FruitcountError):
    """A result could not be written; nothing of it is left behind.

    Parameters
    ----------
    path : str
        The file or folder.
    reason : str or None
        What the system says.
    """

    def __init__(self, path: str, reason: str | None) -> None:
        super().__init__(f"{path}: cannot be written: {reason or 'unknown reason'}")


class OtherLimbError(FruitcountError):
    """A photo taken after the work shows another limb than its record."""


class PhotoTooLargeError(PhotoUnreadableError):
    """A photograph has more pixels than the limit; it was refused before decoding."""


class SpeciesError(FruitcountError):
    """A species file is missing, incomplete or contradicts itself."""


class ModelUnavailableError(FruitcountError):
    """The trained heatmap model is asked for but its file cannot be used."""


class BadTruthError(FruitcountError):
    """An annotation file cannot be read as any of the formats known here."""


class RecordError(FruitcountError):
    """A stored or imported record is damaged, of an unknown version, or contradicts itself."""


@contextmanager
def broken_as(kind: type[FruitcountError], where: str) -> Iterator[None]:
    """Whatever a damaged value raises when it is read becomes one error that names the place.

    Parameters
    ----------
    kind : type
        Of the error.
    where : str
        What its message begins with.
    """
    try:
        yield
    except (
        OSError, ValueError, LookupError, TypeError, AttributeError, OverflowError, RecursionError
    ) as fault:  # fmt: skip
        if isinstance(fault, kind):
            raise
        raise kind(f"{where}: {_plain(fault)}") from fault


def _plain(fault: Exception) -> str:
    """What is wrong, without a reader's own words."""
    if isinstance(fault, OSError):
        return fault.strerror or str(fault)
    if isinstance(fault, KeyError):
        return f"not known, or not there: {fault}"
    if isinstance(fault, RecursionError):
        return "it is nested too deep"
    if hasattr(fault, "pos"):  # a JSONDecodeError
        return "it is no JSON, or was cut off"
    if isinstance(fault, UnicodeError):
        return "it is no text in UTF-8"
    if isinstance(fault, ValueError) and not str(fault).startswith(_PYTHONS):
        return str(fault)
    return "a value in it is of another kind than it must be"


_PYTHONS = ("invalid literal for", "could not convert", "cannot convert", "not enough values",
            "Invalid isoformat", "Out of range float", "Exceeds the limit")  # fmt: skip


def finite(name: str, value: float) -> float:
    """Return ``value`` as a float, or raise if it is NaN or infinite."""
    number = float(value)
    if not math.isfinite(number):
        raise BadInputError(f"{name} must be a finite number, got {value!r}")
    return number


def positive(name: str, value: float) -> float:
    """Return ``value`` as a float, or raise unless it is finite and > 0."""
    number = finite(name, value)
    if number <= 0:
        raise BadInputError(f"{name} must be > 0, got {value!r}")
    return number


def at_least(name: str, value: float, low: float) -> float:
    """Return ``value`` as a float, or raise unless it is finite and >= ``low``."""
    number = finite(name, value)
    if number < low:
        raise BadInputError(f"{name} must be at least {low}, got {value!r}")
    return number


def in_range(name: str, value: float, low: float, high: float) -> float:
    """Return ``value`` as a float, or raise unless ``low <= value <= high``."""
    number = finite(name, value)
    if not low <= number <= high:
        raise BadInputError(f"{name} must be from {low} to {high}, got {value!r}")
    return number


def one_of(name: str, value: str, allowed: tuple[str, ...]) -> str:
    """Return ``value``, or raise unless it is one of ``allowed``."""
    if value not in allowed:
        raise BadInputError(f"{name} must be one of {', '.join(allowed)}, got {value!r}")
    return value
