"""Photos of one tree: kept, then counted by worker processes, one result at a time."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import screen_cache as cache
import screen_engine as engine
from screen_photos import preview_jpeg
from screen_wide import count_with_wide
from tree_lessons import batch_settings, follow_tuning

from fruitcount.errors import FruitcountError
from fruitcount.measurement_record import measurement_from_dict
from fruitcount.store.limbs import load_tuning
from fruitcount.store.photo_record import load_record
from fruitcount.tree.assignment import Assigned, place_by_name
from fruitcount.tree.photos import count_photo, file_hash
from fruitcount.tree.run import Progress, run_batch

_PATTERNS = [
    pattern.replace("_", sep)
    for pattern in ("{limb}_{side}_{moment}", "{limb}_{moment}_{side}", "{limb}_{side}",
                    "{limb}_{moment}")
    for sep in ("_", "-", " ")
]  # fmt: skip


def told_by_name(name: str) -> Assigned:
    """Limb, side and moment where the file's name tells them, as ``3_front`` or ``low-after``."""
    for pattern in _PATTERNS:
        place = place_by_name(name, pattern)
        if place.limb:
            return place
    return Assigned()


def keep_photos(photos: Iterable[tuple[str, bytes | FruitcountError]], tree_id: int) -> list[str]:
    """Keep photos in the records; what is wrong with the others, in words."""
    records, bad = cache.records(), []
    here = {line.key: line.name for line in records.photos(tree_id)}
    for name, data in photos:
        if isinstance(data, FruitcountError):
            bad.append(str(data))
            continue
        key = records.add_photo(data, name)
        if key in here:
            bad.append(f"{name} is here already, as {here[key]}: it is counted once.")
            continue
        here[key] = name
        records.put_in_tree(key, tree_id)
        place = told_by_name(name)
        if place.limb:
            records.put_on_limb(key, place.limb, place.side, place.moment)
    return bad


def _place_by_code(key: str, body: Mapping[str, Any]) -> None:
    """Put a photo on the limb that the code on its scale card names, where nothing else did."""
    records, limb = cache.records(), str(body.get("code_limb") or "")
    place = load_record(records.store, records.number(key))
    of_this = body.get("code_tree") in ("", None, engine.tree_names(records).get(place.tree_id))
    if limb and of_this and place.tree_id is not None and place.limb_id is None:
        records.put_on_limb(key, limb, place.side, place.moment)


def _in_words(name: str, path: Path, problem: str) -> str:
    """What is wrong with a photo, under the name that its owner gave it."""
    told = problem.removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
    return f"{name}: {told.partition(' (cannot identify')[0]}. It was not kept."


def _keep_count(key: str, name: str, measured: dict[str, Any]) -> None:
    records = cache.records()
    records.keep_seen(key, replace(measurement_from_dict(measured), name=name, sha256=key))
    cache.keep_decided(key)
    tree_id = records.tree_of(key)
    if tree_id is not None:
        follow_tuning(key, tree_id)
    with suppress(FruitcountError):
        preview_jpeg(records.path(key), 320)


def count_kept(
    photos: dict[str, str], tell: Callable[[Progress], None], workers: int | None = None
) -> list[str]:
    """Count kept photos that have no result yet.

    Parameters
    ----------
    photos : dict
        Key of each photo to its name.
    tell : callable
        Told after each photo how far it is.
    workers : int, optional
        Processes; by default :func:`tree_lessons.workers_for`.

    Returns
    -------
    list of str
        What is wrong with those that could not be read; they are not kept.
    """
    records = cache.records()
    paths = {key: records.path(key) for key in photos}
    hashes = {file_hash(path): key for key, path in paths.items()}
    bad: list[str] = []

    def take(sha256: str, body: dict[str, Any]) -> None:
        key = hashes[sha256]
        if body["ok"]:
            _place_by_code(key, body)
            _keep_count(key, photos[key], body["measurement"])
        else:
            bad.append(_in_words(photos[key], records.path(key), body["problem"]))
            records.forget(key)

    how = batch_settings(len(photos), workers)
    files: list[str | Path] = list(paths.values())
    learned = any(_tuned(key) for key in photos)
    work = count_with_wide if learned else partial(count_photo, with_measurement=True)
    run_batch(files, work, take=take, settings=how, progress=tell)
    return bad


def _tuned(key: str) -> bool:
    """Whether what its tree's corrections taught is in force for a photo."""
    tree_id = cache.records().tree_of(key)
    return tree_id is not None and load_tuning(cache.records().store, tree_id) is not None


def progress_words(now: Progress) -> str:
    """For the progress bar."""
    words = f"{now.done_n} of {now.total_n} photos"
    if math.isnan(now.left_s) or now.done_n == now.total_n:
        return words
    left = f"{now.left_s:.0f} s" if now.left_s < 90 else f"{now.left_s / 60:.0f} min"
    return f"{words}, about {left} left"
