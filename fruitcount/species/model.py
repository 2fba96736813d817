"""What a species file holds, how it is read and checked, and what its sizes say of the date.

Read by hand: kinds of values, which a library would check, are the smallest part of it; cattrs
takes 0.06 s to import, pydantic 0.11 s.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any

from fruitcount.errors import BadInputError, SpeciesError, broken_as, one_of

STATUSES = ("published", "derived", "memory", "common practice, no source", "our choice")
"""``published``: read in the named page or in a named reprint of it. ``derived``: arithmetic on
published figures. ``memory``: believed, not looked up. The last two explain themselves."""


@dataclass(frozen=True)
class Sourced:
    """A number (or a low and a high) with its source.

    Attributes
    ----------
    value : float or tuple of float
        In the unit that the field's name ends with.
    source : str
        Where the number was read, or why it was chosen.
    status : str
        One of :data:`STATUSES`.
    """

    value: float | tuple[float, ...]
    source: str
    status: str

    def __post_init__(self) -> None:
        ends = isinstance(self.value, list | tuple)
        value = tuple(map(float, self.value)) if ends else float(self.value)  # type: ignore[arg-type]
        object.__setattr__(self, "value", value)
        one_of("status", self.status, STATUSES)
        if not self.source.strip():
            raise BadInputError("source must not be empty")

    @property
    def said(self) -> str:
        """Source and status, as they stand beside a number."""
        return f"{self.source} ({self.status})"

    @property
    def number(self) -> float:
        """The value as one float.

        Raises
        ------
        SpeciesError
            When the value is a range.
        """
        if isinstance(self.value, tuple):
            raise SpeciesError(f"one number is wanted here, got the range {self.value!r}")
        return self.value

    @property
    def low(self) -> float:
        """Lower end of a range, or the number itself."""
        return self.value[0] if isinstance(self.value, tuple) else self.value

    @property
    def high(self) -> float:
        """Upper end of a range, or the number itself."""
        return self.value[-1] if isinstance(self.value, tuple) else self.value

    @property
    def middle(self) -> float:
        """Mean of the two ends."""
        return (self.low + self.high) / 2

    @property
    def known(self) -> bool:
        """Whether there is a number at all (spacing of a species not thinned is NaN)."""
        return math.isfinite(self.low) and math.isfinite(self.high)


UNKNOWN = Sourced(math.nan, "no figure was found", "published")
"""A number that a species file may leave out."""


@dataclass(frozen=True)
class TrunkRow:
    """Fruit per cm of trunk circumference, for one age and season.

    ``age_years`` is the youngest age that the row is for; ``season`` is ``"all"``, ``"early"``,
    ``"mid"`` or ``"late"``; ``low_per_cm`` and ``high_per_cm`` may be equal.
    """

    age_years: int
    season: str
    low_per_cm: float
    high_per_cm: float


@dataclass(frozen=True)
class SizeCode:
    """A trade size code and the smallest diameter that earns it."""

    code: str
    from_mm: float


@dataclass(frozen=True)
class Species:
    """All that the tool knows about one kind of fruit.

    Attributes
    ----------
    name, title : str
        Name used in commands, and name used in sentences.
    thinned : bool
        False: the fruit is left alone, whatever the count.
    thinned_source, cluster_rule : str
        Who says so; and how many of a cluster stay, in words.
    spacing_low_mm, spacing_centre_mm, spacing_high_mm : Sourced
        Length of fruiting wood per final fruit. Low keeps more fruit, high keeps fewer.
    first_pass_spacing_mm : Sourced
        Length of wood per fruit that a first pass leaves.
    heavy_set_spacing_mm : Sourced
        Only where a species is thinned for a very heavy set alone: fruit closer than this on
        average are very heavy, and come down to it. Not known for the others.
    harvest_diameter_mm, harvest_diameter_range_mm : Sourced
        Ripe diameter when the grower does not say.
    fruit_density_g_per_cm3 : Sourced
        Of the sphere of the fruit's diameter (so it holds the shape too).
    thinning_size_mm, thinning_latest_mm : Sourced
        Green diameter at which thinning is done, and from which it is late.
    green_mor_mpa, green_moe_mpa, live_branch_moe_mpa : Sourced
        Bending strength and stiffness of green clear wood; stiffness of live branches in bark.
    bark_circle_frac, bark_circle_se_frac : Sourced
        Share of clear-wood strength reached by a branch measured as a circle over bark, and its
        standard error.
    wood_density_kg_per_m3 : Sourced
        Of the living limb.
    natural_drop_frac : Sourced
        Share of set fruit still to fall, low and high.
    cluster_size, pair_cluster_size : Sourced
        Usual cluster sizes; smallest cluster in which two may stay where the grower allows pairs.
    second_pass_days : Sourced
        From first to second pass.
    ripening_months : dict
        ``early``, ``mid``, ``late`` to months (northern hemisphere).
    thinning_days, harvest_days : Sourced
        Days from full bloom to thinning and to harvest; not known for most species.
    trunk_rows : tuple of TrunkRow
        Empty where no table was found.
    size_codes : tuple of SizeCode
        Largest first; empty where none was read.
    reference_counts : tuple of (green, average, good, excellent)
        Prune fruit per lb: green at reference date to dry at harvest.
    tables_source : dict
        Source and status of each table that is present.
    """

    name: str
    title: str
    thinned: bool
    thinned_source: str
    cluster_rule: str
    spacing_low_mm: Sourced
    spacing_centre_mm: Sourced
    spacing_high_mm: Sourced
    first_pass_spacing_mm: Sourced
    harvest_diameter_mm: Sourced
    harvest_diameter_range_mm: Sourced
    fruit_density_g_per_cm3: Sourced
    thinning_size_mm: Sourced
    thinning_latest_mm: Sourced
    green_mor_mpa: Sourced
    green_moe_mpa: Sourced
    live_branch_moe_mpa: Sourced
    bark_circle_frac: Sourced
    bark_circle_se_frac: Sourced
    wood_density_kg_per_m3: Sourced
    natural_drop_frac: Sourced
    cluster_size: Sourced
    pair_cluster_size: Sourced
    second_pass_days: Sourced
    ripening_months: dict[str, tuple[int, ...]]
    heavy_set_spacing_mm: Sourced = UNKNOWN
    thinning_days: Sourced = UNKNOWN
    harvest_days: Sourced = UNKNOWN
    trunk_rows: tuple[TrunkRow, ...] = ()
    size_codes: tuple[SizeCode, ...] = ()
    reference_counts: tuple[tuple[float, float, float, float], ...] = ()
    tables_source: dict[str, Sourced] = field(default_factory=dict)

    @property
    def breaking_stress_mpa(self) -> float:
        """Stress at which a limb measured as a circle over bark is taken to break.

        Clear-wood green strength times the share of it that real branches reached in Kane 2007
        (Arboriculture & Urban Forestry 33(4), Table 3: circle over bark).
        """
        return self.green_mor_mpa.number * self.bark_circle_frac.number

    def season_of(self, month: int | None) -> str:
        """``"early"``, ``"mid"`` or ``"late"`` for a ripening month; ``""`` when not told.

        Months outside the table go to the nearer end.
        """
        if month is None:
            return ""
        for season, months in self.ripening_months.items():
            if month in months:
                return season
        return "early" if month < min(self.ripening_months["early"]) else "late"


PEA_MM = 8.0
"""A garden pea; memory, no source."""
DIME_MM = 17.91
"""US Mint coin specifications."""
NICKEL_MM = 21.21
"""US Mint coin specifications."""


def latest_size_mm(species: Species, *, early_ripening: bool) -> float:
    """Size from which thinning is late.

    The published ends differ: no later than nickel size (NC State; 1 in for apricot, UC IPM), and
    1/2 to 1 in (UC Santa Clara). The lower holds for early-ripening varieties, which have the
    least time left (common practice, no source), the higher for all others.
    """
    ends = (species.thinning_latest_mm.number, species.thinning_size_mm.high)
    return min(ends) if early_ripening else max(ends)


def size_word(size_mm: float, species: Species, *, early_ripening: bool = False) -> str:
    """Whether it is time to thin, for the median diameter of green fruit.

    Under a pea natural drop still chooses. From a pea on people thin (pea to dime: common
    practice, no source), but the published window starts at ``thinning_size_mm`` (1/2 in), so
    between the two it is early but possible. Over a dime it is the last call, until late.

    Parameters
    ----------
    size_mm : float, mm
    species : Species
    early_ripening : bool
        True makes the larger sizes late sooner.
    """
    latest = latest_size_mm(species, early_ripening=early_ripening)
    if size_mm > latest or (early_ripening and size_mm >= latest):
        return "late"
    if size_mm < PEA_MM:
        return "too early"
    if size_mm < species.thinning_size_mm.low:
        return "early but possible"
    return "in time" if size_mm <= DIME_MM else "last call"


_FOLDER = Path(__file__).resolve().parent
_NUMBERS = tuple(f.name for f in fields(Species) if f.type == "Sourced")
_OPTIONAL = {"heavy_set_spacing_mm", "thinning_days", "harvest_days"}
_PLAIN = ("name", "title", "thinned", "thinned_source", "cluster_rule")
_TABLES = ("ripening_months", "trunk_table", "size_codes", "reference_counts")
_SPACINGS = ("spacing_low_mm", "spacing_centre_mm", "spacing_high_mm")


def species_names() -> list[str]:
    """Names of the species there are, in alphabetical order."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


def species_title(name: str) -> str:
    """How a reader calls a species, such as ``European plum``; a name not known stays as it is."""
    return load_species(name).title if name in species_names() else name


@lru_cache(maxsize=64)
def load_species(name: str) -> Species:
    """Load one species by its name.

    Parameters
    ----------
    name : str
        One of :func:`species_names`.

    Returns
    -------
    Species

    Raises
    ------
    SpeciesError
        When there is no such species, or its file breaks a rule.
    """
    if name not in species_names():
        raise SpeciesError(f"species {name!r} is not known: {_meant(name)}")
    return read_species_file(_FOLDER / f"{name}.toml")


def _meant(name: str) -> str:
    """What a name that is not known may stand for: those that hold it, else those like it."""
    asked, known = "-".join(name.lower().split()), species_names()
    alike = [each for each in known if asked and asked in each] or get_close_matches(asked, known)
    if alike:
        return f"did you mean {' or '.join(alike)}?"
    return f"it must be one of {', '.join(known)}"


def read_species_file(path: Path) -> Species:
    """Read one species file and check every rule.

    Parameters
    ----------
    path : Path
        A TOML file: plain keys, then one table a number under ``numbers`` with ``value``,
        ``source`` and ``status``.

    Raises
    ------
    SpeciesError
        Naming the file, the key, the rule and the value.
    """
    with broken_as(SpeciesError, f"{path.name}: cannot be read as TOML"):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    with broken_as(SpeciesError, path.name):
        return _species(path, data)


def _species(path: Path, data: dict[str, Any]) -> Species:
    numbers: dict[str, Any] = {}
    for key, entry in data["numbers"].items():
        with broken_as(SpeciesError, f"{path.name}: {key}"):
            numbers[key] = Sourced(**entry)
    _same_keys("top level", data, {*_PLAIN, "numbers", "ripening_months"}, set(_TABLES))
    _same_keys("numbers", numbers, set(_NUMBERS) - _OPTIONAL, _OPTIONAL)
    if data["name"] != path.stem:
        raise BadInputError(f"name must be the file's own name, got {data['name']!r}")
    _check_numbers(numbers, thinned=bool(data["thinned"]))
    return Species(**{key: data[key] for key in _PLAIN}, **numbers, **_tables(data))


def _same_keys(where: str, got: dict[str, Any], wanted: set[str], optional: set[str]) -> None:
    missing, unknown = wanted - set(got), set(got) - wanted - optional
    if missing:
        raise BadInputError(f"{where} lacks {', '.join(sorted(missing))}")
    if unknown:
        raise BadInputError(f"{where} has unknown {', '.join(sorted(unknown))}")


def _check_numbers(numbers: dict[str, Sourced], *, thinned: bool) -> None:
    for key, number in numbers.items():
        if not number.known:
            if thinned or key not in (*_SPACINGS, "first_pass_spacing_mm"):
                raise BadInputError(f"{key} must be finite, got {number.value!r}")
        elif number.low < 0 or number.high < number.low:
            raise BadInputError(f"{key} must be >= 0 and ordered, got {number.value!r}")
        elif key.endswith("_frac") and number.high > 1:
            raise BadInputError(f"{key} must be from 0 to 1, got {number.value!r}")
    low, centre, high = (numbers[key].number for key in _SPACINGS)
    if thinned and not 0 < low <= centre <= high:
        raise BadInputError(f"spacings must rise, got {low}, {centre}, {high}")
    size = numbers["harvest_diameter_mm"].number
    ends = numbers["harvest_diameter_range_mm"]
    if not 0 < ends.low <= size <= ends.high or math.isclose(ends.low, ends.high):
        raise BadInputError(f"harvest_diameter_mm must lie in its range, got {size}")


def _tables(data: dict[str, Any]) -> dict[str, Any]:
    tables = {key: data[key] for key in _TABLES if key in data}
    months, seasons = data["ripening_months"], ("early", "mid", "late")

    def rows(key: str) -> Any:
        return tables.get(key, {}).get("rows", ())

    return {
        "ripening_months": {season: tuple(int(m) for m in months[season]) for season in seasons},
        "trunk_rows": tuple(TrunkRow(*row) for row in rows("trunk_table")),
        "size_codes": tuple(SizeCode(str(code), float(mm)) for code, mm in rows("size_codes")),
        "reference_counts": tuple(
            (float(g), float(a), float(b), float(c)) for g, a, b, c in rows("reference_counts")
        ),
        "tables_source": {k: Sourced(0.0, t["source"], t["status"]) for k, t in tables.items()},
    }
