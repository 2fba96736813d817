"""What the limb carries at harvest: moment, stress, load factor, and what helps."""

from fruitcount.load.beam import Prop
from fruitcount.load.carry import CarryLimit, carry_limit
from fruitcount.load.model import fruit_mass_g, harvest_mass_g
from fruitcount.load.report import LoadReport, Relief, Removal, limb_load
from fruitcount.load.settings import LoadDetail, LoadInputs
from fruitcount.load.state import Band, ForkLoad, LoadState, factor_band

__all__ = [
    "Band",
    "CarryLimit",
    "ForkLoad",
    "LoadDetail",
    "LoadInputs",
    "LoadReport",
    "LoadState",
    "Prop",
    "Relief",
    "Removal",
    "carry_limit",
    "factor_band",
    "fruit_mass_g",
    "harvest_mass_g",
    "limb_load",
]
