"""A small fitted function: two fully connected layers, kept as plain numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np

from fruitcount.errors import ModelUnavailableError
from fruitcount.fruitlets import F32

ROWS_AT_ONCE = 512
"""Rows worked on together: few enough to stay in a core's cache, and for the matrix library not
to start threads, which cost five times what they save while other work runs."""


@dataclass(frozen=True, eq=False)
class Layers:
    """``out = relu(((x - middle) / spread) @ first + first_bias) @ second + second_bias``.

    Attributes
    ----------
    middle, spread : float32 arrays, shape (K,)
    first, first_bias : float32 arrays, shapes (K, H) and (H,)
    second, second_bias : float32 arrays, shapes (H, M) and (M,)
    """

    middle: F32
    spread: F32
    first: F32
    first_bias: F32
    second: F32
    second_bias: F32

    def __call__(self, x: F32) -> F32:
        """Values of the function, shape (N, K) to (N, M)."""
        out = np.empty((len(x), self.second.shape[1]), np.float32)
        for start in range(0, len(x), ROWS_AT_ONCE):
            some = x[start : start + ROWS_AT_ONCE] - self.middle
            some /= self.spread
            np.clip(some, -6, 6, out=some)
            hidden = some @ self.first
            hidden += self.first_bias
            np.maximum(hidden, 0, out=hidden)
            out[start : start + ROWS_AT_ONCE] = hidden @ self.second + self.second_bias
        return out

    def on_planes(self, planes: F32) -> F32:
        """Values of the function where each column lies in one piece, shape (K, N) to (M, N)."""
        first = np.ascontiguousarray((self.first / self.spread[:, None]).T)
        bias = (self.first_bias - first @ self.middle)[:, None]
        low, high = ((self.middle + k * self.spread)[:, None] for k in (-6, 6))
        second, last = np.ascontiguousarray(self.second.T), self.second_bias[:, None]
        out = np.empty((len(second), planes.shape[1]), np.float32)
        for start in range(0, planes.shape[1], ROWS_AT_ONCE):
            some = np.maximum(planes[:, start : start + ROWS_AT_ONCE], low)
            hidden = first @ np.minimum(some, high, out=some)
            hidden += bias
            np.maximum(hidden, 0, out=hidden)
            out[:, start : start + ROWS_AT_ONCE] = second @ hidden + last
        return out

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Self:
        """Read what :meth:`to_record` wrote.

        Raises
        ------
        ModelUnavailableError
            When a part is missing or the shapes do not fit.
        """
        try:
            parts = {k: np.array(record[k], np.float32) for k in cls.__dataclass_fields__}
        except (KeyError, TypeError, ValueError) as error:
            raise ModelUnavailableError(f"coefficients: {error!r}") from error
        made = cls(**parts)
        k, hidden = made.first.shape
        if made.middle.shape != (k,) or made.second.shape[0] != hidden:
            raise ModelUnavailableError("coefficients: shapes do not fit each other")
        return made

    def to_record(self) -> dict[str, Any]:
        """Plain lists, rounded to 4 significant figures."""
        return {k: _plain(getattr(self, k)) for k in self.__dataclass_fields__}


def _plain(values: F32) -> Any:
    if values.ndim > 1:
        return [_plain(row) for row in values]
    return [float(f"{v:.4g}") for v in values]
