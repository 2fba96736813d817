"""Pack the training tiles into one small tar, to carry them to the machine that trains.

``python -m fruitcount.training.pack --photos DIR --out data.tar``
Pictures are recompressed as WebP; labels are kept. A low quality makes the tar small and smears
fruit a dozen pixels wide: a net that learned at 50 marked too much in crisp photos.
Only sets whose licence allows training of shipped weights are taken.
"""

from __future__ import annotations

import argparse
import io
import tarfile
from pathlib import Path

from PIL import Image

from fruitcount.training.data import BOX_FILL


def pack(photos: Path, out: Path, quality: int = 90) -> int:
    """Write the tar; returns its size in bytes.

    Parameters
    ----------
    photos : Path
        Holds one folder a set.
    out : Path
        The tar to write; its folder is made.
    quality : int
        WebP quality, 1-100; higher is larger and keeps small fruit crisp.
    """
    out.parent.mkdir(parents=True, exist_ok=True)
    with tarfile.open(out, "w:gz") as tar:
        for group in BOX_FILL:
            for path in sorted((photos / group).glob("*.jpg")):
                _add(tar, f"{group}/{path.stem}.webp", _recompressed(path, quality))
                label = path.with_suffix(".txt")
                _add(tar, f"{group}/{label.name}", label.read_bytes())
    return out.stat().st_size


def _recompressed(path: Path, quality: int) -> bytes:
    buffer = io.BytesIO()
    with Image.open(path) as image:
        image.convert("RGB").save(buffer, "WEBP", quality=quality, method=4)
    return buffer.getvalue()


def _add(tar: tarfile.TarFile, name: str, content: bytes) -> None:
    entry = tarfile.TarInfo(name)
    entry.size = len(content)
    tar.addfile(entry, io.BytesIO(content))


def main() -> None:
    """Read the command line and pack."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--quality", type=int, default=90)
    args = parser.parse_args()
    print(f"{args.out}: {pack(args.photos, args.out, args.quality) / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
