"""One table of flags, in words a grower can read, and the cautions that every output shows.

A flag is never an error. A result that carries ``NO_SCALE`` is a good result in pixels.
Every output (text, picture, JSON, CSV, screen) takes its sentence from here.

The usual cautions: short under every answer, in full where someone is sent to work. Ladder: OSHA
tripod orchard ladder card, the strictest of three published rules. Clippers to 25 mm and loppers
to 50 mm are our figures; no source was found. The rest is common practice.
"""

from __future__ import annotations

import math
from enum import IntFlag


class Flag(IntFlag):
    """Bits that may be set on a photo's result."""

    NONE = 0
    NO_SCALE = 1 << 0
    CARD_SMALL = 1 << 1
    CARD_TILTED = 1 << 2
    CARD_PARTLY_HIDDEN = 1 << 3
    CARDS_DISAGREE = 1 << 4
    CARD_SIZE_ASSUMED = 1 << 5
    SCALE_FROM_FRUIT = 1 << 6
    LIMB_NOT_FOUND = 1 << 7
    LIMB_LEAVES_FRAME = 1 << 8
    LIMB_DOUBTFUL = 1 << 9
    DIAMETER_DOUBTFUL = 1 << 10
    PHOTO_BLURRED = 1 << 11
    PHOTO_DARK = 1 << 12
    PHOTO_BRIGHT = 1 << 13
    COUNT_UNKNOWN = 1 << 14
    NO_FRUIT_SEEN = 1 << 15
    MANY_DOUBTFUL = 1 << 16
    COLOUR_DOUBTFUL = 1 << 17
    LOAD_UNKNOWN = 1 << 18
    FRUIT_LATE = 1 << 19
    SIZES_OUT_OF_RANGE = 1 << 20
    MODEL_MISSING = 1 << 21
    CARD_CODE_UNREAD = 1 << 22
    LIMB_UNSURE = 1 << 23
    LIMB_ENDS_UNSURE = 1 << 24
    SHEET_BEHIND = 1 << 25


# With one of these a limb gets a least weight, and no verdict on what it carries.
LOAD_DOUBTS = (
    Flag.LIMB_LEAVES_FRAME
    | Flag.LIMB_DOUBTFUL
    | Flag.LIMB_UNSURE
    | Flag.DIAMETER_DOUBTFUL
    | Flag.COUNT_UNKNOWN
)

SENTENCES: dict[Flag, str] = {
    Flag.NO_SCALE: "No scale in the photo: sizes, spacing and load are not known.",
    Flag.CARD_SMALL: "The scale card is under 100 pixels a side: sizes are less certain.",
    Flag.CARD_TILTED: "The scale card is strongly tilted: sizes are less certain.",
    Flag.CARD_PARTLY_HIDDEN: "The scale card seems partly hidden or bent.",
    Flag.CARDS_DISAGREE: "Two scale cards in the photo disagree.",
    Flag.CARD_SIZE_ASSUMED: "Card size typed is not what its number means; it was used.",
    Flag.SCALE_FROM_FRUIT: "Scale comes from a typed fruit diameter: treat sizes as rough.",
    Flag.LIMB_NOT_FOUND: "The limb could not be found: mark its base and tip.",
    Flag.LIMB_LEAVES_FRAME: "The limb runs out of the photo: fruit beyond the edge is not counted.",
    Flag.LIMB_DOUBTFUL: "The limb line is doubtful: check it on the picture.",
    Flag.DIAMETER_DOUBTFUL: "The limb's thickness is doubtful: measure it with a caliper.",
    Flag.PHOTO_BLURRED: "The photo is blurred: take it again, holding still.",
    Flag.PHOTO_DARK: "The photo is too dark to count reliably.",
    Flag.PHOTO_BRIGHT: "The photo is over-exposed: fruit in the bright parts may be missed.",
    Flag.COUNT_UNKNOWN: "The count could not be told from this photo.",
    Flag.NO_FRUIT_SEEN: "No fruitlets were seen on a readable photo.",
    Flag.MANY_DOUBTFUL: "Many of the marks are doubtful: check them by hand.",
    Flag.COLOUR_DOUBTFUL: "The light is strongly coloured: only plainly yellowing fruit is told.",
    Flag.LOAD_UNKNOWN: "The limb's load is not known: it needs a scale and the limb's thickness.",
    Flag.FRUIT_LATE: "Fruitlets are past the usual thinning size: thin now, expect less gain.",
    Flag.SIZES_OUT_OF_RANGE: "Fruit sizes are outside 4-35 mm: check the scale.",
    Flag.MODEL_MISSING: "The trained model was not found: the colour-and-shape method was used.",
    Flag.CARD_CODE_UNREAD: "The code on the card could not be read: check which tree this is.",
    Flag.LIMB_UNSURE: "This may not be the limb you meant: draw or tap its line, then count again.",
    Flag.LIMB_ENDS_UNSURE: "The base and the tip may be swapped: turn the line round if so.",
    Flag.SHEET_BEHIND: "A sheet is held behind the limb: only what is before it was counted.",
}


# Names that records of earlier versions hold.
_EARLIER_NAMES = {"COUNT_NOT_TOLD": "COUNT_UNKNOWN", "LOAD_NOT_TOLD": "LOAD_UNKNOWN"}


def flag_names(flags: Flag) -> list[str]:
    """Names of the set bits, lowest first.

    Parameters
    ----------
    flags : Flag
        Any combination.

    Returns
    -------
    list of str
        Empty when nothing is flagged.
    """
    return [f.name for f in SENTENCES if f in flags and f.name is not None]


def flag_sentences(flags: Flag) -> list[str]:
    """Sentences of the set bits, lowest first (see :func:`flag_names`)."""
    return [text for f, text in SENTENCES.items() if f in flags]


def flags_from_names(names: list[str]) -> Flag:
    """Read back what :func:`flag_names` wrote.

    Raises
    ------
    KeyError
        When a name is not in the table.
    """
    out = Flag.NONE
    for name in names:
        out |= Flag[_EARLIER_NAMES.get(name, name)]
    return out


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
