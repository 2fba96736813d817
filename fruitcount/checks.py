"""Checks at the public door. Each raises :class:`BadInputError` naming parameter, rule, value."""

from __future__ import annotations

import math

from fruitcount.errors import BadInputError


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
