"""HEIC photos, opened by another process: a damaged one must not take this program with it.

Damage found by fuzzing crashed the decoder (libheif 1.23) itself, which no ``except`` can catch.
This file is what the other process runs; it imports nothing of the package, so it starts quickly.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

_LONGEST_S = 120.0


@dataclass(frozen=True)
class HeifParts:
    """What is in a HEIC file.

    Attributes
    ----------
    size_px : tuple of (width, height)
        Upright: the decoder has turned the picture already.
    rgb : uint8 array, shape (rows, columns, 3), or None
        Transparency is laid over white. None where it was not asked for, or has too many pixels.
    exif : bytes
        Of the main picture; empty if it has none.
    blocks : tuple of (name, bytes)
        ``"exif"`` and ``"xmp"`` of every picture in the file.
    """

    size_px: tuple[int, int]
    rgb: NDArray[np.uint8] | None
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
    command = [sys.executable, "-P", __file__, str(most_pixels)]
    try:
        done = subprocess.run(
            command, input=data, capture_output=True, timeout=_LONGEST_S, env=env, check=False
        )
    except subprocess.TimeoutExpired:
        return None
    return None if done.returncode else _parts(done.stdout)


def _parts(out: bytes) -> HeifParts:
    start = out.index(b"\n") + 1
    head, rest = json.loads(out[:start]), memoryview(out)[start:]
    blocks = []
    for name, size in head["blocks"]:
        blocks.append((str(name), bytes(rest[:size])))
        rest = rest[size:]
    size_px = (int(head["size"][0]), int(head["size"][1]))
    pixels = np.frombuffer(rest, np.uint8)
    # a copy, which stands by itself: what the other process wrote is then let go
    rgb = pixels.reshape(size_px[1], size_px[0], 3).copy() if len(pixels) else None
    tags = tuple((name, block) for name, block in blocks if name != "primary" and block)
    return HeifParts(size_px, rgb, dict(blocks)["primary"], tags)


def main() -> None:
    """What the other process does: read, open, write; what goes wrong ends it with another code.

    Argument: the most pixels to decode (0 for none). The photo comes on standard input. Out go a
    line of JSON, the blocks of tags that it names, then the pixels.
    """
    import pi_heif

    most_pixels = int(sys.argv[1])
    data = sys.stdin.buffer.read()
    opened = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    frame = opened[opened.primary_index]
    blocks = [
        (name, bytes(each.info.get(name) or b"")) for each in opened for name in ("exif", "xmp")
    ]
    # other tags that a file may hold, as text of the makers' own kind
    blocks += [
        ("other", bytes(item["data"])) for each in opened for item in each.info.get("metadata", [])
    ]
    blocks.append(("primary", bytes(frame.info.get("exif") or b"")))
    width, height = frame.size
    pixels, step = memoryview(b""), 1
    if width * height <= most_pixels:
        pixels, step = frame.data, frame.stride
        if frame.mode != "RGB":
            image = frame.to_pillow().convert("RGBA")
            white = Image.new("RGBA", image.size, "white")
            pixels = memoryview(Image.alpha_composite(white, image).convert("RGB").tobytes())
            step = 3 * width
    out = sys.stdout.buffer
    head = {"size": frame.size, "blocks": [[name, len(block)] for name, block in blocks]}
    out.write(json.dumps(head).encode() + b"\n")
    for _, block in blocks:
        out.write(block)
    for at in range(0, len(pixels), step):
        out.write(pixels[at : at + 3 * width])
    out.flush()


if __name__ == "__main__":
    main()
