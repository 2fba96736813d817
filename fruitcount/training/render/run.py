"""Render training photographs: ``python -m fruitcount.training.render --out DIR --count N``."""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import os
import time
from pathlib import Path
from typing import Any

from .parts import Options


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Command-line settings."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--count", type=int, default=8, help="scenes in all")
    p.add_argument("--views", type=int, default=1, help="pictures of each scene")
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--variant", default="llvm_ad_rgb")
    p.add_argument("--size", default="960x720")
    p.add_argument("--spp", type=int, default=48)
    p.add_argument("--depth", type=int, default=7)
    p.add_argument(
        "--seconds", type=float, default=86400.0, help="stop starting scenes after this long"
    )
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--card-frac", type=float, default=0.5)
    p.add_argument("--portrait-frac", type=float, default=0.3)
    p.add_argument("--detail", type=float, default=1.0, help="fineness of meshes and textures")
    p.add_argument("--dense-frac", type=float, default=0.5, help="chance of a limb in full leaf")
    p.add_argument("--shuck-frac", type=float, default=0.35, help="chance of shuck split (peach)")
    p.add_argument(
        "--setting-frac", type=float, default=0.0, help="chance of other wood, wires, a sheet"
    )
    p.add_argument("--optix", action="store_true", help="use the driver's denoiser, if it works")
    for k in ("kind", "light", "zoom", "background"):
        p.add_argument(f"--{k}", default=None)
    return p.parse_args(argv)


def work(a: argparse.Namespace, worker: int, deadline: float) -> None:
    """Render every `workers`-th scene; the truth so far is on disk after each one."""
    import mitsuba as mi

    mi.set_variant(a.variant)
    mi.set_log_level(mi.LogLevel.Error)
    from .photo import Quality, views

    w, h = (int(x) for x in a.size.split("x"))
    opt = Options(
        (w, h),
        a.portrait_frac,
        a.card_frac,
        kind=a.kind,
        light=a.light,
        zoom=a.zoom,
        background=a.background,
        detail=a.detail,
        dense_frac=a.dense_frac,
        shuck_frac=a.shuck_frac,
        setting_frac=a.setting_frac,
    )
    q = Quality(a.spp, a.depth, a.optix and "cuda" in a.variant)
    part = a.out / f"truth_part{worker}.jsonl"
    last = 0.0
    with part.open("w") as fh:
        for i in range(worker, a.count, a.workers):
            t = time.time()
            if t + last > deadline:
                break
            seed = a.seed + i * max(1, a.views)
            try:
                for r in views(seed, opt, q, a.out, f"s{seed:07d}", a.views):
                    fh.write(json.dumps(r) + "\n")
            except Exception as err:
                print(f"scene {seed}: {type(err).__name__}: {err}", flush=True)
                if os.environ.get("FRUITCOUNT_RENDER_STRICT"):
                    raise
            fh.flush()
            last = time.time() - t
            if worker == 0:
                print(f"scene {seed} {last:.2f} s", flush=True)


def gather(out: Path) -> int:
    """Join the workers' records into ``truth.json``; returns how many photographs there are."""
    rows: list[dict[str, Any]] = []
    for part in sorted(out.glob("truth_part*.jsonl")):
        rows += [json.loads(x) for x in part.read_text().splitlines() if x.endswith("}")]
    rows.sort(key=lambda r: str(r["image"]))
    (out / "truth.json").write_text(json.dumps({"photos": rows}))
    for part in out.glob("truth_part*.jsonl"):
        part.unlink()
    return len(rows)


def main(argv: list[str] | None = None) -> None:
    """Entry point."""
    a = parse(argv)
    a.out.mkdir(parents=True, exist_ok=True)
    start = time.time()
    deadline = start + a.seconds
    if a.workers <= 1:
        work(a, 0, deadline)
    else:
        ctx = mp.get_context("spawn")
        jobs = [ctx.Process(target=work, args=(a, k, deadline)) for k in range(a.workers)]
        for j in jobs:
            j.start()
        for j in jobs:
            j.join(max(1.0, deadline - time.time() + 60))
            if j.is_alive():
                j.terminate()
    n = gather(a.out)
    print(f"{n} photographs in {time.time() - start:.1f} s")
