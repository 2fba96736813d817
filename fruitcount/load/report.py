"""Load of a limb before and after the plan, with its uncertainty and what would help."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fruitcount.flags import LOAD_DOUBTS, Flag
from fruitcount.load.beam import Prop, bending_stress_mpa, best_prop
from fruitcount.load.model import LimbModel, crop_index, harvest_mass_g, limb_model
from fruitcount.load.settings import LoadDetail, LoadInputs
from fruitcount.load.state import Judge, LoadState, no_sections
from fruitcount.load.words import explain_load, notes_of
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, FloatArray, Fruitlets, IntArray, Limb, Reason


@dataclass(frozen=True)
class Removal:
    """A cut, as the load sees it: wood and fruit beyond it are gone.

    ``shoot`` is -1 on the main limb; ``at_mm`` is along that line; ``fruit`` are fruitlets.
    """

    shoot: int
    at_mm: float
    fruit: tuple[int, ...]


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
class LoadReport:
    """Before and after, section by section.

    Attributes
    ----------
    known : bool
        False: length, line or thickness are missing; arrays are empty and numbers NaN.
    along_mm, diameter_mm : float arrays, shape (K,)
    before, after : LoadState
        With all crop that hangs there, and with what the plan keeps.
    breaking_mpa, working_mpa : float
        Stress at which it is taken to break; the same over the safety factor.
    reliefs : tuple of Relief
        One a removal, in their order.
    prop : Prop or None
        Where one prop would help the kept crop most.
    fruit_g : float
        One ripe fruit.
    thin_wood : bool
        The limb is so thin that it hangs down before it breaks.
    sag_low_mm, sag_high_mm : float
        How far the tip may hang down with the kept crop, a rough range: small-angle theory, and
        twice that, since it missed half of the droop of young apricot stems (Almeras et al. 2002,
        Trees). NaN for thicker wood.
    sure : bool
        False where the limb, its thickness or the count are in doubt: no verdict then.
    notes : tuple of str
        What is special about this limb, in sentences.
    flags : Flag
    explanation : tuple of Reason
        Where each number comes from; empty where the load is not told.
    """

    before: LoadState
    after: LoadState
    breaking_mpa: float
    working_mpa: float
    known: bool = False
    along_mm: FloatArray = field(default_factory=no_sections)
    diameter_mm: FloatArray = field(default_factory=no_sections)
    reliefs: tuple[Relief, ...] = ()
    prop: Prop | None = None
    fruit_g: float = math.nan
    thin_wood: bool = False
    sag_low_mm: float = math.nan
    sag_high_mm: float = math.nan
    sure: bool = False
    notes: tuple[str, ...] = ()
    flags: Flag = Flag.NONE
    explanation: tuple[Reason, ...] = ()

    @property
    def over_limit_mm(self) -> FloatArray:
        """Places past the working limit if all fruit stayed; empty where none is, or in doubt."""
        over = self.before.stress_mpa > self.working_mpa
        return self.along_mm[over] if self.sure else no_sections()


def limb_load(
    fruitlets: Fruitlets,
    limb: Limb,
    species: Species,
    inputs: LoadInputs,
    keep_mask: BoolArray,
    *,
    removals: Sequence[Removal] = (),
    detail: LoadDetail | None = None,
    flags: Flag = Flag.NONE,
    count_range_n: tuple[float, float] = (math.nan, math.nan),
) -> LoadReport:
    """Load of a limb with all its crop, and with the kept crop.

    ``keep_mask`` has shape (N,), one a fruitlet.

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
    flags : Flag
        What is doubtful about the photo; with ``LOAD_DOUBTS`` it gets no verdict.
    count_range_n : tuple of float
        Fewest and most fruit that may hang there (nine in ten); NaN where not known.

    Returns
    -------
    LoadReport
        An estimate, never a promise that a limb will hold.
    """
    detail = detail or LoadDetail()
    model = limb_model(fruitlets, limb, species, inputs, detail=detail)
    if model is None:
        crop_g = len(crop_index(fruitlets)) * harvest_mass_g(species, inputs.harvest_diameter_mm)
        return _not_known(species, inputs, math.nan if Flag.COUNT_UNKNOWN in flags else crop_g)
    n = len(model.index)
    wide = (count_range_n[1] - count_range_n[0]) / (2 * detail.band_z * max(n, 1))
    sure = not flags & LOAD_DOUBTS
    judge = Judge(model, limb, species, inputs, detail, sure=sure,
                  unseen_rel_sd_frac=wide if math.isfinite(wide) else 0.0)  # fmt: skip
    bare = judge.state(np.zeros(n, dtype=bool), np.ones(len(model.wood_g), bool))
    doubtful = bare.load_factor.middle < inputs.safety_factor
    kept = np.asarray(keep_mask, dtype=bool)[model.index]
    wood = _standing_wood(model, removals)
    before = judge.state(np.ones(len(model.index), dtype=bool), np.ones(len(model.wood_g), bool))
    after = judge.state(kept, wood)
    report = LoadReport(
        known=True,
        along_mm=model.beam.along_mm,
        diameter_mm=model.beam.diameter_mm,
        before=before,
        after=after,
        breaking_mpa=judge.breaking_mpa,
        working_mpa=judge.breaking_mpa / inputs.safety_factor,
        reliefs=tuple(_relief(judge, before, r) for r in removals),
        prop=best_prop(model.beam, after.moment_n_m, judge.breaking_mpa, limb),
        fruit_g=model.fruit_g,
        thin_wood=judge.thin,
        sag_low_mm=float(after.sink_mm[-1]) if judge.thin else math.nan,
        sag_high_mm=min(2 * float(after.sink_mm[-1]), float(model.beam.along_mm[-1]))
        if judge.thin
        else math.nan,
        sure=sure,
        notes=notes_of(
            thin_shoots=[f.shoot for f in after.forks if judge.bends(f)],
            tip_assumed=not np.isfinite(limb.tip_diameter_mm),
            by_line=inputs.inclination_deg is None,
            too_thin_for_itself=doubtful,
        ),
        flags=Flag.DIAMETER_DOUBTFUL if doubtful else Flag.NONE,
    )
    return replace(report, explanation=explain_load(report, limb, species, inputs, detail))


def _gone(model: LimbModel, line: IntArray, at: FloatArray, cut: Removal) -> BoolArray:
    """What lies beyond a cut: on its own line, and for the main limb all shoots beyond too."""
    gone: BoolArray = (line == cut.shoot) & (at > cut.at_mm)
    if cut.shoot == -1:
        fork = np.append(model.fork_mm, -np.inf)[line]
        gone |= (line >= 0) & (fork > cut.at_mm)
    return gone


def _standing_wood(model: LimbModel, removals: Sequence[Removal]) -> BoolArray:
    wood = np.ones(len(model.wood_g), dtype=bool)
    for cut in removals:
        wood &= ~_gone(model, model.wood_line, model.wood_at_mm, cut)
    return wood


def _relief(judge: Judge, before: LoadState, cut: Removal) -> Relief:
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


def _not_known(species: Species, inputs: LoadInputs, crop_g: float) -> LoadReport:
    state = LoadState(fruit_g=crop_g)
    breaking = species.breaking_stress_mpa
    return LoadReport(
        state, state, breaking, breaking / inputs.safety_factor, flags=Flag.LOAD_UNKNOWN
    )
