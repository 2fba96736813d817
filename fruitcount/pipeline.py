"""The whole chain, read top to bottom as a recipe: photo -> Measurement -> Decision.

``measure`` measures, ``decide`` plans. The screen calls ``decide`` again after every correction.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from fruitcount.detect.find import count_flags, count_range, find_fruitlets
from fruitcount.detect.heatmap import HEATMAPS, DetectSettings, default_source
from fruitcount.errors import BadInputError, in_range, one_of, positive
from fruitcount.flags import Flag, flag_sentences
from fruitcount.image import references
from fruitcount.image.card import find_card, on_card
from fruitcount.image.quality import colour_doubt, inside, photo_quality, sheet_behind
from fruitcount.limb.find import find_limb
from fruitcount.limb.position import doubts_by_fruit, place_fruitlets
from fruitcount.limb.result import with_caliper
from fruitcount.load.carry import carry_limit
from fruitcount.load.model import harvest_mass_g
from fruitcount.load.report import LoadReport, limb_load
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.plan import plan_limb
from fruitcount.plan.result import Choice, Plan
from fruitcount.species.model import load_species
from fruitcount.types import Fruitlets, Limb, Measurement, Photo, Scale

SCALE_KINDS = ("card", "points", "disc", "bank card", "fruit", "limb length", "none")
Point = tuple[float, float]


@dataclass(frozen=True)
class ScaleRequest:
    """Where the scale is to come from.

    Attributes
    ----------
    kind : str
        One of :data:`SCALE_KINDS`. ``"card"`` looks for a printed card.
    length_mm : float
        Card side (NaN: told by the card's number), length between the points, diameter of the
        disc or the fruit, or length of the limb.
    points_px : tuple of (x, y)
        The two points, the tap on the disc, or the four corners of the bank card.
    """

    kind: str = "card"
    length_mm: float = float("nan")
    points_px: tuple[Point, ...] = ()

    def __post_init__(self) -> None:
        one_of("scale kind", self.kind, SCALE_KINDS)
        if self.kind in ("points", "disc", "fruit", "limb length"):
            positive("scale length_mm", self.length_mm)


@dataclass(frozen=True)
class CountSettings:
    """How one photo is measured.

    Attributes
    ----------
    source : {"auto", "trained", "classical"}
        What makes the heatmap map. ``auto`` takes the trained one where its file is there.
    scale : ScaleRequest
    base_px, tip_px : (x, y) or None
        Ends of the limb, if the user gave them.
    line_px : tuple of (x, y)
        The whole limb line, if the user drew it.
    base_diameter_mm, tip_diameter_mm : float
        Caliper readings; NaN to measure on the photo.
    min_score : float or None
        Lowest score kept; None takes the shipped value. Raising it gives fewer, surer marks.
    """

    source: str = "auto"
    scale: ScaleRequest = field(default_factory=ScaleRequest)
    base_px: Point | None = None
    tip_px: Point | None = None
    line_px: tuple[Point, ...] = ()
    base_diameter_mm: float = float("nan")
    tip_diameter_mm: float = float("nan")
    min_score: float | None = None

    def __post_init__(self) -> None:
        one_of("source", self.source, ("auto", *HEATMAPS))
        if self.min_score is not None:
            in_range("min_score", self.min_score, 0.0, 1.0)
        for name in ("base_diameter_mm", "tip_diameter_mm"):
            if not np.isnan(getattr(self, name)):
                in_range(name, getattr(self, name), 0.5, 1000.0)  # twigs to trunks


# A photo of a limb shows no less of it, and no more, along its longer side. Our choice.
LEAST_VIEW_MM, MOST_VIEW_MM = 50.0, 30_000.0

ENDS_UNSURE = "The base is taken to be the {end} end of the line: turn it round if that is the tip."


def _base_end(limb: Limb) -> str:
    """The base's end of the line, as one sees it in the photo."""
    right, down = limb.line_px[0] - limb.line_px[-1]
    if abs(right) >= abs(down):
        return "right" if right > 0 else "left"
    return "lower" if down > 0 else "upper"


@dataclass(frozen=True, eq=False)
class Decision:
    """What to do with the limb: the plan at once, the load and the other plan when asked for.

    Attributes
    ----------
    inputs : GrowerInputs
        What the grower said.
    measurement : Measurement
        What it rests on.
    plan : Plan
    """

    inputs: GrowerInputs
    measurement: Measurement
    plan: Plan

    @cached_property
    def load(self) -> LoadReport:
        """What the limb carries by this plan; ``known`` is False where it could not be told."""
        return _load(self.measurement, self.plan, self.inputs)

    @cached_property
    def choices(self) -> tuple[Choice, ...]:
        """The chosen plan and the other one; empty where there is nothing to choose."""
        if self.inputs.pass_number != 1 or self.plan.verdict != "thin":
            return ()
        name = "full" if self.inputs.plan_choice == "quick" else "quick"
        other = decide(self.measurement, replace(self.inputs, plan_choice=name))
        one, two = self.plan, other.plan
        if len(one.cuts) == len(two.cuts) or (
            one.final_count == two.final_count and one.time_sentence == two.time_sentence
        ):
            return ()
        return as_choice(self, chosen=True), as_choice(other, chosen=False)

    @property
    def flags(self) -> Flag:
        """Flags of the photo and of the decision together."""
        return self.measurement.flags | self.plan.flags | self.load.flags

    @property
    def warnings(self) -> tuple[str, ...]:
        """What casts doubt on the answer: every output that a person reads shows all of it.

        That the load is not known is said by its own line, ``load_lines``, which stands beside.
        """
        limb, flags = self.measurement.limb, self.flags & ~Flag.LOAD_UNKNOWN
        if not (limb.found and flags & Flag.LIMB_ENDS_UNSURE):
            return tuple(flag_sentences(flags))
        said = flag_sentences(flags & ~Flag.LIMB_ENDS_UNSURE)
        return (*said, ENDS_UNSURE.format(end=_base_end(limb)))

    @property
    def notes(self) -> tuple[str, ...]:
        """What else the grower should know, of the plan and then of the load."""
        return (*self.plan.notes, *self.load.notes)


@dataclass(frozen=True, eq=False)
class Result:
    """One photo's measurement and the decision taken from it."""

    measurement: Measurement
    decision: Decision


def count_limb(
    photo: Photo, settings: CountSettings | None = None, inputs: GrowerInputs | None = None
) -> Result:
    """Measure a limb photo and decide what to keep.

    Parameters
    ----------
    photo : Photo
        From :func:`fruitcount.read_photo`.
    settings : CountSettings, optional
        How to measure.
    inputs : GrowerInputs, optional
        What the grower says of the tree.

    Returns
    -------
    Result
    """
    measurement = measure(photo, settings)
    return Result(measurement, decide(measurement, inputs))


def measure(photo: Photo, settings: CountSettings | None = None) -> Measurement:
    """Measure one photo: scale, fruitlets, limb, places.

    Parameters
    ----------
    photo : Photo
    settings : CountSettings, optional

    Returns
    -------
    Measurement
        With ``COUNT_UNKNOWN`` when the photo is too poor for a zero to mean anything.

    Raises
    ------
    ModelUnavailableError
        When ``source="trained"`` and its file cannot be used.
    BadInputError
        When a given point lies outside the photo.
    """
    rules = settings or CountSettings()
    name, source_flag = _source(rules.source)
    measurement = _measured(photo, rules, scale_asked(rules.scale, photo), name)
    by_look = rules.scale.kind in ("fruit", "limb length")
    found, limb = measurement.fruitlets, measurement.limb
    typed = scale_asked(rules.scale, photo, found, limb.length_px) if by_look else Scale()
    if typed.known:
        # With the scale known the search is for 4-35 mm fruit only, so it is worth a second look.
        measurement = _measured_again(photo, rules, measurement, typed)
    elif measurement.scale.known and len(measurement.fruitlets) < _few(measurement.scale):
        # A wrong scale hides the fruit: look once without it before saying that there is none.
        anything = _measured(photo, rules, measurement.scale, name, any_size=True)
        measurement = (
            anything if len(anything.fruitlets) > 2 * len(measurement.fruitlets) else measurement
        )
    return replace(measurement, flags=measurement.flags | source_flag)


def _few(scale: Scale) -> int:
    """Fewer marks than this call the scale into question: a card seldom errs, a tap or two may."""
    return 1 if scale.source == "card" else 5


def _measured_again(
    photo: Photo, rules: CountSettings, first: Measurement, scale: Scale
) -> Measurement:
    """Measure with a scale from the first look, whose fruit stay if the scale hides them."""
    limb = first.limb
    if rules.scale.kind == "limb length":
        # The typed length is that of the line first found, so that line stays.
        line = tuple((float(x), float(y)) for x, y in limb.line_px)
        rules = replace(rules, line_px=line)
    measurement = _measured(photo, rules, scale, first.source)
    if 2 * len(measurement.fruitlets) < len(first.fruitlets):
        measurement = _measured(photo, rules, scale, first.source, any_size=True)
    if rules.scale.kind != "limb length":
        return measurement
    kept = replace(
        measurement.limb, by_hand=limb.by_hand, flags=measurement.limb.flags | limb.flags
    )
    return replace(measurement, limb=kept, flags=measurement.flags | limb.flags)


def _source(asked: str) -> tuple[str, Flag]:
    if asked != "auto":
        return asked, Flag.NONE
    name = default_source()
    return name, Flag.NONE if name == "trained" else Flag.MODEL_MISSING


def scale_asked(
    request: ScaleRequest, photo: Photo, fruit: Fruitlets | None = None, length_px: float = np.nan
) -> Scale:
    """The scale that a request leads to.

    Parameters
    ----------
    request : ScaleRequest
    photo : Photo
    fruit : Fruitlets, optional
        Those whose usual diameter the request tells; without them it gives no scale yet.
    length_px : float, px
        Of the limb whose length the request tells; NaN gives no scale yet.

    Raises
    ------
    BadInputError
        When a point lies outside the photo, or points and length make no scale, or one by which
        the photo would be too small or too large for a limb: a slip of the unit or of a tap hides
        every fruit, and then it is better to ask than to say that there is none.
    """
    for point in request.points_px:
        references.marked_point(photo, "a point of the scale", point)
    scale = _scale_of(request, photo, fruit, length_px)
    long_mm = max(photo.width_px, photo.height_px) / scale.px_per_mm
    if scale.known and not LEAST_VIEW_MM <= long_mm <= MOST_VIEW_MM:
        raise BadInputError(
            f"{photo.name}: by this {scale.source} the photo would be {long_mm / 1000:.2g} m long, "
            "which no photo of a limb is: check the length and the points"
        )
    return scale


def _scale_of(
    request: ScaleRequest, photo: Photo, fruit: Fruitlets | None, length_px: float
) -> Scale:
    points, mm = request.points_px, request.length_mm
    if request.kind == "card":
        return find_card(photo, None if np.isnan(mm) else mm)
    if request.kind == "points":
        (x1, y1), (x2, y2) = points
        return references.scale_from_points(x1, y1, x2_px=x2, y2_px=y2, length_mm=mm)
    if request.kind == "disc":
        return references.scale_from_disc(photo, *points[0], mm)
    if request.kind == "bank card":
        return references.scale_from_bank_card(photo, points)
    if request.kind == "fruit" and fruit is not None and len(fruit):
        return references.scale_from_fruit(fruit, mm)
    if request.kind == "limb length" and np.isfinite(length_px):
        return references.scale_from_limb_length(length_px, mm)
    return Scale(flags=Flag.NO_SCALE)


def _measured(
    photo: Photo, rules: CountSettings, scale: Scale, source: str, *, any_size: bool = False
) -> Measurement:
    """One look. ``any_size`` searches as without a scale and keeps fruit of any size, flagged."""
    maps = HEATMAPS[source](photo.rgb, Scale() if any_size else scale)
    detect = DetectSettings(threshold=rules.min_score)
    if any_size:
        detect = replace(detect, smallest_mm=0.1, largest_mm=1000.0)
    found = find_fruitlets(photo, maps, scale, detect)
    # 1.5: the white edge is a quarter of a side wide.
    found = found.take(~on_card(scale, found.x_px, found.y_px, grow=1.5))
    line = np.array(rules.line_px, dtype=float) if rules.line_px else None
    ends = {"base_px": rules.base_px, "tip_px": rules.tip_px}
    limb = with_caliper(find_limb(photo, maps, found, scale, line_px=line, **ends), vars(rules))
    placed = place_fruitlets(found, limb, scale)
    limb = replace(limb, flags=limb.flags | doubts_by_fruit(placed, limb, maps))
    sheet = sheet_behind(photo.rgb, placed.x_px, placed.y_px, limb.line_px)
    before = inside(sheet, placed.x_px, placed.y_px)
    placed = placed.with_columns(on_limb=np.where(before, placed.on_limb, 0))
    flags = scale.flags | limb.flags | photo_quality(photo) | colour_doubt(photo, scale)
    flags |= count_flags(placed, flags, detect.threshold_for(source))
    flags |= Flag.SIZES_OUT_OF_RANGE if any_size else Flag.NONE
    flags |= Flag.SHEET_BEHIND if len(sheet) else Flag.NONE
    return Measurement(
        name=photo.name, sha256=photo.sha256, width_px=photo.width_px, height_px=photo.height_px,
        taken_at=photo.taken_at, scale=scale, fruitlets=placed, limb=limb, flags=flags,
        source=source, count_range_n=count_range(placed, flags, source)
    )  # fmt: skip


def detection_threshold(source: str) -> float:
    """Lowest detection score kept by default, for a heatmap of that source."""
    return DetectSettings().threshold_for(source)


def decide(measurement: Measurement, inputs: GrowerInputs | None = None) -> Decision:
    """Decide what to keep on a measured limb; what it will carry is worked out when asked for.

    Parameters
    ----------
    measurement : Measurement
        Measured, or corrected by hand.
    inputs : GrowerInputs, optional

    Returns
    -------
    Decision

    Raises
    ------
    SpeciesError
        When the species is not known.
    """
    asked = inputs or GrowerInputs()
    species = load_species(asked.species)
    fruit, limb = measurement.fruitlets, measurement.limb
    plan = plan_limb(
        fruit, limb, species, asked,
        carry_limit=lambda limb, inputs: carry_limit(limb, species, inputs),
        flags=measurement.flags, count_range_n=measurement.count_range_n
    )  # fmt: skip
    return Decision(asked, measurement, plan)


def _load(measurement: Measurement, plan: Plan, inputs: GrowerInputs) -> LoadReport:
    return limb_load(
        measurement.fruitlets, measurement.limb, load_species(inputs.species), inputs,
        plan.keep_mask, cuts=plan.cuts, flags=plan.flags, count_range_n=measurement.count_range_n
    )  # fmt: skip


def as_choice(decision: Decision, *, chosen: bool) -> Choice:
    """A decision in the few numbers that two of them are compared by."""
    plan, inputs = decision.plan, decision.inputs
    one_g = harvest_mass_g(load_species(inputs.species), inputs.harvest_diameter_mm)
    return Choice(
        name=inputs.plan_choice, chosen=chosen, keep_n=plan.keep_count, final_n=plan.final_count,
        cuts_n=len(plan.cuts), pinches_n=len(plan.pinches), work_seconds=plan.work_seconds,
        harvest_g=plan.final_count * one_g, load_word=decision.load.after.verdict
    )  # fmt: skip
