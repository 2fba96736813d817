"""200 odd files and 300 odd command runs, by hand: each ends in a sentence and exit code 0, 1 or 2.

``PYTHONPATH=.:tests python tests/hardening/corpus.py [SEED]`` prints what broke, and a last line of
totals. Counting is stubbed, so that all of it takes minutes; everything before and behind it is
real. ``--real N`` counts the first N files in earnest.
"""

from __future__ import annotations

import argparse
import os
import random
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from click.testing import CliRunner
from hardening.kit import limb_rgb, quick_count, saved
from PIL import Image

import fruitcount.jobs.count
import fruitcount.tree.photos
from fruitcount.cli import main

MODULES = (fruitcount.jobs.count, fruitcount.tree.photos)
NAMES = (
    "<b>x<script>.jpg", "'q\".jpg", "%s%n.jpg", "=1+1.jpg", "-flag.jpg", "a b;c&d.jpg",
    "[x](y).jpg",
    "$x$.jpg", ":red[r].jpg", "\u202egpj.jpg", "e\u0301\u00fc.jpg", "\U0001f351.jpg", "CON.jpg",
    "a" * 200 + ".jpg", ".jpg", "no ending", "two.jpg.png", "UPPER.JPG", "tab\there.jpg",
)  # fmt: skip
ODD = (
    "0", "-1", "1e308", "nan", "inf", "1e-308", "", "  ", "12,5", "1/0", '3/8"', "9" * 20, "\u00fc",
    "<b>", "0x10", "12mm", "5 ft", "\u0661", "--", "../../x", "A" * 5000, "2", "40cm", "2026-05-02",
    "9999-12-31", "0001-01-01", "peach", "sheet", "\x00", "1;2", "7 8", "None", "[]", "{}",
)  # fmt: skip
STARTS = (
    b"", b"hello", b"<html>", b"PK\x03\x04", b"%PDF-1.7", b"\xff\xd8\xff", b"II*\x00",
    b"RIFF\xff\xff\xff\xffWEBP", b"\0\0\0\x18ftypheic", b"\x89PNG\r\n\x1a\n", b"\x1f\x8b",
    b"GIF89a",
)  # fmt: skip
OPTIONS = {
    "count": "limb-length spacing ripening-month pass fruit-diameter base-diameter tip-diameter "
    "species units between disc also source first tree limb bank-card plan "
    "drop-done harvest-diameter",
    "tree": "trunk age limbs crates crate-kg pace hand-counts limb-sheet tree ripening-month "
    "species db",
    "season": "day hours trees weather out pace db units",
    "folder": "limbs by workers sheet pattern species",
    "walk": "sheet seed limbs",
    "card": "paper tree limb",
    "evaluate": "held-back source",
    "records": "db photos",
    "species": "units",
    "after": "out units",
}
PLACES = ({}, {"NO_COLOR": "1"}, {"COLUMNS": "20"}, {"LC_ALL": "C", "LANG": "C"}, {"TERM": "dumb"})


def odd_files(rng: random.Random) -> Iterator[tuple[str, bytes]]:
    """Names and bytes: of odd names, of odd kinds, and damaged in many ways."""
    small = limb_rgb()[::4, ::4]
    base = {kind: saved(small, kind) for kind in ("JPEG", "PNG", "WEBP", "TIFF", "GIF", "BMP")}
    for name in NAMES:
        yield name, base["JPEG"]
    for mode in ("1", "L", "P", "RGBA", "CMYK", "I", "F", "LA", "YCbCr", "HSV", "LAB"):
        for kind in ("PNG", "TIFF", "JPEG", "WEBP"):
            try:
                yield f"{mode}.{kind.lower()}", saved(Image.fromarray(small).convert(mode), kind)
            except (OSError, ValueError):  # a kind of picture that this format does not know
                continue
    for w, h in ((1, 1), (1, 500), (500, 1), (2, 2), (3, 999), (5000, 3), (4096, 1)):
        yield f"{w}x{h}.png", saved(Image.new("RGB", (w, h), (60, 120, 40)), "PNG")
    for k, start in enumerate(STARTS):
        yield f"start{k}.jpg", start + rng.randbytes(rng.choice((0, 9, 5000)))
    yield from _damaged(rng, base)


def _damaged(rng: random.Random, base: dict[str, bytes]) -> Iterator[tuple[str, bytes]]:
    for k in range(1000):
        kind, data = rng.choice(list(base.items()))
        spoilt = bytearray(data)
        how = rng.choice(("cut", "flip", "zero", "double", "tail", "swap"))
        at = rng.randrange(len(spoilt))
        if how == "cut":
            del spoilt[at:]
        elif how == "flip":
            for _ in range(rng.choice((1, 5, 50))):
                spoilt[rng.randrange(len(spoilt))] ^= 1 << rng.randrange(8)
        elif how == "zero":
            spoilt[at : at + 300] = bytes(len(spoilt[at : at + 300]))
        elif how == "swap":
            spoilt = spoilt[at:] + spoilt[:at]
        else:
            spoilt += bytes(spoilt) if how == "double" else rng.randbytes(500)
        yield f"{kind}{k}-{how}.{rng.choice(('jpg', 'png', 'tif', 'webp', 'heic'))}", bytes(spoilt)


class Runs:
    """Runs commands and keeps what broke."""

    def __init__(self) -> None:
        self.codes: Counter[int] = Counter()
        self.broken = 0

    def go(self, *words: object, **place: str) -> None:
        done = CliRunner(env=place).invoke(main, [str(w) for w in words])
        self.codes[done.exit_code] += 1
        why = ""
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            why = "".join(traceback.format_exception(done.exception))[-900:]
        elif done.exit_code not in (0, 1, 2):
            why = f"exit code {done.exit_code}"
        elif not done.output.strip():
            why = "said nothing"
        elif any(
            w in done.output
            for w in ("Traceback", "Warning:", "nan mm", "nan fruit", " inf ", "None ")
        ):
            why = done.output[-500:]
        if why:
            self.broken += 1
            print("!!", [str(w)[:60] for w in words], place, why, flush=True)


def odd_runs(runs: Runs, rng: random.Random, here: Path, files: list[Path], n: int) -> None:
    """Commands with odd values of their options, some right, in odd terminals."""
    good, out = here / "limb.jpg", here / "out"
    good.write_bytes(saved(limb_rgb()))
    runs.go(
        "folder", here / "files", "--out", here / "all", "--workers", 1, "--source", "classical"
    )
    for tree in ("<b>Gate</b>", "[x](y) $x$ :red[r]"):
        runs.go(
            "count", good, "--out", out, "--record", "--tree", tree, "--limb", 'low" onerror="1'
        )
    fixed: dict[str, tuple[object, ...]] = {
        "count": (good, "--out", out), "card": (here / "card.pdf",), "evaluate": (here / "files",),
        "folder": (here / "none", "--out", here / "all"), "season": ("--out", out),
        "after": (good, out / "limb.json"), "records": ("check",),
    }  # fmt: skip
    for _ in range(n):
        command = rng.choice(list(OPTIONS))
        words: list[object] = [command]
        if command == "records":
            words += [*rng.choice((["--db", rng.choice(files)], [])), "check"]
        elif command == "tree":
            words += rng.choice(([here / "all" / "photos.csv"], [rng.choice(files)], []))
        elif command == "walk":
            words += rng.choices((*ODD, "30mm", "25mm", "20mm"), k=rng.randrange(5))
        else:
            words += fixed.get(command, ())
        for _ in range(rng.randrange(3)):
            value = rng.choice((*ODD, str(rng.choice(files)), str(here / "none.csv")))
            words += ["--" + rng.choice(OPTIONS[command].split()), value]
        runs.go(*words, **rng.choice(PLACES))


def corpus() -> int:
    read = argparse.ArgumentParser(description=__doc__)
    read.add_argument("seed", nargs="?", type=int, default=1)
    read.add_argument("--real", type=int, default=0)
    asked = read.parse_args()
    rng, runs = random.Random(asked.seed), Runs()
    warnings.simplefilter("error")
    true = [module.count_limb for module in MODULES]
    with tempfile.TemporaryDirectory() as name:
        here = Path(name)
        os.environ |= {"HOME": name, "FRUITCOUNT_DATA": str(here / "data")}
        os.chdir(here)
        (here / "files").mkdir()
        files: list[Path] = []
        for k, (called, data) in zip(range(200), odd_files(rng), strict=False):
            files.append(here / "files" / called)
            files[-1].write_bytes(data)
            for module, count in zip(MODULES, true, strict=True):
                module.count_limb = count if k < asked.real else quick_count
            runs.go("count", "--source", "classical", "--out", here / "out", "--", files[-1])
        print(f"{len(files)} files: exit codes {dict(runs.codes)}, {runs.broken} broke", flush=True)
        odd_runs(runs, rng, here, files, 300)
    print(f"{sum(runs.codes.values())} runs: exit codes {dict(runs.codes)}, {runs.broken} broke")
    return 1 if runs.broken else 0


if __name__ == "__main__":
    raise SystemExit(corpus())
