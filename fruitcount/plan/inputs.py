"""What the planner is given: what the grower tells, and the fruit placed on the wood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fruitcount.errors import BadInputError, at_least, in_range, one_of, positive
from fruitcount.lines import line_length_px, places_on_wood
from fruitcount.types import FloatArray, Fruitlets, IntArray, Limb
from fruitcount.units import northern_month

PLAN_CHOICES = ("quick", "full")


@dataclass(frozen=True)
class GrowerInputs:
    """Everything the plan and the load need that the photo cannot tell.

    Attributes
    ----------
    species : str
        A name from ``fruitcount.species.species_names()``.
    pass_number : {1, 2}
        The first pass leaves a margin over the final count, the second finishes.
    ripening_month : int or None
        1-12. Early-ripening fruit is late to thin at a smaller size.
    southern : bool
        South of the equator, where the same season comes six months later.
    drop_done : bool or None
        Has the natural drop happened? ``False`` leaves more fruit standing for it.
    expected_drop_frac : float or None
        Share of the fruit still expected to fall, 0 up to (not including) 1; ``None`` takes the
        middle of the species' range. Used only when ``drop_done`` is ``False``. Larger keeps more.
    light_set : bool or None
        ``True``: the set is light and the limb is left alone.
    spacing_mm : float or None
        The grower's own spacing of the final fruit. Larger keeps fewer.
    harvest_diameter_mm : float or None
        Ripe diameter wanted. Larger means heavier fruit, so less of it on weak wood.
    cap : int or None
        Never keep more than this many on the limb.
    limb_target : float or None
        This limb's share of the tree's target.
    allow_pairs : bool
        Two may stay in a large cluster.
    inclination_deg : float or None
        Angle of the limb above horizontal, -90 to 90; ``None`` takes the line in the photo with
        the photo's vertical as plumb.
    limb_length_mm : float or None
        Typed length of the limb, where the photo has no scale.
    handling_factor : float
        Multiplies all weights for wind, rain, and a picker's pull. Our choice, 1.25. At least 1.
    safety_factor : float
        How many times the load the limb should carry before it is called fine. Our choice, 2;
        with the handling factor that is 2.5, inside the usual 2 to 3. At least 1.
    seconds_per_cut, seconds_per_pinch : float
        Time of one clipper cut and of one fruit pinched off. Our choice (no source found for
        either): time your own.
    stub_mm : float
        Stub left when a whole side shoot is taken off. The grower's rule.
    keep_tip_leaves_mm : float
        Shoot length with leaves left beyond the last kept fruit. Our choice, 40 mm.
    plan_choice : {"quick", "full"}
        ``"quick"`` shortens the limb: one or two clipper cuts do most of the thinning, about
        nine-tenths in the trade (common practice, no source), at the price of the wood that goes,
        but never below what half of the crop wants (our choice). ``"full"`` pinches and leaves
        the wood, for more fruit at harvest. The second pass always pinches.
    max_cut_frac : float
        Largest share of the limb's length that one cut may take; 0 where the limb must not be
        shortened. The trade cuts on the outer two-thirds (common practice, no source).
    """

    species: str = "peach"
    pass_number: int = 1
    ripening_month: int | None = None
    drop_done: bool | None = None
    expected_drop_frac: float | None = None
    light_set: bool | None = None
    spacing_mm: float | None = None
    harvest_diameter_mm: float | None = None
    cap: int | None = None
    limb_target: float | None = None
    allow_pairs: bool = False
    inclination_deg: float | None = None
    limb_length_mm: float | None = None
    handling_factor: float = 1.25
    safety_factor: float = 2.0
    seconds_per_cut: float = 4.0
    seconds_per_pinch: float = 1.5
    stub_mm: float = 5.0
    keep_tip_leaves_mm: float = 40.0
    max_cut_frac: float = 0.66
    southern: bool = False
    plan_choice: str = "quick"

    @property
    def northern_month(self) -> int | None:
        """The ripening month as the tables of the northern hemisphere count it."""
        month = self.ripening_month
        return None if month is None else northern_month(month, southern=self.southern)

    @property
    def shortens(self) -> bool:
        """Whether this plan may cut: the full crop and the second pass leave the wood whole."""
        return self.plan_choice == "quick" and self.pass_number == 1 and self.max_cut_frac > 0

    def __post_init__(self) -> None:
        one_of("plan_choice", self.plan_choice, PLAN_CHOICES)
        if self.pass_number not in (1, 2):
            raise BadInputError(f"pass_number must be 1 or 2, got {self.pass_number!r}")
        if self.ripening_month is not None and self.ripening_month not in range(1, 13):
            raise BadInputError(f"ripening_month must be from 1 to 12, got {self.ripening_month!r}")
        if self.cap is not None and (self.cap < 0 or self.cap != int(self.cap)):
            raise BadInputError(f"cap must be a whole number of at least 0, got {self.cap!r}")
        told = {name: value for name, value in vars(self).items() if value is not None}
        above_0 = ("spacing_mm", "harvest_diameter_mm", "limb_length_mm", "seconds_per_cut",
                   "seconds_per_pinch")  # fmt: skip
        for name in (n for n in above_0 if n in told):
            positive(name, told[name])
        least = {"limb_target": 0.0, "handling_factor": 1.0, "safety_factor": 1.0, "stub_mm": 0.0,
                 "keep_tip_leaves_mm": 0.0}  # fmt: skip
        for name in (n for n in least if n in told):
            at_least(name, told[name], least[name])
        ends = {"expected_drop_frac": (0.0, 0.95), "inclination_deg": (-90.0, 90.0),
                "max_cut_frac": (0.0, 0.95), "harvest_diameter_mm": (5.0, 200.0)}  # fmt: skip
        for name in (n for n in ends if n in told):
            in_range(name, told[name], *ends[name])


@dataclass(frozen=True)
class ScoreWeights:
    """How much each merit of a fruit counts. Our choice; they need not add up to 1.

    Attributes
    ----------
    size : float
        Bigger now, against the others on this limb.
    sound : float
        Clear mark, round, green.
    seat : float
        Hangs on heavier wood, nearer the base.
    light : float
        Not behind leaves or other fruit (share of outline seen).
    """

    size: float = 0.35
    sound: float = 0.2
    seat: float = 0.3
    light: float = 0.15


@dataclass(frozen=True)
class PlanRules:
    """Rules of the plan that are our choice. Change them only with a reason.

    Attributes
    ----------
    first_pass_margin_frac : float
        Fruit left over the final count in the first pass, as a share of it. 0.5 takes peach
        from 6 in to 4 in, which is the 10 cm that RHS gives for its first pass. Larger leaves
        more for the second pass.
    gap_share_frac : float
        Closest two kept fruit may be before they are spread, as a share of the low spacing
        (without lengths, of the wood each would have). Next to nothing: clusters come down to
        their rule whatever the gap, and the count leads; Kansas State accepts clusters while the
        average holds. Larger means shorter cuts.
    score_per_second : float
        Keep score given up to save one second of work: one second outweighs every merit, so that
        the quick plan is quick. Larger means fewer, bigger cuts.
    seconds_per_lost_fruit : float
        Work that must be saved for each final fruit's length of wood that a cut takes. Our
        figure, little more than one pinch: whoever wants the fruit takes the full crop. Larger
        means shorter cuts.
    weights : ScoreWeights
    """

    first_pass_margin_frac: float = 0.5
    gap_share_frac: float = 0.05
    score_per_second: float = 1.0
    seconds_per_lost_fruit: float = 1.5
    weights: ScoreWeights = ScoreWeights()


RULES = PlanRules()


@dataclass(frozen=True, eq=False)
class PlacedFruit:
    """The crop of one limb, placed.

    Attributes
    ----------
    index : int array, shape (M,)
        Which fruitlets these are: green or damaged, not off the limb.
    line : int array, shape (M,)
        -1 on the main limb, else the shoot.
    at_px : float array, shape (M,)
        Along its own line; NaN where no limb was found.
    mm_per_px : float
        Along the limb; NaN when no length is told.
    length_px : float
        Main limb; NaN when not found.
    fork_px, shoot_length_px : float arrays, shape (S,)
    wood_mm : float
        Main limb and shoots that bear; NaN when not told.
    """

    index: IntArray
    line: IntArray
    at_px: FloatArray
    mm_per_px: float
    length_px: float
    fork_px: FloatArray
    shoot_length_px: FloatArray
    wood_mm: float

    @property
    def placed(self) -> bool:
        """Whether every fruit has a place along the wood."""
        return bool(np.isfinite(self.at_px).all() and np.isfinite(self.length_px))

    @property
    def at_frac(self) -> FloatArray:
        """Place along its own line, 0 to 1; 0.5 when not told."""
        lengths = np.append(self.shoot_length_px, self.length_px)[self.line]
        with np.errstate(invalid="ignore", divide="ignore"):
            share = self.at_px / lengths
        return np.where(np.isfinite(share), np.clip(share, 0, 1), 0.5)


def place_on_wood(fruitlets: Fruitlets, limb: Limb, inputs: GrowerInputs) -> PlacedFruit:
    """Place the crop along limb and shoots.

    A typed length wins over the photo's.

    Parameters
    ----------
    fruitlets : Fruitlets
    limb : Limb
    inputs : GrowerInputs
        ``limb_length_mm`` gives a scale along the limb where the photo has none.

    Returns
    -------
    PlacedFruit
    """
    index = np.flatnonzero(fruitlets.counts_as_crop)
    line, at = places_on_wood(fruitlets.take(index), limb)
    nan = float("nan")
    length = limb.length_px
    if limb.found and not np.isfinite(length):
        length = line_length_px(limb.line_px)
    length = length if length > 0 else nan
    length_mm = limb.length_mm if inputs.limb_length_mm is None else inputs.limb_length_mm
    length_mm = length_mm if length_mm > 0 else nan
    shoot_px = np.array([line_length_px(s.line_px) for s in limb.shoots], dtype=float)
    bearing = np.isin(np.arange(len(limb.shoots)), line)
    mm_per_px = length_mm / length
    wood_mm = length_mm + (shoot_px[bearing].sum() * mm_per_px if bearing.any() else 0.0)
    return PlacedFruit(
        index=index,
        line=line,
        at_px=at,
        mm_per_px=float(mm_per_px),
        length_px=float(length),
        fork_px=np.array([s.fork_along_px for s in limb.shoots], dtype=float),
        shoot_length_px=shoot_px,
        wood_mm=float(wood_mm),
    )
