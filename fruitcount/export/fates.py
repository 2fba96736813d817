"""What becomes of each fruit, by one name: the key into the palette."""

from __future__ import annotations

from fruitcount.pipeline import Result
from fruitcount.types import Kind

__all__ = ["fruit_fates"]


def fruit_fates(result: Result) -> list[str]:
    """One fate a fruit, in the order of ``result.measurement.fruitlets``.

    Returns
    -------
    list of str
        ``"keep"``, ``"pinch"``, ``"cut"`` (falls with a cut), ``"yellowing"``, ``"elsewhere"``
        (not on this limb) or ``"counted"`` (counted, no plan made).
    """
    fruit, plan = result.measurement.fruitlets, result.decision.plan
    cut_away = {int(i) for cut in plan.cuts for i in cut.fruit}
    fates = []
    for i in range(len(fruit)):
        if fruit.on_limb[i] == 0:
            fates.append("elsewhere")
        elif i in cut_away:
            fates.append("cut")
        elif fruit.kind[i] == Kind.YELLOWING:
            fates.append("yellowing")
        elif plan.keep_mask[i]:
            fates.append("keep")
        elif plan.off_mask[i]:
            fates.append("pinch")
        else:
            fates.append("counted")
    return fates
