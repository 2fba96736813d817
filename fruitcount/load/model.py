"""The photographed limb as a beam with weights on it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fruitcount.lines import line_length_px, point_on_line
from fruitcount.load.beam import Beam, Weights
from fruitcount.plan.inputs import GrowerInputs, PlacedFruit, place_on_wood
from fruitcount.plan.problem import wood_thickness_frac
from fruitcount.species.model import Species
from fruitcount.types import FloatArray, Fruitlets, IntArray, Limb
from fruitcount.units import GRAVITY_N_PER_KG

_SHOOT_PIECES = 8


@dataclass(frozen=True)
class LoadDetail:
    """Constants of the beam that are our choice.

    Attributes
    ----------
    sections : int
        Sections at which the limb is checked. More is finer.
    diameter_rel_sd_frac : float
        One standard deviation of a diameter, as a share, where the limb does not say.
    fruit_rel_sd_frac : float
        The same for the weight of a fruit of given size, and for how far out the crop hangs.
    harvest_size_rel_sd_frac : float
        The same for the diameter at harvest; weight goes as its cube.
    unseen_rel_sd_frac : float
        The same for the number of fruit, since some are hidden; wider where a count range says so.
    strength_rel_sd_frac : float
        The same for the bending strength of clear wood (memory).
    branches_n : float
        Branches behind the standard error of the strength share (26 in Kane 2007): one branch
        scatters by its square root more.
    thin_wood_mm : float
        Base diameter under which wood hangs down before it breaks: its sag is told, not a stress,
        and the count is that of a limb this thick.
    leaf_mass_g_per_m : float
        Leaves per metre of limb and shoots.
    band_z : float
        Half width of the band in standard deviations; 1.645 holds nine in ten.
    """

    sections: int = 101
    diameter_rel_sd_frac: float = 0.10
    fruit_rel_sd_frac: float = 0.05
    harvest_size_rel_sd_frac: float = 0.05
    unseen_rel_sd_frac: float = 0.10
    branches_n: float = 26.0
    strength_rel_sd_frac: float = 0.16
    thin_wood_mm: float = 15.0
    leaf_mass_g_per_m: float = 150.0
    band_z: float = 1.645


BEAM = LoadDetail()


@dataclass(frozen=True, eq=False)
class LimbModel:
    """Beam, weights, and what is needed to take parts of them away.

    Attributes
    ----------
    beam : Beam
    wood : Weights
        One a piece of limb or shoot, leaves too; ``wood_line`` and ``wood_at_mm`` say which piece.
    wood_line : int array
        -1 on the main limb, else the shoot.
    wood_at_mm : float array
        Middle of the piece along its own line.
    wood_mm, wood_g : float arrays
        Length of each piece; mass of its wood and leaves.
    fruit : Weights
        One a crop fruit, in the order of ``index``.
    index : int array
        Which fruitlets are crop.
    fruit_line : int array
    fruit_g : float
        One ripe fruit.
    shoot_base_mm : float array
        Diameter of each shoot at its fork.
    fork_mm : float array
        Where each shoot leaves the limb, along it.
    fork_reach_mm : float array
    """

    beam: Beam
    wood: Weights
    wood_line: IntArray
    wood_at_mm: FloatArray
    wood_mm: FloatArray
    wood_g: FloatArray
    fruit: Weights
    index: IntArray
    fruit_line: IntArray
    fruit_g: float
    shoot_base_mm: FloatArray
    fork_mm: FloatArray
    fork_reach_mm: FloatArray


def limb_model(
    fruitlets: Fruitlets, limb: Limb, species: Species, inputs: GrowerInputs
) -> LimbModel | None:
    """Build the beam; ``None`` where line, length or base diameter are not told.

    Parameters
    ----------
    fruitlets : Fruitlets
    limb : Limb
        The photo's vertical is taken as plumb, and the picture plane as the limb's own, unless
        an inclination is given.
    species : Species
    inputs : GrowerInputs
    """
    placed = place_on_wood(fruitlets, limb, inputs)
    length_mm = placed.length_px * placed.mm_per_px
    told = line_length_px(limb.line_px) > 0 and length_mm > 0 and limb.base_diameter_mm > 0
    if not told or not np.isfinite(length_mm + limb.base_diameter_mm):
        return None
    place = _Places(limb, placed, inputs.inclination_deg)
    along = np.linspace(0.0, length_mm, BEAM.sections)
    main = np.full(BEAM.sections, -1)
    thick = limb.base_diameter_mm * wood_thickness_frac(limb, main, along / length_mm)
    beam = Beam(along, place.reach(-1, along), np.maximum(thick, 1.0))
    line = placed.line
    at = placed.at_px * np.where(line == -1, placed.mm_per_px, place.mm_per_px)
    fruit_g = harvest_mass_g(species, inputs.harvest_diameter_mm)
    force = fruit_g / 1000.0 * GRAVITY_N_PER_KG * inputs.handling_factor
    shoots = np.arange(len(limb.shoots))
    at_fork = wood_thickness_frac(limb, shoots, np.zeros(len(shoots)))
    shoot_base = limb.base_diameter_mm * at_fork
    wood_line, wood_at, wood_mm, wood_g = _wood_pieces(beam, place, shoot_base, species)
    pull = wood_g / 1000.0 * GRAVITY_N_PER_KG * inputs.handling_factor
    return LimbModel(
        beam=beam,
        wood=place.weights(wood_line, wood_at, pull),
        wood_line=wood_line,
        wood_at_mm=wood_at,
        wood_mm=wood_mm,
        wood_g=wood_g,
        fruit=place.weights(line, at, np.full(len(line), force)),
        index=placed.index,
        fruit_line=line,
        fruit_g=fruit_g,
        shoot_base_mm=shoot_base,
        fork_mm=place.fork_mm,
        fork_reach_mm=place.reach(-1, place.fork_mm),
    )


class _Places:
    """Horizontal places along limb and shoots, in mm from the base."""

    def __init__(self, limb: Limb, placed: PlacedFruit, inclination_deg: float | None) -> None:
        self.limb, self.inclination_deg = limb, inclination_deg
        # Forks and fruit are given along the limb as measured, which may differ by a hair.
        drawn = line_length_px(limb.line_px)
        self.mm_per_px = placed.length_px * placed.mm_per_px / drawn
        self.fork_mm = placed.fork_px * placed.mm_per_px
        self.shoot_mm = placed.shoot_length_px * self.mm_per_px

    def reach(self, line: int, at_mm: FloatArray) -> FloatArray:
        """Horizontal places of points along one line."""
        if self.inclination_deg is not None:
            start = 0.0 if line == -1 else self.fork_mm[line]
            reach: FloatArray = (start + at_mm) * np.cos(np.radians(self.inclination_deg))
            return reach
        drawn = self.limb.line_px if line == -1 else self.limb.shoots[line].line_px
        x_px = point_on_line(drawn, at_mm / self.mm_per_px)[:, 0]
        away: FloatArray = (x_px - self.limb.line_px[0, 0]) * self.mm_per_px
        return away

    def weights(self, line: IntArray, at_mm: FloatArray, force_n: FloatArray) -> Weights:
        joins = at_mm.copy()
        reach = np.zeros(len(at_mm))
        for one in np.unique(line):
            mine = line == one
            reach[mine] = self.reach(int(one), at_mm[mine])
            if one >= 0:
                joins[mine] = self.fork_mm[one]
        return Weights(joins, reach, force_n)


def _wood_pieces(
    beam: Beam, place: _Places, shoot_base: FloatArray, species: Species
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Line, middle, length and mass of every piece of limb and shoot, leaves included."""
    density = species.wood_density_kg_per_m3.number
    middles = (beam.along_mm[1:] + beam.along_mm[:-1]) / 2
    lines = [np.full(len(middles), -1)]
    ats = [middles]
    lengths = [np.diff(beam.along_mm)]
    thick = [np.interp(middles, beam.along_mm, beam.diameter_mm)]
    for i in np.flatnonzero(place.shoot_mm > 0):
        long_mm = float(place.shoot_mm[i])
        edges = np.linspace(0.0, long_mm, _SHOOT_PIECES + 1)
        lines.append(np.full(_SHOOT_PIECES, i))
        ats.append((edges[1:] + edges[:-1]) / 2)
        lengths.append(np.diff(edges))
        thick.append(shoot_base[i] * (1.0 - 0.5 * ats[-1] / long_mm))
    length = np.concatenate(lengths)
    mass = np.pi / 4.0 * np.concatenate(thick) ** 2 * length * density * 1e-6
    leaves = length / 1000.0 * BEAM.leaf_mass_g_per_m
    return np.concatenate(lines).astype(np.int64), np.concatenate(ats), length, mass + leaves


def fruit_mass_g(diameter_mm: float, density_g_per_cm3: float) -> float:
    """Mass of a fruit as a sphere: density times pi/6 d^3.

    For peach 0.96 g/cm3 gives the USDA household weights within 5 %.
    """
    return density_g_per_cm3 * math.pi / 6.0 * (diameter_mm / 10.0) ** 3


def harvest_mass_g(species: Species, harvest_diameter_mm: float | None) -> float:
    """Mass of one ripe fruit at the wanted diameter, or at the species' usual one."""
    diameter = species.harvest_diameter_mm.number
    if harvest_diameter_mm is not None:
        diameter = harvest_diameter_mm
    return fruit_mass_g(diameter, species.fruit_density_g_per_cm3.number)
