"""Load of a limb before and after the plan, with its uncertainty and what would help."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fruitcount.flags import Flag
from fruitcount.load.beam import Weights, bending_moment_n_m, bending_stress_mpa, deflection_mm
from fruitcount.load.explain import explain_load
from fruitcount.load.model import LimbModel, limb_model
from fruitcount.load.prop import Prop, best_prop
from fruitcount.load.settings import LoadDetail, LoadInputs
from fruitcount.load.words import CAUTIONS, notes_of, verdict_of
from fruitcount.reason import Reason
from fruitcount.species import Species
from fruitcount.types import FloatArray, Fruitlets, Limb

__all__ = [
    "Band",
    "ForkLoad",
    "LoadReport",
    "LoadState",
    "Relief",
    "Removal",
    "factor_band",
    "factor_rel_sd_frac",
    "limb_load",
]


@dataclass(frozen=True)
class Band:
    """A middle value and the ends that hold nine in ten."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class Removal:
    """A cut, as the load sees it: wood and fruit beyond it are gone.

    ``shoot`` is -1 on the main limb; ``at_mm`` is along that line; ``fruit`` are fruitlets.
    """

    shoot: int
    at_mm: float
    fruit: tuple[int, ...]


@dataclass(frozen=True)
class ForkLoad:
    """Where a shoot leaves the limb: stress of the limb there, and of the shoot at its base."""

    shoot: int
    at_mm: float
    limb_stress_mpa: float
    shoot_stress_mpa: float


@dataclass(frozen=True)
class Relief:
    """What one cut takes off the limb.

    Attributes
    ----------
    fruit_g : float
        Harvest weight of the fruit it brings off.
    base_moment_frac : float
        Share of the base moment (all that hangs there before) that goes.
    worst_stress_frac : float
        Share of the stress at the worst section that goes.
    """

    fruit_g: float
    base_moment_frac: float
    worst_stress_frac: float


@dataclass(frozen=True, eq=False)
class LoadState:
    """The limb with a given crop, every fruit at harvest weight.

    Attributes
    ----------
    fruit_count : int
    fruit_g, wood_g : float
        Crop; wood and leaves.
    moment_n_m, stress_mpa, sink_mm : float arrays, shape (K,)
        Along the limb, handling factor included. ``sink_mm`` is small-angle: see the cautions.
    worst_at_mm, worst_stress_mpa : float
        The section nearest to breaking.
    base_moment_n_m, base_stress_mpa : float
    forks : tuple of ForkLoad
    weakest : str
        ``"limb"`` or ``"side shoot N"`` (from 1): the place that the load factor is for. Shoots
        of thin wood hang down before they break and are left out of it.
    load_factor : Band
        How many times this load until the worst place breaks, by the estimate.
    verdict : {"fine", "prop or lighten", "do not hang this much", "not told"}
    """

    fruit_count: int
    fruit_g: float
    wood_g: float
    moment_n_m: FloatArray
    stress_mpa: FloatArray
    sink_mm: FloatArray
    worst_at_mm: float
    worst_stress_mpa: float
    base_moment_n_m: float
    base_stress_mpa: float
    forks: tuple[ForkLoad, ...]
    weakest: str
    load_factor: Band
    verdict: str


@dataclass(frozen=True, eq=False)
class LoadReport:
    """Before and after, section by section.

    Attributes
    ----------
    told : bool
        False: length, line or thickness are missing; arrays are empty and numbers NaN.
    along_mm, diameter_mm : float arrays, shape (K,)
    before, after : LoadState
        With all crop that hangs there, and with what the plan keeps.
    breaking_mpa, working_mpa : float
        Stress at which it is taken to break; the same over the safety factor.
    factor_rel_sd_frac : float
    reliefs : tuple of Relief
        One a removal, in their order.
    prop : Prop or None
        Where one prop would help the kept crop most.
    fruit_g : float
        One ripe fruit.
    thin_wood : bool
        The limb is so thin that it hangs down before it breaks.
    notes : tuple of str
        What is special about this limb, in sentences.
    cautions : tuple of str
        What holds for every limb.
    flags : Flag
    explanation : tuple of Reason
        Where each number comes from; empty where the load is not told.
    """

    told: bool
    along_mm: FloatArray
    diameter_mm: FloatArray
    before: LoadState
    after: LoadState
    breaking_mpa: float
    working_mpa: float
    factor_rel_sd_frac: float
    reliefs: tuple[Relief, ...]
    prop: Prop | None
    fruit_g: float
    thin_wood: bool
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    flags: Flag
    explanation: tuple[Reason, ...] = ()


def factor_rel_sd_frac(limb: Limb, species: Species, detail: LoadDetail) -> float:
    """Standard deviation of the load factor as a share of it.

    Delta method: stress goes as one over diameter cubed, so a diameter's share counts three times
    (5 % thicker is 16 % less stress); strength, its share in real branches, and crop weight count
    once.
    """
    own = limb.diameter_rel_sd_frac
    diameter = own if np.isfinite(own) else detail.diameter_rel_sd_frac
    share = species.bark_circle_se_frac.number / species.bark_circle_frac.number
    parts = (3.0 * diameter, share, detail.strength_rel_sd_frac, detail.fruit_rel_sd_frac)
    return math.sqrt(sum(p * p for p in parts))


def factor_band(factor: float, rel_sd_frac: float, band_z: float = 1.645) -> Band:
    """Band of a factor whose logarithm is taken as normal (a factor cannot be negative)."""
    spread = math.exp(band_z * rel_sd_frac)
    return Band(factor / spread, factor, factor * spread)


def limb_load(
    fruitlets: Fruitlets,
    limb: Limb,
    species: Species,
    inputs: LoadInputs,
    keep_mask: NDArray[np.bool_],
    *,
    removals: Sequence[Removal] = (),
    detail: LoadDetail | None = None,
) -> LoadReport:
    """Load of a limb with all its crop, and with the kept crop.

    Parameters
    ----------
    fruitlets : Fruitlets
    limb : Limb
    species : Species
    inputs : LoadInputs
        ``GrowerInputs`` of the plan, or :class:`LoadSettings`.
    keep_mask : bool array, one a fruitlet
    removals : sequence of Removal
        The plan's cuts: wood beyond them is not carried afterwards.
    detail : LoadDetail, optional

    Returns
    -------
    LoadReport
        An estimate, never a promise that a limb will hold.
    """
    detail = detail or LoadDetail()
    model = limb_model(fruitlets, limb, species, inputs, detail=detail)
    if model is None:
        return _not_told(species, inputs)
    judge = _Judge(model, limb, species, inputs, detail)
    kept = np.asarray(keep_mask, dtype=bool)[model.index]
    wood = _standing_wood(model, removals)
    before = judge.state(np.ones(len(model.index), dtype=bool), np.ones(len(model.wood_g), bool))
    after = judge.state(kept, wood)
    report = LoadReport(
        told=True,
        along_mm=model.beam.along_mm,
        diameter_mm=model.beam.diameter_mm,
        before=before,
        after=after,
        breaking_mpa=judge.breaking_mpa,
        working_mpa=judge.breaking_mpa / inputs.safety_factor,
        factor_rel_sd_frac=judge.rel_sd,
        reliefs=tuple(_relief(judge, before, r) for r in removals),
        prop=best_prop(model.beam, after.moment_n_m, judge.breaking_mpa, limb),
        fruit_g=model.fruit_g,
        thin_wood=judge.thin,
        notes=notes_of(
            thin_limb=judge.thin,
            thin_shoots=[f.shoot for f in after.forks if judge.bends(f)],
            tip_assumed=not np.isfinite(limb.tip_diameter_mm),
            by_line=inputs.inclination_deg is None,
        ),
        cautions=CAUTIONS,
        flags=Flag.NONE,
    )
    return replace(report, explanation=explain_load(report, limb, species, inputs, detail))


class _Judge:
    """One limb's strength, applied to any crop on it."""

    def __init__(
        self,
        model: LimbModel,
        limb: Limb,
        species: Species,
        inputs: LoadInputs,
        detail: LoadDetail,
    ) -> None:
        self.model = model
        self.breaking_mpa = species.breaking_stress_mpa
        self.moe_mpa = species.live_branch_moe_mpa.middle
        self.rel_sd = factor_rel_sd_frac(limb, species, detail)
        self.band_z = detail.band_z
        self.safety = inputs.safety_factor
        self.thin_wood_mm = detail.thin_wood_mm
        self.thin = bool(limb.base_diameter_mm < detail.thin_wood_mm)

    def bends(self, fork: ForkLoad) -> bool:
        """Whether a shoot is thin wood loaded beyond its working stress."""
        thin = self.model.shoot_base_mm[fork.shoot] < self.thin_wood_mm
        return bool(thin and fork.shoot_stress_mpa > self.breaking_mpa / self.safety)

    def moment(self, fruit: NDArray[np.bool_], wood: NDArray[np.bool_]) -> FloatArray:
        return bending_moment_n_m(
            self.model.beam, Weights.of(self.model.fruit.take(fruit), self.model.wood.take(wood))
        )

    def state(self, fruit: NDArray[np.bool_], wood: NDArray[np.bool_]) -> LoadState:
        model = self.model
        moment = self.moment(fruit, wood)
        stress = bending_stress_mpa(moment, model.beam.diameter_mm)
        forks = self._forks(fruit, wood, stress)
        worst = int(np.argmax(stress))
        hardest, weakest = float(stress[worst]), "limb"
        for fork in forks:
            thick = model.shoot_base_mm[fork.shoot] >= self.thin_wood_mm
            if thick and fork.shoot_stress_mpa > hardest:
                hardest, weakest = fork.shoot_stress_mpa, f"side shoot {fork.shoot + 1}"
        factor = self.breaking_mpa / hardest if hardest > 0 else math.inf
        band = factor_band(factor, self.rel_sd, self.band_z)
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
            base_stress_mpa=float(stress[0]),
            forks=forks,
            weakest=weakest,
            load_factor=band,
            verdict=verdict_of(band.low, band.middle, self.safety, thin=self.thin),
        )

    def _forks(
        self, fruit: NDArray[np.bool_], wood: NDArray[np.bool_], stress: FloatArray
    ) -> tuple[ForkLoad, ...]:
        model = self.model
        out = []
        for shoot, at in enumerate(model.fork_mm):
            mine = model.fruit.take(fruit & (model.fruit_line == shoot))
            own = model.wood.take(wood & (model.wood_line == shoot))
            both = Weights.of(mine, own)
            pull = float((both.force_n * (both.reach_mm - model.fork_reach_mm[shoot])).sum()) / 1000
            shoot_stress = bending_stress_mpa(np.array([pull]), model.shoot_base_mm[[shoot]])[0]
            here = float(np.interp(at, model.beam.along_mm, stress))
            out.append(ForkLoad(shoot, float(at), here, float(shoot_stress)))
        return tuple(out)


def _gone(
    model: LimbModel, line: NDArray[np.int64], at: FloatArray, cut: Removal
) -> NDArray[np.bool_]:
    """What lies beyond a cut: on its own line, and for the main limb all shoots beyond too."""
    gone: NDArray[np.bool_] = (line == cut.shoot) & (at > cut.at_mm)
    if cut.shoot == -1:
        fork = np.append(model.fork_mm, -np.inf)[line]
        gone |= (line >= 0) & (fork > cut.at_mm)
    return gone


def _standing_wood(model: LimbModel, removals: Sequence[Removal]) -> NDArray[np.bool_]:
    wood = np.ones(len(model.wood_g), dtype=bool)
    for cut in removals:
        wood &= ~_gone(model, model.wood_line, model.wood_at_mm, cut)
    return wood


def _relief(judge: _Judge, before: LoadState, cut: Removal) -> Relief:
    """The load without this cut's wood and fruit, against the load before."""
    model = judge.model
    fruit = ~np.isin(model.index, np.array(cut.fruit, dtype=np.int64))
    moment = judge.moment(fruit, _standing_wood(model, [cut]))
    stress = bending_stress_mpa(moment, model.beam.diameter_mm)
    return Relief(
        fruit_g=float((~fruit).sum()) * model.fruit_g,
        base_moment_frac=_drop(before.base_moment_n_m, float(abs(moment[0]))),
        worst_stress_frac=_drop(before.worst_stress_mpa, float(stress.max())),
    )


def _drop(before: float, after: float) -> float:
    return 1.0 - after / before if before > 0 else 0.0


def _not_told(species: Species, inputs: LoadInputs) -> LoadReport:
    nan = math.nan
    empty = np.zeros(0)
    state = LoadState(
        0,
        nan,
        nan,
        empty,
        empty,
        empty,
        nan,
        nan,
        nan,
        nan,
        (),
        "",
        Band(nan, nan, nan),
        "not told",
    )
    breaking = species.breaking_stress_mpa
    return LoadReport(
        told=False,
        along_mm=empty,
        diameter_mm=empty,
        before=state,
        after=state,
        breaking_mpa=breaking,
        working_mpa=breaking / inputs.safety_factor,
        factor_rel_sd_frac=nan,
        reliefs=(),
        prop=None,
        fruit_g=nan,
        thin_wood=False,
        notes=(),
        cautions=CAUTIONS,
        flags=Flag.LOAD_NOT_TOLD,
    )
