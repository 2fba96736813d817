"""Read and check the species files.

By hand: kinds of values, which a library would check, are the smallest part of it; cattrs takes
0.06 s to import, pydantic 0.11 s.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import fields
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any

from fruitcount.errors import SpeciesError
from fruitcount.species.model import STATUSES, SizeCode, Sourced, Species, TrunkRow

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
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as exc:
        raise SpeciesError(f"{path.name}: cannot be read as TOML: {exc}") from exc
    try:
        return _species(path, data)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as exc:
        raise SpeciesError(f"{path.name}: a value is missing or not of its kind: {exc!r}") from exc


def _species(path: Path, data: dict[str, Any]) -> Species:
    _same_keys(path.name, "top level", data, {*_PLAIN, "numbers", "ripening_months"}, set(_TABLES))
    _same_keys(path.name, "numbers", data["numbers"], set(_NUMBERS) - _OPTIONAL, _OPTIONAL)
    if data["name"] != path.stem:
        raise SpeciesError(f"{path.name}: name must be the file's own name, got {data['name']!r}")
    numbers: dict[str, Any] = {
        key: _sourced(path.name, key, data["numbers"][key])
        for key in _NUMBERS
        if key in data["numbers"]
    }
    _check_numbers(path.name, numbers, thinned=bool(data["thinned"]))
    plain: dict[str, Any] = {key: data[key] for key in _PLAIN}
    return Species(**plain, **numbers, **_tables(path.name, data))


def _same_keys(
    file: str, where: str, got: dict[str, Any], wanted: set[str], optional: set[str]
) -> None:
    missing, unknown = wanted - set(got), set(got) - wanted - optional
    if missing:
        raise SpeciesError(f"{file}: {where} lacks {', '.join(sorted(missing))}")
    if unknown:
        raise SpeciesError(f"{file}: {where} has unknown {', '.join(sorted(unknown))}")


def _sourced(file: str, key: str, entry: dict[str, Any]) -> Sourced:
    _same_keys(file, key, entry, {"value", "source", "status"}, set())
    if entry["status"] not in STATUSES:
        raise SpeciesError(f"{file}: {key}.status must be one of {STATUSES}, got {entry['status']}")
    if not str(entry["source"]).strip():
        raise SpeciesError(f"{file}: {key}.source must not be empty")
    raw = entry["value"]
    value = tuple(float(v) for v in raw) if isinstance(raw, list) else float(raw)
    return Sourced(value, str(entry["source"]), entry["status"])


def _check_numbers(file: str, numbers: dict[str, Sourced], *, thinned: bool) -> None:
    for key, number in numbers.items():
        if not number.known:
            if thinned or key not in (*_SPACINGS, "first_pass_spacing_mm"):
                raise SpeciesError(f"{file}: {key} must be finite, got {number.value!r}")
            continue
        if number.low < 0 or number.high < number.low:
            raise SpeciesError(f"{file}: {key} must be >= 0 and ordered, got {number.value!r}")
        if key.endswith("_frac") and number.high > 1:
            raise SpeciesError(f"{file}: {key} must be from 0 to 1, got {number.value!r}")
    low, centre, high = (numbers[key].number for key in _SPACINGS)
    if thinned and not 0 < low <= centre <= high:
        raise SpeciesError(f"{file}: spacings must rise, got {low}, {centre}, {high}")
    size = numbers["harvest_diameter_mm"].number
    ends = numbers["harvest_diameter_range_mm"]
    if not 0 < ends.low <= size <= ends.high or math.isclose(ends.low, ends.high):
        raise SpeciesError(f"{file}: harvest_diameter_mm must lie in its range, got {size}")


def _tables(file: str, data: dict[str, Any]) -> dict[str, Any]:
    sources: dict[str, Sourced] = {}
    for key in _TABLES:
        if key in data:
            about = {"value": 0.0, "source": data[key]["source"], "status": data[key]["status"]}
            sources[key] = _sourced(file, key, about)
    months = data["ripening_months"]

    def rows(key: str) -> Any:
        return data.get(key, {}).get("rows", ())

    try:
        return {
            "ripening_months": {
                season: tuple(int(m) for m in months[season]) for season in ("early", "mid", "late")
            },
            "trunk_rows": tuple(TrunkRow(*row) for row in rows("trunk_table")),
            "size_codes": tuple(SizeCode(str(code), float(mm)) for code, mm in rows("size_codes")),
            "reference_counts": tuple(
                (float(g), float(a), float(b), float(c)) for g, a, b, c in rows("reference_counts")
            ),
            "tables_source": sources,
        }
    except (KeyError, TypeError, ValueError) as exc:
        raise SpeciesError(f"{file}: a table is incomplete: {exc!r}") from exc
