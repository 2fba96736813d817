"""One TOML file a species; every number says where it comes from and how sure that is.

Adding a species needs one more file in this folder and no code.
"""

from fruitcount.species.loader import load_species, species_names, species_title
from fruitcount.species.model import STATUSES, AcrePlan, SizeCode, Sourced, Species, TrunkRow

__all__ = [
    "STATUSES",
    "AcrePlan",
    "SizeCode",
    "Sourced",
    "Species",
    "TrunkRow",
    "load_species",
    "species_names",
    "species_title",
]
