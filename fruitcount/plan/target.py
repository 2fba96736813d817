"""How many fruit to keep: the smallest of what spacing, wood, tree and grower allow."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fruitcount.plan.inputs import RULES, GrowerInputs
from fruitcount.species.model import Sourced, Species
from fruitcount.types import Reason


@dataclass(frozen=True)
class CarryLimit:
    """Fruit of harvest weight until the worst section of the wood reaches its working stress.

    Attributes
    ----------
    count, count_low, count_high : float
        Not rounded, with the ends of the band; NaN where the load does not set the count.
    sentence : str
        What sets it, or why it does not set the count.
    """

    count: float
    count_low: float
    count_high: float
    sentence: str


@dataclass(frozen=True)
class KeepTarget:
    """Fruit to leave standing after this pass, and the final count behind it.

    Attributes
    ----------
    low, centre, high : float
        Whole numbers to leave standing after this pass; NaN where nothing could tell.
    final : float
        Whole number wanted at harvest.
    rule, low_rule, high_rule : str
        What governs the centre, and each end: ``"spacing"``, ``"very heavy set"``, ``"wood"``,
        ``"tree share"``, ``"cap"`` or ``"not known"``.
    reasons : tuple of Reason
    """

    low: float
    centre: float
    high: float
    final: float
    rule: str
    low_rule: str
    high_rule: str
    reasons: tuple[Reason, ...]


def keep_target(
    length_mm: float, species: Species, inputs: GrowerInputs, *, carry: CarryLimit | None = None
) -> KeepTarget:
    """The keep count and the rule that governs it.

    Parameters
    ----------
    length_mm : float
        Fruiting wood, limb and bearing shoots; NaN if not told (then spacing tells nothing).
    species : Species
    inputs : GrowerInputs
    carry : CarryLimit, optional
        From the limb load. Counts that are NaN are passed over.

    Returns
    -------
    KeepTarget
    """
    drop = _drop_frac(species, inputs)
    final, standing = _by_spacing(length_mm, species, inputs)
    more = 1.0 + RULES.first_pass_margin_frac if inputs.pass_number == 1 else 1.0
    limits: dict[str, tuple[float, ...]] = {}
    if carry is not None and math.isfinite(carry.count):
        # A limb that stands bears one fruit; less than one is noise of the estimate.
        band = (carry.count_low, carry.count, carry.count_high)
        limits["wood"] = tuple(max(count, 1.0) for count in band)
    if inputs.limb_target is not None:
        limits["tree share"] = (inputs.limb_target,) * 3
    heavy = species.heavy_set_spacing_mm.known and inputs.spacing_mm is None
    by_length = "very heavy set" if heavy else "spacing"
    finals = {by_length: final, **limits}
    stands = {by_length: standing, **{k: tuple(v * more for v in t) for k, t in limits.items()}}
    stands = {k: tuple(v / (1.0 - drop) for v in t) for k, t in stands.items()}
    if inputs.cap is not None:
        finals["cap"] = stands["cap"] = (float(inputs.cap),) * 3
    (low_rule, low), (rule, centre), (high_rule, high) = (_least(stands, i) for i in range(3))
    reasons = tuple(_reasons(length_mm, species, inputs, carry, final))
    return KeepTarget(low, centre, high, _least(finals, 1)[1], rule, low_rule, high_rule, reasons)


def _whole(count: float) -> float:
    """Rounded down, but at least one where there is any wood. NaN stays NaN."""
    if math.isnan(count):
        return count
    # A hair of tolerance so that 36 in at 2 in is 18 and not 17.
    return float(max(math.floor(count + 1e-9), 0))


def _spacings(species: Species) -> tuple[Sourced, Sourced, Sourced]:
    """Wood a fruit wants at harvest: widest, centre and closest."""
    heavy = species.heavy_set_spacing_mm
    centre = heavy if heavy.known else species.spacing_centre_mm
    return species.spacing_high_mm, centre, species.spacing_low_mm


def spacings_mm(species: Species, inputs: GrowerInputs) -> tuple[float, float, float]:
    """Wood a fruit wants at harvest, mm: widest, centre and closest; the grower's own leads."""
    own = inputs.spacing_mm
    widest, centre, closest = (own or each.number for each in _spacings(species))
    return widest, centre, closest


def _by_spacing(
    length_mm: float, species: Species, inputs: GrowerInputs
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Final and standing counts (low, centre, high), not yet whole."""
    # A limb shorter than one spacing still carries one fruit.
    low, centre, high = (
        max(length_mm / s, 1.0) if length_mm > 0 else math.nan for s in spacings_mm(species, inputs)
    )
    if inputs.pass_number == 2:
        return (low, centre, high), (low, centre, high)
    more = 1.0 + RULES.first_pass_margin_frac
    first = max(centre * more, length_mm / species.first_pass_spacing_mm.number)
    return (low, centre, high), (low * more, first, max(high * more, first))


def _drop_frac(species: Species, inputs: GrowerInputs) -> float:
    if inputs.drop_done is not False:
        return 0.0
    own = inputs.expected_drop_frac
    return species.natural_drop_frac.middle if own is None else own


def _reasons(
    length_mm: float,
    species: Species,
    inputs: GrowerInputs,
    carry: CarryLimit | None,
    final: tuple[float, ...],
) -> Iterator[Reason]:
    own, first = inputs.spacing_mm, species.first_pass_spacing_mm
    if inputs.drop_done is False:
        told = inputs.expected_drop_frac is not None
        yield Reason("natural drop still to come", _drop_frac(species, inputs),
                     "the count left standing is raised so that the wanted count remains after it",
                     "the grower says the drop has not happened",
                     "grower" if told else species.natural_drop_frac.said)  # fmt: skip
    if length_mm > 0:
        ends = zip((", low", "", ", high"), final, _spacings(species), strict=True)
        for end, count, number in ends:
            mm = number.number if own is None else own
            said = number.said if own is None else "grower's own spacing"
            yield Reason(f"final count by spacing{end}", _whole(count),
                         "length of fruiting wood over spacing, rounded down",
                         f"{length_mm:.0f} mm of wood, {mm:.0f} mm spacing", said)  # fmt: skip
    if carry is not None:
        factors = f"safety {inputs.safety_factor:g}, handling {inputs.handling_factor:g}"
        yield Reason("fruit the wood may carry", carry.count, carry.sentence, factors,
                     "textbook beam; factors (our choice)")  # fmt: skip
    if inputs.limb_target is not None:
        share = inputs.limb_target
        yield Reason("share of the tree's target", share, "typed or from the tree plan",
                     f"limb_target {share:g}", "grower")  # fmt: skip
    if inputs.cap is not None:
        yield Reason("cap", inputs.cap, "never keep more than this", f"cap {inputs.cap}", "grower")
    if inputs.pass_number == 1 and first.known:
        yield Reason("first-pass margin", RULES.first_pass_margin_frac,
                     "the first pass leaves this share over the final count, and no fewer than "
                     "its own spacing; the second pass takes the rest",
                     f"first-pass spacing {first.number:.0f} mm", first.said)  # fmt: skip


def _least(counts: Mapping[str, tuple[float, ...]], which: int) -> tuple[str, float]:
    """The rule that allows fewest, and how many, whole."""
    known = {k: t[which] for k, t in counts.items() if not math.isnan(t[which])}
    rule = min(known, key=lambda k: known[k], default="not known")
    return rule, _whole(known.get(rule, math.nan))
