"""Constants of the beam."""

from __future__ import annotations

from dataclasses import dataclass

from fruitcount.errors import at_least, in_range


@dataclass(frozen=True)
class LoadDetail:
    """Constants of the beam that are our choice.

    Attributes
    ----------
    sections : int
        Sections at which the limb is checked. More is finer.
    tip_share_frac : float
        Tip over base diameter where the tip was not measured.
    shoot_share_frac : float
        Shoot over limb base diameter where the shoot was not measured.
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
    tip_share_frac: float = 0.5
    shoot_share_frac: float = 1 / 3
    diameter_rel_sd_frac: float = 0.10
    fruit_rel_sd_frac: float = 0.05
    harvest_size_rel_sd_frac: float = 0.05
    unseen_rel_sd_frac: float = 0.10
    branches_n: float = 26.0
    strength_rel_sd_frac: float = 0.16
    thin_wood_mm: float = 15.0
    leaf_mass_g_per_m: float = 150.0
    band_z: float = 1.645

    def __post_init__(self) -> None:
        at_least("sections", self.sections, 3)
        for name in vars(self):
            if name.endswith("_frac"):
                in_range(name, getattr(self, name), 0.01 if "share" in name else 0.0, 1.0)
        for name in ("leaf_mass_g_per_m", "band_z", "thin_wood_mm"):
            at_least(name, getattr(self, name), 0.0)
