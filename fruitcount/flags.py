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
    """Bits that may be set on a photo's result, each with the sentence that tells it.

    Records hold names, so the bits only follow the order here.
    """

    sentence: str

    def __new__(cls, sentence: str) -> Flag:
        """A member on the next free bit; the first has none."""
        bit = 1 << len(cls.__members__) >> 1
        flag = int.__new__(cls, bit)
        flag._value_, flag.sentence = bit, sentence
        return flag

    NONE = ""
    NO_SCALE = "No scale in the photo: sizes and spacing are not known."
    CARD_SMALL = "The scale card is under 100 pixels a side: sizes are less certain."
    CARD_TILTED = "The scale card is strongly tilted: sizes are less certain."
    CARD_PARTLY_HIDDEN = "The scale card seems partly hidden or bent."
    CARDS_DISAGREE = "Two scale cards in the photo disagree."
    CARD_SIZE_ASSUMED = "Card size typed is not what its number means; it was used."
    SCALE_FROM_FRUIT = "Scale comes from a typed fruit diameter: treat sizes as rough."
    LIMB_NOT_FOUND = "The limb could not be found: mark its base and tip."
    LIMB_LEAVES_FRAME = "The limb runs out of the photo: fruit beyond the edge is not counted."
    LIMB_DOUBTFUL = "The limb line is doubtful: check it on the picture."
    DIAMETER_DOUBTFUL = "The limb's thickness is doubtful: measure it with a caliper."
    PHOTO_BLURRED = "The photo is blurred: take it again, holding still."
    PHOTO_DARK = "The photo is too dark to count reliably."
    PHOTO_BRIGHT = "The photo is over-exposed: fruit in the bright parts may be missed."
    COUNT_UNKNOWN = "The count could not be told from this photo."
    NO_FRUIT_SEEN = "No fruitlets were seen on a readable photo."
    MANY_DOUBTFUL = "Many of the marks are doubtful: check them by hand."
    COLOUR_DOUBTFUL = "The light is strongly coloured: only plainly yellowing fruit is told."
    LOAD_UNKNOWN = "The limb's load is not known: it needs a scale and the limb's thickness."
    FRUIT_LATE = "Fruitlets are past the usual thinning size: thin now, expect less gain."
    SIZES_OUT_OF_RANGE = "Fruit sizes are outside 4-35 mm: check the scale."
    MODEL_MISSING = "The trained model was not found: the colour-and-shape method was used."
    CARD_CODE_UNREAD = "The code on the card could not be read: check which tree this is."
    LIMB_UNSURE = "This may not be the limb you meant: draw or tap its line, then count again."
    LIMB_ENDS_UNSURE = "The base and the tip may be swapped: turn the line round if so."
    SHEET_BEHIND = "A sheet is held behind the limb: only what is before it was counted."


# With one of these a limb gets a least weight, and no verdict on what it carries.
LOAD_DOUBTS = (
    Flag.LIMB_LEAVES_FRAME
    | Flag.LIMB_DOUBTFUL
    | Flag.LIMB_UNSURE
    | Flag.DIAMETER_DOUBTFUL
    | Flag.COUNT_UNKNOWN
)

SENTENCES: dict[Flag, str] = {flag: flag.sentence for flag in Flag}


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
