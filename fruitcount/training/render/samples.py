"""Render the bundled sample photographs, or others like them that are drawn by chance.

Run as ``python -m fruitcount.training.render.samples --out DIR [--drawn N --first K [--around]]``.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import os
import subprocess
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from .drawn import PREFIX, shot
from .shots import SHOTS, Shot

BYTES_3MP, BYTES_12MP = 690_000, 1_800_000


def parse(argv: list[str] | None = None) -> argparse.Namespace:
    """Command-line settings."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--variant", default="llvm_ad_rgb")
    p.add_argument("--spp", type=int, default=200)
    p.add_argument("--depth", type=int, default=8)
    p.add_argument(
        "--only", action="append", default=None, help="name of a sample; may be repeated"
    )
    p.add_argument(
        "--drawn", type=int, default=0, help="so many limbs drawn by chance instead of the samples"
    )
    p.add_argument("--first", type=int, default=0, help="number of the first drawn limb")
    p.add_argument("--around", action="store_true", help="each drawn limb from several sides")
    p.add_argument(
        "--frames", type=int, default=0, help="each drawn limb in so many steps of a walk"
    )
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--size-factor", type=float, default=1.0)
    p.add_argument("--optix", action="store_true", help="use the driver's denoiser, if it works")
    p.add_argument("--masks", action="store_true", help="write the wood and fruit masks too")
    p.add_argument(
        "--check", action="store_true", help="only look which rules a sample breaks; render nothing"
    )
    p.add_argument(
        "--readme", action="store_true", help="only write README.md from the truth.json in DIR"
    )
    return p.parse_args(argv)


def sample_record(s: Shot, sc: Any, ids: Any) -> dict[str, Any]:
    """Truth of one sample; fruit of other limbs are marked to be ignored."""
    from .photo import record

    rec = {
        "name": s.name,
        "title": s.title,
        "species": s.species,
        **record(sc, f"{s.name}.jpg", ids),
    }
    rec["fruit"] = [f if f["on_limb"] else {**f, "cls": "ignore"} for f in rec["fruit"]]
    return rec


def write_jpeg(pic: Any, path: Path, most: float) -> None:
    """Write a JPEG at the best quality from 92 down to 68 that needs at most `most` bytes."""
    import mitsuba as mi

    for quality in range(92, 66, -4):
        mi.Bitmap(pic).write(str(path), quality=quality)
        if path.stat().st_size <= most:
            return


def render_one(s: Shot, a: argparse.Namespace) -> list[str]:
    """Render one sample, write picture and truth; returns the rules it breaks."""
    from . import materials, photo, rules, truth
    from .staging import scaled, stage

    sc = scaled(stage(s), a.size_factor)
    if not a.check:
        rec, ids = write_one(s, sc, a)
        return rules.faults(s, sc, rec, ids)
    meshes = photo.make_meshes(sc, 1.0)
    world = materials.scene(
        {k: m for k, (m, _) in meshes.items()}, sc.cam, sc.light, spp=1, seed=0, depth=2
    )
    ids = truth.object_map(world, sc.cam, list(meshes.values()))
    return rules.faults(s, sc, sample_record(s, sc, ids), ids)


def render_around(s: Shot, a: argparse.Namespace) -> None:
    """Render a limb from several sides, or in the steps of a walk; a record tells which limb."""
    from .around import scenes_around, walk_past
    from .staging import scaled

    for name, sc in walk_past(s, a.frames) if a.frames else scenes_around(s):
        view = replace(s, name=f"{s.name}_{name}")
        write_one(view, scaled(sc, a.size_factor), a, scene=s.name, view=name, fruit_n=s.fruit)


def write_one(s: Shot, sc: Any, a: argparse.Namespace, **more: Any) -> tuple[dict[str, Any], Any]:
    """Render and write one picture; returns its truth, with `more` in it, and object numbers."""
    import numpy as np

    from . import photo
    from .camera import develop

    meshes = photo.make_meshes(sc, 1.0 if a.size_factor < 0.5 else 1.3)
    denoise = a.optix and "cuda" in a.variant
    spp = max(4, round(a.spp * s.spp_factor))
    rad, ids = photo.shoot(sc, meshes, photo.Quality(spp, a.depth, denoise))
    rng = np.random.default_rng([s.seed, 77])
    clean = 0.0 if denoise else min(8.0, 3.0 * (200 / spp) ** 0.5)
    pic = develop(
        rad,
        rng,
        metering=float(np.exp(rng.normal(0.15, 0.1))),
        noise=0.002,
        sharpen=0.35,
        soften=0.4,
        clean=clean,
    )
    write_jpeg(
        pic,
        a.out / f"{s.name}.jpg",
        (BYTES_12MP if max(s.size) > 3000 else BYTES_3MP) * max(a.size_factor**2, 0.05),
    )
    if a.masks:
        photo.write_masks(ids, a.out, s.name)
    rec = {**sample_record(s, sc, ids), **more}
    (a.out / f"{s.name}.truth.json").write_text(json.dumps(rec))
    return rec, ids


def work(a: argparse.Namespace, queue: Any, gpu: int | None) -> None:
    """Take names from the queue until it is empty; a failing sample does not stop the others."""
    if gpu is not None:
        os.environ["CUDA_VISIBLE_DEVICES"] = str(gpu)
    import mitsuba as mi

    mi.set_variant(a.variant)
    mi.set_log_level(mi.LogLevel.Error)
    while True:
        name = queue.get()
        if name is None:
            return
        start = time.time()
        try:
            if a.around or a.frames:
                render_around(shot(name), a)
                said = "done"
            else:
                said = "; ".join(render_one(shot(name), a)) or "sound"
        except Exception as err:
            said = f"FAILED {type(err).__name__}: {err}"
            if os.environ.get("FRUITCOUNT_RENDER_STRICT"):
                raise
        print(f"{name} {time.time() - start:.1f} s: {said}", flush=True)


def gpus() -> list[int]:
    """Numbers of the graphics cards, by CUDA_VISIBLE_DEVICES or the driver's own list."""
    set_ = os.environ.get("CUDA_VISIBLE_DEVICES")
    if set_:
        return [int(x) for x in set_.split(",")]
    try:
        said = subprocess.run(
            ["nvidia-smi", "-L"], capture_output=True, text=True, check=True
        ).stdout
    except (OSError, subprocess.CalledProcessError):
        return []
    return list(range(sum(line.startswith("GPU ") for line in said.splitlines())))


def gather(out: Path) -> int:
    """Join the records of rendered photographs into ``truth.json``; returns how many there are."""
    rows = []
    for part in sorted(out.glob("*.truth.json")):
        rows.append(json.loads(part.read_text()))
        part.unlink()
    whole = out / "truth.json"
    if whole.exists():  # keep the samples that were not rendered this time
        new = {r["name"] for r in rows}
        rows += [r for r in json.loads(whole.read_text())["photos"] if r["name"] not in new]
    order = {s.name: i for i, s in enumerate(SHOTS)}
    rows.sort(key=lambda r: (order.get(r["name"], 99), r["name"]))
    whole.write_text('{"photos": [\n' + ",\n".join(json.dumps(r) for r in rows) + "\n]}\n")
    return len(rows)


def _names(a: argparse.Namespace) -> list[str]:
    """What to render, the longest work first."""
    if a.drawn:
        return [f"{PREFIX}{a.first + k}" for k in range(a.drawn)]
    return [
        s.name
        for s in sorted(SHOTS, key=lambda s: -s.size[0] * s.size[1] * s.spp_factor)
        if a.only is None or s.name in a.only
    ]


def main(argv: list[str] | None = None) -> None:
    """Entry point."""
    a = parse(argv)
    a.out.mkdir(parents=True, exist_ok=True)
    if not a.readme:
        _share(a, _names(a))
        if a.check:
            return
        print(f"{gather(a.out)} samples in truth.json")
    if not a.drawn:
        from .sample_list import write_readme

        write_readme(a.out)


def _share(a: argparse.Namespace, names: list[str]) -> None:
    """Hand the names to the workers, graphics cards taken in turn."""
    ctx = mp.get_context("spawn")
    queue = ctx.Queue()
    count = max(1, min(a.workers, len(names)))
    for n in [*names, *[None] * count]:
        queue.put(n)
    cards = gpus() if "cuda" in a.variant else []
    jobs = [
        ctx.Process(target=work, args=(a, queue, cards[k % len(cards)] if cards else None))
        for k in range(count)
    ]
    for j in jobs:
        j.start()
    for j in jobs:
        j.join()


if __name__ == "__main__":
    main()
