"""HEIC photos, opened by another process: a damaged one must not take this program with it.

Damage found by fuzzing crashed the decoder (libheif 1.23) itself, which no ``except`` can catch.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image

_CHILD = Path(__file__).with_name("heif_child.py")
_LONGEST_S = 120.0


@dataclass(frozen=True)
class HeifParts:
    """What is in a HEIC file.

    Attributes
    ----------
    size_px : tuple of (width, height)
        Upright: the decoder has turned the picture already.
    image : PIL image or None
        None where it was not asked for, or has too many pixels.
    exif : bytes
        Of the main picture; empty if it has none.
    blocks : tuple of (name, bytes)
        ``"exif"`` and ``"xmp"`` of every picture in the file.
    """

    size_px: tuple[int, int]
    image: Any
    exif: bytes
    blocks: tuple[tuple[str, bytes], ...]


def open_apart(data: bytes, *, most_pixels: int) -> HeifParts | None:
    """Open a HEIC file in a process of its own.

    Parameters
    ----------
    data : bytes
    most_pixels : int
        Larger pictures are not decoded; 0 decodes none and reads the tags only.

    Returns
    -------
    HeifParts or None
        None where the file is damaged, whether the decoder says so or crashes.
    """
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [sys.executable, "-P", str(_CHILD), str(most_pixels)]
    try:
        done = subprocess.run(
            command, input=data, capture_output=True, timeout=_LONGEST_S, env=env, check=False
        )
    except subprocess.TimeoutExpired:
        return None
    return None if done.returncode else _parts(done.stdout)


def _parts(out: bytes) -> HeifParts:
    line, _, rest = out.partition(b"\n")
    head = json.loads(line)
    blocks = []
    for name, size in head["blocks"]:
        blocks.append((str(name), rest[:size]))
        rest = rest[size:]
    size_px = (int(head["size"][0]), int(head["size"][1]))
    image = Image.frombytes(head["mode"], size_px, rest) if head["mode"] else None
    tags = tuple((name, block) for name, block in blocks if name != "primary" and block)
    return HeifParts(size_px, image, dict(blocks)["primary"], tags)
