"""Size at picking, in plain words: what the wanted size is called, and which way this crop points.

There is no built-in curve from crop to fruit weight; what is told here comes from a published
rule, a published table, or the grower's own two seasons.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import screen_cache as cache
import screen_engine as engine
import streamlit as st
from screen_words import ask_number, units

from fruitcount.errors import BadInputError
from fruitcount.load.model import harvest_mass_g
from fruitcount.pipeline import Result
from fruitcount.plan import fruit_size
from fruitcount.species.model import Species, load_species
from fruitcount.units import format_in, unit_of


def show_size(key: str, result: Result, facts: dict[str, Any]) -> dict[str, Any]:
    """A closed part of the page; returns the answers with what was typed in it."""
    inputs = result.decision.inputs
    species = load_species(inputs.species)
    with st.expander("Size at picking", key=f"{key[:12]}size"):
        st.write(wanted_words(species, inputs.harvest_diameter_mm, units()))
        middle_mm = result.measurement.fruitlets.middle_size_mm
        for line in pointer_words(species, middle_mm, days=_days_after_bloom(key, result)):
            st.write(line)
        if species.reference_counts:
            show_prunes(species, key)
        return {**facts, **ask_seasons(key, facts, result.decision.plan.keep_count)}


def wanted_words(species: Species, wanted_mm: float | None, system: str) -> str:
    """The ripe size wanted, its weight, and its trade size code where the species has codes."""
    mm = wanted_mm or species.harvest_diameter_mm.number
    weight = format_in("fruit", harvest_mass_g(species, mm), system)
    told = "wanted" if wanted_mm else "usual for it"
    words = f"{species.title}, {_whole(mm, system)} across ({told}): about {weight} a fruit."
    if not species.size_codes:
        return words
    larger = [c for c in species.size_codes if c.from_mm > mm]
    words += f" Trade size {fruit_size.size_code(species, mm)}."
    if larger:
        least = min(larger, key=lambda c: c.from_mm)
        words += f" The next larger, {least.code}, begins at {_whole(least.from_mm, system)}."
    source = species.tables_source["size_codes"].source
    return f"{words} Codes: {source}."


def pointer_words(species: Species, middle_mm: float, *, days: float | None) -> list[str]:
    """Which way the fruit's present size points, for peach and nectarine; empty for others."""
    if species.name not in ("peach", "nectarine") or not math.isfinite(middle_mm):
        return []
    advice = fruit_size.reference_advice(middle_mm, days)
    when = (
        "Days after bloom are not known here: this holds about 10 days after the pits began to "
        "harden, which is about 60 days after full bloom."
        if days is None
        else f"{days:.0f} days after full bloom."
    )
    return [f"Fruit measure {middle_mm:.0f} mm now. {advice} {when}"]


def _days_after_bloom(key: str, result: Result) -> float | None:
    """From the bloom date of the photo's tree and the day that the camera told."""
    if (taken := result.measurement.taken_at) is None:
        return None
    tree = engine.tree_of(cache.records(), key, taken.date())
    days = (taken.date() - tree.bloom_date).days if tree and tree.bloom_date else -1
    return float(days) if days >= 0 else None


def show_prunes(species: Species, key: str) -> None:
    """Green prunes to a pound now, to dried ones at harvest, by the published table."""
    words, hint = "Green prunes to a pound, at reference date", "a week after pit tips harden"
    green = ask_number(words, hint=hint, key=f"{key[:12]}green")
    if not green:
        return
    low, high = species.reference_counts[0][0], species.reference_counts[-1][0]
    if not low <= green <= high:
        st.write(f"The table goes from {low:.0f} to {high:.0f} green prunes to a pound.")
        return
    dry = {kind: fruit_size.prune_dry_count(species, green, kind) for kind in fruit_size.ORCHARDS}
    told = ", ".join(
        f"{n:.0f} in {'an' if k[0] in 'ae' else 'a'} {k} orchard" for k, n in dry.items()
    )
    st.write(f"Dried prunes to a pound at harvest: {told}. With a large crop they come smaller.")
    st.caption(f"Source: {species.tables_source['reference_counts'].source}.")


def ask_seasons(key: str, facts: Mapping[str, Any], keep_n: int) -> dict[str, Any]:
    """Two past seasons of this limb or a like one; what they say of the number to keep now."""
    st.markdown("**From two of your own seasons**")
    st.caption("This limb, or one as thick: fruit that stayed on it, and what a ripe one weighed.")
    unit, per, _ = unit_of("fruit", units())
    kept: Sequence[Sequence[float | None]] = facts.get("own_seasons") or ((None, None),) * 2
    now: list[list[float | None]] = []
    for n, (fruit, grams) in enumerate(kept, start=1):
        left, right = st.columns(2)
        stayed, one = f"Season {n}: fruit that stayed", f"Season {n}: one ripe fruit, {unit}"
        count = ask_number(stayed, fruit, where=left, whole=True, key=f"{key[:12]}own{n}n")
        at = f"{key[:12]}own{n}{unit}"
        now.append([count, ask_number(one, grams, where=right, per=per, key=at)])
    if all(v for season in now for v in season):
        st.write(own_words([(float(n or 0), float(g or 0)) for n, g in now], keep_n, units()))
    return {"own_seasons": now} if now != [list(s) for s in kept] else {}


def own_words(seasons: Sequence[tuple[float, float]], keep_n: float, system: str) -> str:
    """What two seasons, each (fruit kept, grams of one), say of a number to keep now."""
    try:
        # one limb, one thickness: fruit to a cm2 differ as the counts do
        first, second = (fruit_size.OwnSeason(n, g) for n, g in seasons)
        grams, sentence = fruit_size.weight_from_own_seasons(first, second, keep_n)
    except BadInputError:
        return "The two seasons must differ in how many fruit stayed."
    if not math.isfinite(grams):
        return sentence
    return (
        f"With {keep_n:.0f} kept now: about {format_in('fruit', grams, system)} a fruit. {sentence}"
    )


def _whole(size_mm: float, system: str) -> str:
    return f"{size_mm:.0f} mm" if system == "metric" else format_in("size", size_mm, system)
