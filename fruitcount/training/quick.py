"""Functions of tensors, compiled for the GPU at their first call there.

A step of training is mostly many small passes over the same pixels; joined into few they take
about half as long on one H100. On a CPU, where tests run, nothing is compiled.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any, TypeVar

import torch

Out = TypeVar("Out")


def quick(function: Callable[..., Out], *, dynamic: bool | None = None) -> Callable[..., Out]:
    """The function itself, or its compiled twin where its first argument lies on a GPU.

    With ``dynamic=False`` each size of its argument is compiled for itself.

    What cannot be compiled there runs as it is.
    """

    @functools.cache
    def compiled() -> Callable[..., Out]:
        torch._dynamo.config.suppress_errors = True
        twin: Callable[..., Out] = torch.compile(function, dynamic=dynamic)
        return twin

    @functools.wraps(function)
    def run(first: torch.Tensor, *rest: Any, **named: Any) -> Out:
        chosen = compiled() if first.is_cuda else function
        return chosen(first, *rest, **named)

    return run
