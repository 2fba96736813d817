"""Load of a limb before and after the plan, with its uncertainty and what would help."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fruitcount.flags import LOAD_DOUBTS, Flag
from fruitcount.load.beam import Prop, best_prop
from fruitcount.load.model import BEAM, LimbModel, harvest_mass_g, limb_model
from fruitcount.load.state import Judge, LoadState, no_sections
from fruitcount.load.words import explain_load, notes_of
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.plan.result import Cut
from fruitcount.species.model import Species
from fruitcount.types import BoolArray, FloatArray, Fruitlets, Limb, Reason


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
    inputs: GrowerInputs,
    keep_mask: BoolArray,
    *,
    cuts: Sequence[Cut] = (),
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
    inputs : GrowerInputs
    keep_mask : bool array, one a fruitlet
    cuts : sequence of Cut
        Wood beyond them is not carried afterwards.
    flags : Flag
        What is doubtful about the photo; with ``LOAD_DOUBTS`` it gets no verdict.
    count_range_n : tuple of float
        Fewest and most fruit that may hang there (nine in ten); NaN where not known.

    Returns
    -------
    LoadReport
        An estimate, never a promise that a limb will hold.
    """
    model = limb_model(fruitlets, limb, species, inputs)
    if model is None:
        crop_g = int(fruitlets.counts_as_crop.sum()) * harvest_mass_g(
            species, inputs.harvest_diameter_mm
        )
        return _not_known(species, inputs, math.nan if Flag.COUNT_UNKNOWN in flags else crop_g)
    n = len(model.index)
    wide = (count_range_n[1] - count_range_n[0]) / (2 * BEAM.band_z * max(n, 1))
    sure = not flags & LOAD_DOUBTS
    judge = Judge(model, limb, species, inputs, sure=sure,
                  unseen_rel_sd_frac=wide if math.isfinite(wide) else 0.0)  # fmt: skip
    bare = judge.state(np.zeros(n, dtype=bool), np.ones(len(model.wood_g), bool))
    doubtful = bare.load_factor.middle < inputs.safety_factor
    kept = np.asarray(keep_mask, dtype=bool)[model.index]
    wood = _standing_wood(model, cuts)
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
        prop=best_prop(model.beam, after.moment_n_m),
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
    return replace(report, explanation=explain_load(report, limb, species, inputs))


def _standing_wood(model: LimbModel, cuts: Sequence[Cut]) -> BoolArray:
    """Pieces not beyond a cut: on its own line, and for the main limb on all shoots beyond too."""
    wood, line = np.ones(len(model.wood_g), dtype=bool), model.wood_line
    fork = np.append(model.fork_mm, -np.inf)[line]
    for cut in cuts:
        wood &= (line != cut.shoot) | (model.wood_at_mm <= cut.at_mm)
        if cut.shoot == -1:
            wood &= fork <= cut.at_mm
    return wood


def _not_known(species: Species, inputs: GrowerInputs, crop_g: float) -> LoadReport:
    state = LoadState(fruit_g=crop_g)
    breaking = species.breaking_stress_mpa
    return LoadReport(
        state, state, breaking, breaking / inputs.safety_factor, flags=Flag.LOAD_UNKNOWN
    )
