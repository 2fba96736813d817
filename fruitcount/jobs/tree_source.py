"""Counted photos and what is known of their trees, from a table or from the records."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from fruitcount.corrections.apply import corrected
from fruitcount.errors import BadInputError
from fruitcount.image.opencv import cv2
from fruitcount.jobs.kept_answers import KeptAnswers
from fruitcount.season.orchard import OrchardTree
from fruitcount.season.queue import ripening_month, species_of
from fruitcount.store.base import Store
from fruitcount.store.limbs import hand_limbs, load_hand_counts, load_limbs, load_side_counts
from fruitcount.store.orchard import load_trees, tree_numbers
from fruitcount.store.photo_record import PhotoLine, PhotoRecord, list_photos, load_records
from fruitcount.store.photos import file_of, small_copy
from fruitcount.tree.both_sides import side_pairs, told_pairs
from fruitcount.tree.checkpoint import counted_in, measurement_in, measurement_of
from fruitcount.tree.facts import LimbSize, TreeFacts
from fruitcount.tree.folder import read_rows
from fruitcount.tree.photos import look_hash
from fruitcount.types import Measurement
from fruitcount.units import season_year
from fruitcount.views import joined_pair, joined_sides

# long side of the copies by which two photos are told to be one picture
SMALL_PX = 320


@dataclass(frozen=True)
class TreeSource:
    """Counted photos and what is known of their trees.

    Attributes
    ----------
    rows : tuple of dict
        One a photo; see :func:`fruitcount.tree.photos.result_row`.
    facts : mapping
        Tree name to what the records know of it; empty for a table.
    folder : Path or None
        Where the photos' measurements lie, and pictures of them.
    photos : Path or None
        The folder that was counted, to draw the pictures anew.
    answers : KeptAnswers or None
        What the limbs' own plans came to before.
    remarks : tuple of str
        What there is to say of the table itself.
    """

    rows: tuple[dict[str, Any], ...]
    facts: Mapping[str, TreeFacts]
    folder: Path | None = None
    photos: Path | None = None
    answers: KeptAnswers | None = None
    remarks: tuple[str, ...] = ()

    def measured(self, row: Mapping[str, Any]) -> Measurement | None:
        """A row's photo as measured, or as corrected by hand; None where it is not known."""
        if self.folder is not None:
            return measurement_of(self.folder, row)
        return measurement_in(row)

    def known(self, tree: str) -> TreeFacts:
        """What is known of a tree, with the fruit on both sides of a limb read off its photos."""
        facts = self.facts.get(tree, TreeFacts())
        told = {limb.limb for limb in facts.both_sides}
        rows = [{**r, "photo_id": k} for k, r in enumerate(self.rows) if r.get("tree") == tree]
        pairs = [pair for pair in side_pairs(rows, {}) if pair.limb not in told]
        sides, words = joined_sides(
            {pair: joined_pair(pair, lambda k: self.measured(self.rows[k])) for pair in pairs}
        )
        remarks = facts.remarks + words + self.remarks
        return replace(facts, both_sides=facts.both_sides + sides, remarks=remarks)

    def photo(self, row: Mapping[str, Any]) -> Path | None:
        """A row's photo file, where it is there."""
        path = row.get("photo") if self.photos is None else self.photos / str(row["file"])
        return Path(path) if path is not None and Path(path).is_file() else None


def table_source(table: str | Path, *, photos: Path | None = None) -> TreeSource:
    """Read ``photos.csv`` of ``fruitcount folder``, or the folder that it is in.

    Parameters
    ----------
    table : str or Path
        The measurements that lie beside it tell where to cut.
    photos : Path, optional
        The folder that was counted: each limb's picture is then drawn with its share.
    """
    path = Path(table)
    path = path / "photos.csv" if path.is_dir() else path
    rows = tuple(read_rows(path))
    lost = len(counted_in(path.parent) - {row["sha256"] for row in rows})
    told = f"{path.name} lacks {lost} of the photos counted with it: was it cut short?"
    return TreeSource(rows, {}, path.parent, photos, remarks=(told,) * bool(lost))


def records_source(
    store: Store, *, year: int | None = None, day: date | None = None, newest: bool = False
) -> TreeSource:
    """All trees of the records with their photos' last counts, corrections included.

    Parameters
    ----------
    store : Store
    year : int, optional
        Photos of other seasons are left out: the same limb bears anew every year.
    day : date, optional
        Without a year, each tree's season is the one that this day lies in; default today.
    newest : bool
        True takes, for a tree without photos of that season, those of its newest one before.
    """
    rows: list[dict[str, Any]] = []
    facts = {}
    day = day or date.today()
    photos: dict[int | None, list[PhotoLine]] = {}
    for photo in list_photos(store):
        photos.setdefault(photo.tree_id, []).append(photo)
    numbers, asked = tree_numbers(store), []
    for tree in load_trees(store, year=year, day=day):
        season = season_year(day, southern=tree.southern) if year is None else year
        mine = _of_season(photos.get(numbers.get(tree.name), []), tree, season, newest=newest)
        asked.append((tree, season, mine))
    read = iter(load_records(store, [photo for _, _, mine in asked for photo in mine]))
    for tree, season, mine in asked:
        tree_id = numbers.get(tree.name)
        if tree_id is None:
            continue
        counts = [c for c in load_hand_counts(store, year=season) if c.tree_id in (None, tree_id)]
        shown = [_record_row(store, next(read), tree.name) for _ in mine]
        sides, remarks = told_pairs(side_pairs(shown, load_side_counts(store, tree_id)))
        facts[tree.name] = replace(
            facts_of(tree, year=season, photos=mine),
            limb_sizes=sized_limbs(store, tree_id),
            seen_true=tuple((c.seen_n, c.true_n) for c in counts),
            hand_limbs=hand_limbs(counts),
            both_sides=sides,
            remarks=remarks,
        )
        rows += shown
    # cameras give names twice; two photos must not become one limb for that
    often = Counter(row["file"] for row in rows)
    for row in rows:
        if often[row["file"]] > 1:
            row["file"] += f" (photo {row['photo_id']})"
    return TreeSource(tuple(rows), facts, answers=answers_beside(store))


def sized_limbs(store: Store, tree_id: int) -> dict[str, LimbSize]:
    """Limbs of a tree whose thickness is in the records, photographed or not.

    A limb that has only a name, of another season or given up since, is not counted as one that
    nobody has seen yet.
    """
    return {
        limb.name: LimbSize(limb.base_diameter_mm, limb.length_mm or math.nan)
        for limb in load_limbs(store, tree_id)
        if limb.base_diameter_mm
    }


def answers_beside(store: Store) -> KeptAnswers:
    """What limbs of these records came to before."""
    folder = store.photos_folder
    return KeptAnswers(folder.with_name(f"{folder.name}-answers.json"))


def _of_season(
    photos: list[PhotoLine], tree: OrchardTree, year: int, *, newest: bool
) -> list[PhotoLine]:
    years = [season_year(photo.taken_on, southern=tree.southern) for photo in photos]
    earlier = [y for y in years if y <= year]
    wanted = max(earlier) if newest and earlier else year
    return [photo for photo, of in zip(photos, years, strict=True) if of == wanted]


def facts_of(tree: OrchardTree, *, year: int, photos: Sequence[PhotoLine] = ()) -> TreeFacts:
    """What a list of trees, and the answers given for its photos, tell of a tree in that year.

    The trunk counts only with the tree's age, where a table for the species is published.
    """
    said = [(p.inputs.get("species"), p.inputs.get("harvest_diameter_mm")) for p in photos]
    species = tree.species or next((str(name) for name, _ in said if name), "peach")
    known = species_of(replace(tree, species=species))
    by_trunk = tree.planted_year and known and known.trunk_rows
    return TreeFacts(
        species=species,
        ripening_month=ripening_month(tree),
        southern=tree.southern,
        age_years=max(year - tree.planted_year, 2) if tree.planted_year else None,
        trunk_circumference_mm=tree.trunk_circumference_mm if by_trunk else None,
        harvest_diameter_mm=next((size for _, size in said if size), None),
    )


def photo_row(photo: PhotoLine, tree: str) -> dict[str, Any]:
    """A kept photo with its last count, as :func:`plan_tree` takes it."""
    told = photo.numbers
    if told.get("verdict") == "cannot tell" and not told.get("count_n"):
        told = {}  # nothing was seen on a poor photo: that is not a limb without fruit
    numbers = ("count_n", "count_low_n", "count_high_n", "keep_n", "plan_choice")
    base = photo.inputs.get("base_diameter_mm") or photo.numbers.get("base_diameter_mm")
    return {
        "file": photo.name or photo.key[:8],
        "tree": tree,
        "limb": photo.limb,
        "side": photo.side,
        "moment": photo.moment,
        "ok": told.get("count_n") is not None,
        **{name: told.get(name) for name in numbers},
        "base_diameter_mm": base,
        "length_mm": photo.numbers.get("length_mm") or None,
        "photo_id": photo.number,
        "on": photo.taken_on,
    }


def record_rows(store: Store, photos: Sequence[PhotoLine], tree: str) -> list[dict[str, Any]]:
    """Kept photos with their last count and, to plan them, what was measured and corrected."""
    return [_record_row(store, record, tree) for record in load_records(store, photos)]


def _record_row(store: Store, record: PhotoRecord, tree: str) -> dict[str, Any]:
    photo = file_of(store, record.key, record.suffix)
    row = {**photo_row(record, tree), "photo": photo, "look": look_of(photo)}
    if record.measured:
        row["measurement"] = partial(_corrected, record, row["photo"])
        row["state"] = sha256(
            repr((record.measured, record.edits, record.inputs, row["photo"].is_file())).encode()
        ).hexdigest()
    return row


def look_of(photo: Path) -> str:
    """Hash of a kept photo's looks, from its small copy; empty before the screen has shown it."""
    small = small_copy(photo, SMALL_PX)
    with suppress(OSError, cv2.error):
        # a quarter of its size is enough for the hash, and quickly read
        data = np.frombuffer(small.read_bytes(), np.uint8)
        grey = cv2.imdecode(data, cv2.IMREAD_REDUCED_GRAYSCALE_4)
        return "" if grey is None else look_hash(grey.astype(np.uint8, copy=False))
    return ""


def _corrected(record: PhotoRecord, photo: Path) -> Measurement | None:
    """A recorded photo as corrected, with its caliper readings; worked out only when asked for."""
    if record.measurement is None:
        return None
    return corrected(record.measurement, record.edits, photo, record.inputs)


def tree_names(source: TreeSource) -> list[str]:
    """Trees that have photos, in the order they come."""
    return list(dict.fromkeys(str(r.get("tree") or "") for r in source.rows))


def tree_of(source: TreeSource, asked: str | None) -> str:
    """The tree asked for, or the only one there is.

    Raises
    ------
    BadInputError
        When there are several and none was named, or the named one has no photos.
    """
    names = tree_names(source)
    if asked is not None and asked in names:
        return asked
    if asked is None and len(names) == 1:
        return names[0]
    got = "" if asked is None else f", got {asked!r}"
    raise BadInputError(f"tree must be one of {', '.join(names) or '(none)'}{got}")
