"""Damage the input of every reader and see that only the project's own errors come out.

``python -m tests.hardening.fuzz --minutes 30`` from the project's folder. Each reader gets a share
of the time in a process of its own, so that a decoder that crashes is a finding as well. Damage is
drawn by Hypothesis; where ``atheris`` is installed it gets half of the time of the readers that
are written in Python, guided by what it covers. What is found is written to ``--out`` as a file
``READER--NAME.bin`` and goes, once mended, into ``seeds/``, where the tests try it again.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for _folder in ("tests", "ui", ""):
    if str(ROOT / _folder) not in sys.path:
        sys.path.insert(0, str(ROOT / _folder))

from hardening.fuzz_readers import READERS, Reader  # noqa: E402
from hardening.mutate import Program, damaged, programs  # noqa: E402
from hypothesis import HealthCheck, Phase, given, seed, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from fruitcount.errors import FruitcountError  # noqa: E402

SEEDS = Path(__file__).parent / "seeds"
SLOW_S = 10.0
# decoders in C gain nothing from coverage of Python lines
IN_C = ("jpeg", "png", "webp", "tiff", "heic", "card", "database", "decide")
QUICK = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much)


@dataclass
class Tally:
    """How often a reader was tried, how it ended, and what was found."""

    tried_n: int = 0
    read_n: int = 0
    refused_n: int = 0
    found: dict[str, bytes] = field(default_factory=dict)


class _TooSlowError(Exception):
    """A reader took too long over one small file."""


def _alarm(*_: object) -> None:
    raise _TooSlowError(f"over {SLOW_S:.0f} s of computing")


def try_once(reader: Reader, data: bytes, folder: Path) -> bool:
    """Read; True when it was read, False when it was refused in the project's own way.

    Anything else that the reader raises goes through.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            reader.read(data, folder)
        except FruitcountError:
            return False
    return True


def _place(error: BaseException) -> str:
    """The kind of an error and the lines of the project it came through: one finding."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "/fruitcount/" in f.filename or "/ui/" in f.filename]
    last = (ours or frames)[-1]
    return f"{type(error).__name__}-{Path(last.filename).stem}-{last.name}"


def _note(tally: Tally, reader: Reader, data: bytes, folder: Path) -> None:
    tally.tried_n += 1
    signal.setitimer(signal.ITIMER_PROF, SLOW_S)
    try:
        read = try_once(reader, data, folder)
        tally.read_n += read
        tally.refused_n += not read
    except Exception as error:
        place = _place(error)
        known = tally.found.get(place)
        if known is None or len(data) < len(known):
            tally.found[place] = data
        if known is None:
            traceback.print_exc(limit=-4)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)


def fuzz_one(name: str, seconds: float, folder: Path, *, first_seed: int = 0) -> Tally:
    """Damage one reader's good bytes for so long, with Hypothesis drawing the damage."""
    reader, tally = READERS[name], Tally()
    good = [*reader.seeds(), *(p.read_bytes() for p in stored_seeds(name))]
    with suppress(Exception):  # loads what the reader needs, before the time is taken
        try_once(reader, good[0], folder)
    signal.signal(signal.SIGPROF, _alarm)
    last = folder / "last.bin"
    for data in good:
        _note(tally, reader, data, folder)
    end = time.monotonic() + seconds
    number = first_seed

    def strike(data: bytes) -> None:
        last.write_bytes(data)
        _note(tally, reader, data, folder)

    while time.monotonic() < end:
        number += 1
        _draw(strike, good, number, end)
    return tally


def _draw(strike: Callable[[bytes], None], good: list[bytes], number: int, end: float) -> None:
    @seed(number)
    @settings(
        max_examples=150, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=QUICK,
    )  # fmt: skip
    @given(st.integers(0, len(good) - 1), programs)
    def one(which: int, program: Program) -> None:
        if time.monotonic() < end:
            strike(damaged(good[which], program))

    one()


def stored_seeds(name: str) -> list[Path]:
    """Files that once broke a reader."""
    return sorted(SEEDS.glob(f"{name}--*"))


def replay(path: Path, folder: Path) -> None:
    """Try one stored file again."""
    try_once(READERS[path.name.partition("--")[0]], path.read_bytes(), folder)


def _guided(name: str, seconds: float, folder: Path) -> None:
    """Let atheris look for inputs; it ends the process itself."""
    import atheris

    with atheris.instrument_imports(include=["fruitcount", "review_", "screen_"]):
        reader = READERS[name]
        good = reader.seeds()
        for data in good:
            try_once(reader, data, folder)
    corpus = folder / "corpus"
    corpus.mkdir()
    for k, data in enumerate(good):
        (corpus / str(k)).write_bytes(data)
    report, tally = folder / "tally.json", Tally()
    signal.signal(signal.SIGPROF, _alarm)

    def one(data: bytes) -> None:
        _note(tally, reader, data, folder)
        if tally.tried_n % 25 == 0:
            _write(report, tally)

    how = [
        f"-max_total_time={max(1, round(seconds))}",
        "-rss_limit_mb=4000",
        "-timeout=60",
        "-verbosity=0",
        f"-artifact_prefix={folder}/",
        "-max_len=20000",
        f"-seed={random.randrange(2**31)}",
    ]
    atheris.Setup([sys.argv[0], *how, str(corpus)], one)
    atheris.Fuzz()


def _write(path: Path, tally: Tally) -> None:
    body = {
        "tried": tally.tried_n,
        "read": tally.read_n,
        "refused": tally.refused_n,
        "found": {place: data.hex() for place, data in tally.found.items()},
    }
    path.write_text(json.dumps(body))


def _child(name: str, engine: str, seconds: float, folder: Path, first_seed: int) -> None:
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if engine == "atheris":
        _guided(name, seconds, folder)
        return
    _write(folder / "tally.json", fuzz_one(name, seconds, folder, first_seed=first_seed))


def _run(name: str, engine: str, seconds: float, out: Path, first_seed: int) -> Tally:
    """One reader in a process of its own; a crash is a finding too."""
    tally = Tally()
    memory = Path("/dev/shm")  # noqa: S108  (a file system in memory: databases open faster)
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as place:
        folder = Path(place)
        command = [sys.executable, "-m", "tests.hardening.fuzz", "--child", name, "--engine",
                   engine, "--seconds", str(seconds), "--out", place,
                   "--seed", str(first_seed)]  # fmt: skip
        try:
            done = subprocess.run(
                command, cwd=ROOT, capture_output=True, text=True, timeout=seconds + 240,
                errors="replace", check=False,
            )  # fmt: skip
            code, said = done.returncode, done.stdout + done.stderr
        except subprocess.TimeoutExpired:
            code, said = -1, "did not end"
        report, last = folder / "tally.json", folder / "last.bin"
        if report.exists():
            body = json.loads(report.read_text())
            tally = Tally(body["tried"], body["read"], body["refused"])
            tally.found = {k: bytes.fromhex(v) for k, v in body["found"].items()}
        broken = code != 0 if engine == "hypothesis" else code not in (0, 77)
        if broken:
            crash = next(iter(sorted(folder.glob("crash-*"))), last)
            tally.found[f"process-ended-{code}"] = crash.read_bytes() if crash.exists() else b""
            print(said[-2000:])
        elif tally.found:
            print(said[-3000:])
    for where, data in tally.found.items():
        out.mkdir(parents=True, exist_ok=True)
        (out / f"{name}--{where}.bin").write_bytes(data)
    return tally


def _plan(names: list[str], seconds: float, guided: bool) -> list[tuple[str, str, float]]:
    parts = []
    for name in names:
        split = guided and name not in IN_C
        share = seconds / len(names) / (2 if split else 1)
        parts += [(name, engine, share) for engine in ("hypothesis", "atheris")[: 1 + split]]
    return parts


def main(arguments: list[str] | None = None) -> int:
    """Fuzz all readers, print a line a reader, and return how many things were found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0, help="time for all readers together")
    parser.add_argument("--only", nargs="*", choices=sorted(READERS), help="these readers only")
    parser.add_argument("--out", type=Path, default=Path("out/fuzz"), help="folder for findings")
    parser.add_argument("--seed", type=int, default=0, help="another number draws other damage")
    parser.add_argument("--engine", default="mix", choices=["mix", "hypothesis", "atheris"])
    parser.add_argument("--child", choices=sorted(READERS), help=argparse.SUPPRESS)
    parser.add_argument("--seconds", type=float, help=argparse.SUPPRESS)
    told = parser.parse_args(arguments)
    if told.child:
        _child(told.child, told.engine, told.seconds, told.out, told.seed)
        return 0
    guided = told.engine != "hypothesis" and importlib.util.find_spec("atheris") is not None
    found_n = tried_n = 0
    for name, engine, seconds in _plan(told.only or list(READERS), told.minutes * 60, guided):
        tally = _run(name, engine, seconds, told.out, told.seed)
        tried_n, found_n = tried_n + tally.tried_n, found_n + len(tally.found)
        print(
            f"{name:14} {engine:10} {tally.tried_n:8} tried {tally.read_n:8} read "
            f"{tally.refused_n:8} refused  found: {', '.join(tally.found) or 'nothing'}",
            flush=True,
        )
    print(f"{tried_n} tries in all, {found_n} findings")
    return min(found_n, 100)


if __name__ == "__main__":
    sys.exit(main())
