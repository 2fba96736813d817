"""A missing system library is named together with the line that mends it."""

from __future__ import annotations

import builtins
import importlib
import sys
from typing import Any

import pytest


def test_the_mending_line_is_in_the_error(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without_cv2(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "cv2":
            raise ImportError("libGL.so.1: cannot open shared object file")
        return real(name, *args, **kwargs)

    monkeypatch.delitem(sys.modules, "fruitcount.image.opencv", raising=False)
    monkeypatch.setattr(builtins, "__import__", without_cv2)
    line = "apt-get install -y --no-install-recommends libgl1 libglib2.0-0"
    with pytest.raises(ImportError, match=line):
        importlib.import_module("fruitcount.image.opencv")
