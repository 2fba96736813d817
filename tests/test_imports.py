"""What a command loads: large libraries only where they are used."""

from __future__ import annotations

import subprocess
import sys

import pytest

# Loading these takes longer than reading a photo.
SLOW = ("reportlab", "scipy.stats", "scipy.optimize", "sqlalchemy", "streamlit", "pi_heif", "dask")


@pytest.mark.parametrize(
    ("what", "absent"),
    [
        ("fruitcount.cli", (*SLOW, "numpy", "cv2", "scipy", "PIL")),
        ("fruitcount.cli.count", (*SLOW, "numpy", "cv2", "scipy", "PIL")),
        ("fruitcount.jobs.count", SLOW),
        ("fruitcount.pipeline", SLOW),
    ],
)
def test_import_leaves_alone(what: str, absent: tuple[str, ...]) -> None:
    code = f"import sys, {what}; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert set(absent).isdisjoint(done.stdout.split())
