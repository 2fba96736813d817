"""Opens one HEIC photo in a process of its own: damaged ones can crash the decoder.

Run as a script; it imports nothing of the package, so that it starts quickly. Arguments: the most
pixels to decode (0 for none). The photo comes on standard input. Out go a line of JSON, the blocks
of tags that it names, then the pixels.
"""

from __future__ import annotations

import io
import json
import sys
from typing import Any


def main() -> None:
    """Read, open, write; whatever goes wrong ends the process with another code than 0."""
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
    head: dict[str, Any] = {"size": list(frame.size), "mode": ""}
    pixels, primary = b"", bytes(frame.info.get("exif") or b"")
    if frame.size[0] * frame.size[1] <= most_pixels:
        image = frame.to_pillow()
        head |= {"size": list(image.size), "mode": image.mode}
        pixels = image.tobytes()
    blocks.append(("primary", primary))
    head["blocks"] = [[name, len(block)] for name, block in blocks]
    out = sys.stdout.buffer
    out.write(json.dumps(head).encode() + b"\n")
    for _, block in blocks:
        out.write(block)
    out.write(pixels)
    out.flush()


if __name__ == "__main__":
    main()
