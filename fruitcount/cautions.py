"""The usual cautions: short under every answer, in full where someone is sent to work.

Ladder: OSHA tripod orchard ladder card, the strictest of three published rules. Clippers to
25 mm and loppers to 50 mm are our figures; no source was found. The rest is common practice.
"""

from __future__ import annotations

import math

CLIPPERS_MM = 25.0
LOPPERS_MM = 50.0

CAUTIONS_SHORT = (
    "An estimate, not a promise that the limb holds: prop first, and let nobody stand beneath.",
    "Third step from the top of a ladder at most; keep fingers clear of the clippers.",
)

CAUTIONS_FULL = (
    "Counts, weights and loads are estimates. They do not promise that a limb will hold.",
    "A cracked or overloaded limb: prop it first, then unload it from the tip inward, a little at "
    "a time. Nobody stands beneath it. Old cracks, rot and weak forks do not show on a photo.",
    "A tied or hanging limb may spring or drop: support it before you cut or untie anything.",
    "Ladder: firm level ground, face it, one hand on the rail, no higher than the third step from "
    "the top, not in wind, away from power lines. Never stand on a limb.",
    "Keep the other hand clear of the blades, look where the cut wood will fall, and clean the "
    "clippers between trees.",
    "In heat drink often and rest in the shade.",
    "Local rules come first; leave big limbs to a licensed arborist.",
)


def cut_tool(diameter_mm: float) -> str:
    """What a cut takes: ``"clippers"``, ``"loppers"``, or ``""`` where it is not for hand tools.

    Parameters
    ----------
    diameter_mm : float
        Of the wood where it is cut; NaN where it was not measured.
    """
    if math.isnan(diameter_mm):
        return f"clippers; loppers over {CLIPPERS_MM:.0f} mm"
    if diameter_mm > LOPPERS_MM:
        return ""
    return "loppers" if diameter_mm > CLIPPERS_MM else "clippers"
