"""What becomes of each fruit, and the colours and shapes that say so on every picture.

Colours are from the Okabe-Ito set, which stays apart for the common colour-vision deficiencies
(Okabe M., Ito K., "Color Universal Design", 2008; values from memory). No meaning rests on
colour alone: each action has a shape of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

from fruitcount.plan import Plan
from fruitcount.types import Fruitlets, Kind

RGB = tuple[int, int, int]

BLACK: RGB = (0, 0, 0)
WHITE: RGB = (255, 255, 255)
INK_RGB: RGB = (24, 28, 32)
PAPER_RGB: RGB = (250, 249, 244)
CUT_RGB: RGB = (204, 121, 167)
OVER_RGB: RGB = (213, 94, 0)
LIMB_RGB: RGB = WHITE


@dataclass(frozen=True)
class ActionStyle:
    """How one action is drawn and named.

    Attributes
    ----------
    word : str
        What the legend says.
    rgb : tuple of int
    shape : {"ring", "cross", "slash", "triangle", "dots"}
    """

    word: str
    rgb: RGB
    shape: str


ACTIONS: dict[str, ActionStyle] = {
    "keep": ActionStyle("keep", (86, 180, 233), "ring"),
    "pinch": ActionStyle("pinch off", (213, 94, 0), "cross"),
    "cut": ActionStyle("goes with the cut", (230, 159, 0), "slash"),
    "yellowing": ActionStyle("yellowing, will drop", (240, 228, 66), "triangle"),
    "elsewhere": ActionStyle("not on this limb", (190, 190, 190), "dots"),
    "counted": ActionStyle("counted", WHITE, "ring"),
}


def fruit_actions(fruit: Fruitlets, plan: Plan) -> list[str]:
    """One key of ``ACTIONS`` a fruit, in its order.

    Parameters
    ----------
    fruit : Fruitlets
    plan : Plan
        Made from these fruitlets.

    Returns
    -------
    list of str
        ``"keep"``, ``"pinch"``, ``"cut"`` (falls with a cut), ``"yellowing"``, ``"elsewhere"``
        (not on this limb) or ``"counted"`` (counted, no plan made).
    """
    cut_away = {int(i) for cut in plan.cuts for i in cut.fruit}
    actions = []
    for i in range(len(fruit)):
        if fruit.on_limb[i] == 0:
            actions.append("elsewhere")
        elif i in cut_away:
            actions.append("cut")
        elif fruit.kind[i] == Kind.YELLOWING:
            actions.append("yellowing")
        elif plan.keep_mask[i]:
            actions.append("keep")
        else:
            actions.append("pinch" if plan.off_mask[i] else "counted")
    return actions
