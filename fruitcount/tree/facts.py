"""What the keeper knows of a tree, its limbs and what it should bear, typed or from CSV sheets."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from fruitcount.errors import BadInputError, in_range, positive
from fruitcount.files import number_in, sheet_lines
from fruitcount.tree.both_sides import BothSides
from fruitcount.tree.estimate import csa_cm2
from fruitcount.tree.sampling import Walk, fork_chances

_SIDES = ("front", "back", "both")
MOST_LIMBS, MOST_FRUIT = 500, 100_000
"""More are a slip of the pen: our choice, far over any tree."""


@dataclass(frozen=True)
class LimbSize:
    """Measured by hand: thickness at the base and length; NaN where not.

    ``group`` names limbs that are alike (top, bottom; sunny, shaded); empty where not told.
    """

    base_diameter_mm: float = math.nan
    length_mm: float = math.nan
    group: str = ""


@dataclass(frozen=True)
class TreeFacts:
    """What the keeper knows of a tree and wants from it.

    Attributes
    ----------
    species : str
    ripening_month : int or None
    southern : bool
    age_years : int or None
        With the trunk: reads the published table, where the species has one.
    trunk_circumference_mm : float or None
        About 20 cm above ground.
    crates_n, crate_kg : float or None
        Crates wanted from this tree, and fruit in a full one. They lead where given.
    spacing_mm : float or None
        The keeper's own spacing; the species' range otherwise.
    harvest_diameter_mm : float or None
        Ripe size wanted; sets the weight of one fruit.
    pace_n_per_min : float or None
        Fruit taken off in a minute, the keeper's own.
    limbs_n : int or None
        Limbs on the tree, where their sizes are not known.
    limb_sizes : mapping
        Limb name to its size, for every limb, photographed or not.
    seen_true : tuple of (seen, true)
        Limbs counted on the photo and by hand.
    hand_limbs : mapping
        Limb name to its count by hand, where it is known which limb that was. It is printed as it
        is, and so is one whose photo's count is told and is that of one limb alone.
    both_sides : tuple of BothSides
        Limbs seen from the front and the back. Used only where ``seen_true`` is empty.
    remarks : tuple of str
        What the answer has to say of these facts besides, such as one that could not be used.
    plan_choice : {"quick", "full"} or None
        For every limb; by default what its photo was counted with.
    by_group : bool
        Estimate by the groups of ``limb_sizes``, each limb standing for those of its group. By
        default limbs stand for others by their cross-section.
    walks : tuple of Walk
        Random walks from the trunk to a tip, counted by hand. Where given, they tell the total.
    """

    species: str = "peach"
    ripening_month: int | None = None
    southern: bool = False
    age_years: int | None = None
    trunk_circumference_mm: float | None = None
    crates_n: float | None = None
    crate_kg: float | None = None
    spacing_mm: float | None = None
    harvest_diameter_mm: float | None = None
    pace_n_per_min: float | None = None
    limbs_n: int | None = None
    limb_sizes: Mapping[str, LimbSize] = field(default_factory=dict)
    seen_true: tuple[tuple[float, float], ...] = ()
    hand_limbs: Mapping[str, float] = field(default_factory=dict)
    both_sides: tuple[BothSides, ...] = ()
    remarks: tuple[str, ...] = ()
    plan_choice: str | None = None
    by_group: bool = False
    walks: tuple[Walk, ...] = ()

    def __post_init__(self) -> None:
        for name in ("trunk_circumference_mm", "crate_kg", "spacing_mm", "pace_n_per_min"):
            if getattr(self, name) is not None:
                positive(name, getattr(self, name))
        for name, most in (("crates_n", 10_000), ("crate_kg", 1000)):
            if getattr(self, name) is not None:
                in_range(name, getattr(self, name), 0, most)
        if self.limbs_n is not None and not 1 <= self.limbs_n <= MOST_LIMBS:
            raise BadInputError(
                f"limbs must be from 1 to {MOST_LIMBS} (main limbs, not shoots), got {self.limbs_n}"
            )
        for pair in self.seen_true:
            for number in pair:
                in_range("a count by hand or on its photo", number, 0, MOST_FRUIT)
        if (self.crates_n is None) != (self.crate_kg is None):
            raise BadInputError("crates need both their number and the kg that one holds")


@dataclass(frozen=True)
class SizedLimb:
    """One limb with what was counted on it, and that count's own range: NaN where not known."""

    name: str
    size: LimbSize
    count_n: float = math.nan
    low_n: float = math.nan
    high_n: float = math.nan


def read_limb_sizes(path: str | Path, tree: str) -> dict[str, LimbSize]:
    """Sizes of one tree's limbs from a CSV sheet.

    Parameters
    ----------
    path : str or Path
        Columns ``limb`` and ``base_diameter_mm``; ``tree``, ``length_mm`` and ``group`` if
        wanted.
    tree : str
        Rows of other trees are passed over; a sheet without that column is this tree's.

    Raises
    ------
    BadInputError
        When a column is missing, a number cannot be read, or a limb comes twice.
    """
    out: dict[str, LimbSize] = {}
    for where, row in _limb_lines(path, tree, ("base_diameter_mm",)):
        numbers = [
            in_range(f"{where}: {name}", _number(row[name], name, where), 1, most)
            if row.get(name)
            else math.nan
            for name, most in (("base_diameter_mm", 1000), ("length_mm", 20_000))
        ]
        out[row["limb"]] = LimbSize(numbers[0], numbers[1], row.get("group", ""))
    if not out:
        raise BadInputError(f"{path}: the sheet must have limbs of tree {tree!r}, found none")
    return out


def _limb_lines(
    path: str | Path, tree: str, columns: tuple[str, ...]
) -> Iterator[tuple[str, dict[str, str]]]:
    """One tree's lines of a sheet, each of another limb, with where each stands."""
    seen = set()
    for where, row in sheet_lines(path, ("limb", *columns)):
        if row.get("tree", tree) != tree:
            continue
        if row["limb"] in seen:
            raise BadInputError(f"{where}: limb {row['limb']!r} comes twice")
        seen.add(row["limb"])
        yield where, row


def read_hand_counts(path: str | Path) -> tuple[tuple[tuple[float, float], ...], dict[str, float]]:
    """Pairs of fruit seen on the photo and counted by hand, and limb names to the latter.

    Columns ``seen``, ``true`` and, if wanted, ``limb``.
    """
    out, limbs = [], dict[str, float]()
    for where, row in sheet_lines(path, ("seen", "true")):
        seen, true = (_counted(row[name], name, where) for name in ("seen", "true"))
        if seen > 2 * true + 5:  # leaves are taken for fruit now and then, never so many
            raise BadInputError(
                f"{where}: {seen:g} seen and {true:g} by hand cannot be of one limb: were the "
                "columns changed over?"
            )
        out.append((seen, true))
        if (limb := row.get("limb")) and limbs.setdefault(limb, true) is not true:
            raise BadInputError(f"{where}: limb {limb!r} comes twice")
    if not any(seen for seen, _ in out):
        raise BadInputError(f"{path}: the sheet must have fruit seen on a photo, found none")
    return tuple(out), limbs


def read_both_sides(path: str | Path, tree: str) -> tuple[BothSides, ...]:
    """Limbs seen from the front and the back, from a CSV sheet.

    Parameters
    ----------
    path : str or Path
        Columns ``limb``, ``front``, ``back`` (fruit seen from each side) and ``both`` (recognised
        as the same fruit in both); ``tree`` if wanted.
    tree : str
        Rows of other trees are passed over; a sheet without that column is this tree's.

    Raises
    ------
    BadInputError
        When a column is missing, a count is no whole number of 0 to 100,000, ``both`` is more
        than the smaller side, a limb has no name or comes twice, or no fruit was seen.
    """
    out = []
    for where, row in _limb_lines(path, tree, _SIDES):
        if not row["limb"]:
            raise BadInputError(f"{where}: limb must have a name, got ''")
        front, back, both = (_whole(row[name], name, where) for name in _SIDES)
        try:
            out.append(BothSides(row["limb"], front, back, both))
        except BadInputError as error:
            raise BadInputError(f"{where}: {error}") from error
    if not any(x.front_n + x.back_n for x in out):
        raise BadInputError(f"{path}: the sheet must have fruit seen on tree {tree!r}, found none")
    return tuple(out)


def read_walks(path: str | Path) -> tuple[Walk, ...]:
    """Random walks from the trunk to a tip, one row a segment, the trunk first.

    Parameters
    ----------
    path : str or Path
        Columns ``walk`` (its number or name), ``fruit`` (on that segment) and either ``chance``
        (with which the segment was taken at its own fork, not along the way; over 0, up to 1;
        empty for the trunk only) or
        ``diameter_mm`` and ``fork_mm`` (the diameters of all branches at its fork, this one
        included, with spaces between): the chance is then by cross-section.

    Raises
    ------
    BadInputError
        When a column is missing, a number cannot be read, or a branch is none of its fork.
    """
    walks: dict[str, list[tuple[float, float]]] = {}
    for where, row in sheet_lines(path, ("walk", "fruit")):
        fruit = _counted(row["fruit"], "fruit", where)
        segments = walks.setdefault(row["walk"], [])
        segments.append((fruit, _chance(row, where, trunk=not segments)))
    for name, segments in walks.items():
        if math.prod(chance for _, chance in segments) < 1e-6:
            raise BadInputError(
                f"{path}: walk {name!r} ends where not one walk in a million would: check its "
                "chances, each is that of its own fork"
            )
    return tuple(Walk(*zip(*segments, strict=True)) for segments in walks.values())


def _chance(row: dict[str, str], where: str, *, trunk: bool) -> float:
    if row.get("chance"):
        name, chance = f"{where}: chance", _number(row["chance"], "chance", where)
        return in_range(name, positive(name, chance), 0, 1)
    if not row.get("fork_mm"):
        if trunk:
            return 1.0
        raise BadInputError(
            f"{where}: each piece after the trunk needs a chance (that of its own fork, "
            "not along the way), or diameter_mm with fork_mm; got none"
        )
    here = _number(row.get("diameter_mm", ""), "diameter_mm", where)
    fork = [_number(cell, "fork_mm", where) for cell in row["fork_mm"].split()]
    if here not in fork:
        raise BadInputError(f"{where}: diameter_mm must be one of fork_mm {fork}, got {here:g}")
    return float(fork_chances(csa_cm2(fork))[fork.index(here)])


def _number(cell: str, name: str, where: str) -> float:
    try:
        return number_in(cell)
    except ValueError as error:
        raise BadInputError(f"{where}: {name} must be a number, got {cell!r}") from error


def _counted(cell: str, name: str, where: str) -> float:
    """A number of fruit, or the mean of a few counts of them."""
    number = in_range(f"{where}: {name}", _number(cell, name, where), 0, MOST_FRUIT)
    if re.search(r"[.,]\d{3}$", cell):
        raise BadInputError(f"{where}: {name} must be without a sign for thousands, got {cell!r}")
    return number


def _whole(cell: str, name: str, where: str) -> int:
    number = _counted(cell, name, where)
    if number != int(number):
        raise BadInputError(f"{where}: {name} must be a whole number, got {cell!r}")
    return int(number)
