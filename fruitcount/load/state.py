"""The limb with one crop on it: moment, stress, the weakest place and its load factor."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from fruitcount.load.beam import Weights, bending_moment_n_m, bending_stress_mpa, deflection_mm
from fruitcount.load.model import BEAM, LimbModel
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, FloatArray, Limb


def no_sections() -> FloatArray:
    """Values along a limb of which nothing is known, shape (0,)."""
    return np.zeros(0)


def verdict_of(low: float, middle: float, safety_factor: float) -> str:
    """Plain verdict on a load factor; never milder for thinner wood. Our choice.

    Fine: the middle reaches the safety factor and even the low end is above 1. Do not hang this
    much: the middle itself is past breaking, or falls short of the safety factor with a low end
    under half the breaking load. Between: prop or lighten.
    """
    if middle >= safety_factor and low >= 1.0:
        return "fine"
    if middle < 1.0 or (middle < safety_factor and low < 0.5):
        return "do not hang this much"
    return "prop or lighten"


@dataclass(frozen=True)
class Band:
    """A middle value and the ends that hold nine in ten."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class ForkLoad:
    """A shoot's stress at its base."""

    shoot: int
    shoot_stress_mpa: float


@dataclass(frozen=True, eq=False)
class LoadState:
    """The limb with a given crop, every fruit at harvest weight; by default nothing is known.

    Attributes
    ----------
    fruit_count : int
    fruit_g, wood_g : float
        Crop; wood and leaves.
    moment_n_m, stress_mpa, sink_mm : float arrays, shape (K,)
        Along the limb, handling factor included. ``sink_mm`` is small-angle: see the cautions.
    worst_at_mm, worst_stress_mpa : float
        The section nearest to breaking.
    base_moment_n_m : float
    forks : tuple of ForkLoad
    weakest : str
        ``"limb"`` or ``"side shoot N"`` (from 1): the place that the load factor is for.
    load_factor : Band
        How many times this load until the worst place breaks, by the estimate; nine in ten limbs
        lie within the ends.
    factor_rel_sd_frac : float
    verdict : {"fine", "prop or lighten", "do not hang this much", "not known"}
    """

    fruit_count: int = 0
    fruit_g: float = math.nan
    wood_g: float = math.nan
    moment_n_m: FloatArray = field(default_factory=no_sections)
    stress_mpa: FloatArray = field(default_factory=no_sections)
    sink_mm: FloatArray = field(default_factory=no_sections)
    worst_at_mm: float = math.nan
    worst_stress_mpa: float = math.nan
    base_moment_n_m: float = math.nan
    forks: tuple[ForkLoad, ...] = ()
    weakest: str = ""
    load_factor: Band = Band(math.nan, math.nan, math.nan)
    factor_rel_sd_frac: float = math.nan
    verdict: str = "not known"


def factor_rel_sd_frac(
    limb: Limb, species: Species, *, wood_share_frac: float = 0.0, unseen_rel_sd_frac: float = 0.0
) -> float:
    """Standard deviation of the load factor's logarithm, all stated uncertainties together.

    Delta method, checked by Monte Carlo in the tests. Stress goes as one over diameter cubed (5 %
    thicker is 16 % less stress), less the wood's own weight, which goes as diameter squared;
    strength and its share in one real branch count once; the crop's part of the load goes with
    fruit weight, the cube of the harvest size, and the number of fruit.

    Parameters
    ----------
    limb : Limb
    species : Species
    wood_share_frac : float
        Part of the moment at the worst place that is wood and leaves, not fruit.
    unseen_rel_sd_frac : float
        Of the number of fruit, where a count range gives more than usual.
    """
    own = limb.diameter_rel_sd_frac
    diameter = own if np.isfinite(own) else BEAM.diameter_rel_sd_frac
    crop = math.hypot(
        BEAM.fruit_rel_sd_frac,
        3.0 * BEAM.harvest_size_rel_sd_frac,
        max(BEAM.unseen_rel_sd_frac, unseen_rel_sd_frac),
    )
    return math.hypot(
        (3.0 - 2.0 * wood_share_frac) * diameter,
        branch_rel_sd_frac(species),
        BEAM.strength_rel_sd_frac,
        (1.0 - wood_share_frac) * crop,
    )


def branch_rel_sd_frac(species: Species) -> float:
    """Branch-to-branch scatter of the strength share, as a share of it."""
    scatter = species.bark_circle_se_frac.number * math.sqrt(BEAM.branches_n)
    return math.sqrt(math.log1p((scatter / species.bark_circle_frac.number) ** 2))


def factor_band(factor: float, rel_sd_frac: float) -> Band:
    """Band of a factor whose logarithm is taken as normal (a factor cannot be negative)."""
    spread = math.exp(BEAM.band_z * rel_sd_frac)
    return Band(factor / spread, factor, factor * spread)


class Judge:
    """One limb's strength, applied to any crop on it."""

    def __init__(
        self,
        model: LimbModel,
        limb: Limb,
        species: Species,
        inputs: GrowerInputs,
        *,
        unseen_rel_sd_frac: float,
        sure: bool,
    ) -> None:
        self.model = model
        self.breaking_mpa = species.breaking_stress_mpa
        self.moe_mpa = species.live_branch_moe_mpa.middle
        self.limb, self.species = limb, species
        self.sure = sure
        self.unseen = unseen_rel_sd_frac
        self.safety = inputs.safety_factor
        self.thin = bool(limb.base_diameter_mm < BEAM.thin_wood_mm)

    def bends(self, fork: ForkLoad) -> bool:
        """Whether a shoot is thin wood loaded beyond its working stress."""
        thin = self.model.shoot_base_mm[fork.shoot] < BEAM.thin_wood_mm
        return bool(thin and fork.shoot_stress_mpa > self.breaking_mpa / self.safety)

    def moment(self, fruit: BoolArray, wood: BoolArray) -> FloatArray:
        """Bending moment with some of the fruit and some of the wood."""
        return bending_moment_n_m(
            self.model.beam, Weights.of(self.model.fruit.take(fruit), self.model.wood.take(wood))
        )

    def state(self, fruit: BoolArray, wood: BoolArray) -> LoadState:
        """All numbers with some of the fruit and some of the wood."""
        model = self.model
        moment = self.moment(fruit, wood)
        stress = bending_stress_mpa(moment, model.beam.diameter_mm)
        forks = self._forks(fruit, wood)
        worst = int(np.argmax(stress))
        hardest, weakest = float(stress[worst]), "limb"
        for fork in forks:
            if fork.shoot_stress_mpa > hardest:
                hardest, weakest = fork.shoot_stress_mpa, f"side shoot {fork.shoot + 1}"
        factor = self.breaking_mpa / hardest if hardest > 0 else math.inf
        bare = self.moment(np.zeros_like(fruit), wood)
        own = float(np.clip(bare[worst] / moment[worst], 0, 1)) if moment[worst] else 1.0
        rel_sd = factor_rel_sd_frac(
            self.limb, self.species,
            wood_share_frac=own if weakest == "limb" else 0.0, unseen_rel_sd_frac=self.unseen
        )  # fmt: skip
        band = factor_band(factor, rel_sd)
        return LoadState(
            fruit_count=int(fruit.sum()),
            fruit_g=float(fruit.sum()) * model.fruit_g,
            wood_g=float(model.wood_g[wood].sum()),
            moment_n_m=moment,
            stress_mpa=stress,
            sink_mm=deflection_mm(model.beam, moment, self.moe_mpa),
            worst_at_mm=float(model.beam.along_mm[worst]),
            worst_stress_mpa=float(stress[worst]),
            base_moment_n_m=float(abs(moment[0])),
            forks=forks,
            weakest=weakest,
            load_factor=band,
            factor_rel_sd_frac=rel_sd,
            verdict=self._word(band, bool(fruit.any())),
        )

    def _word(self, band: Band, any_fruit: bool) -> str:
        if not self.sure:
            return "not known"
        return verdict_of(band.low, band.middle, self.safety) if any_fruit else "fine"

    def _forks(self, fruit: BoolArray, wood: BoolArray) -> tuple[ForkLoad, ...]:
        model = self.model
        out = []
        for shoot in range(len(model.fork_mm)):
            mine = model.fruit.take(fruit & (model.fruit_line == shoot))
            own = model.wood.take(wood & (model.wood_line == shoot))
            both = Weights.of(mine, own)
            pull = float((both.force_n * (both.reach_mm - model.fork_reach_mm[shoot])).sum()) / 1000
            shoot_stress = bending_stress_mpa(np.array([pull]), model.shoot_base_mm[[shoot]])[0]
            out.append(ForkLoad(shoot, float(shoot_stress)))
        return tuple(out)
