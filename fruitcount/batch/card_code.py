"""What the QR code on a scale card says: the tree and the limb, as text and back.

QR is an open standard (ISO/IEC 18004). The text is ``fruitcount:TREE`` or
``fruitcount:TREE/LIMB``, each name URL-encoded (as in web forms): plain ASCII for every decoder,
and short, so that the code's cells stay large.
"""

from __future__ import annotations

from urllib.parse import quote_plus, unquote_plus

from fruitcount.batch.naming import Place
from fruitcount.errors import BadInputError

__all__ = ["CODE_LEFT", "CODE_SIDE", "CODE_TOP", "PIECE", "code_text", "place_by_code"]

# Where the code lies beside the black square, in sixths of that square's side, from the square's
# top left corner. Larger gaps make a larger card; the standard asks for a white edge of 4 cells
# of the code (here at most 4 x 5.4 / 21 = 1.03).
CODE_LEFT, CODE_TOP, CODE_SIDE = 7.3, 0.3, 5.4
# The card's outline in the same measure: left, top, right, bottom.
PIECE = (-1.0, -1.0, 14.0, 7.0)

_PREFIX = "fruitcount:"
_LONGEST = 60
"""Letters in a name. More would need smaller cells than a photo shows."""


def code_text(tree: str, limb: str = "") -> str:
    """The text of a card's code.

    Parameters
    ----------
    tree, limb : str
        At most 60 letters each, all printable. An empty limb makes a card for the whole tree.

    Raises
    ------
    BadInputError
        When a name cannot be on a card.
    """
    for what, name in (("tree", tree), ("limb", limb)):
        if not _fits(name) or (what == "tree" and not name):
            raise BadInputError(
                f"{what} must have 1 to {_LONGEST} printable letters on a card, got {name!r}"
            )
    parts = [tree, limb] if limb else [tree]
    return _PREFIX + "/".join(quote_plus(part) for part in parts)


def place_by_code(text: str) -> Place | None:
    """Tree and limb from a code's text; None when it is not a card of this program.

    Anyone can print a code: its text is only ever taken as two short printable names. What does
    not fit (control letters, longer names, more parts) is no card of ours.
    """
    if not text.startswith(_PREFIX) or len(text) > len(_PREFIX) + 2 * 12 * _LONGEST:
        return None
    try:
        names = [unquote_plus(part, errors="strict") for part in text[len(_PREFIX) :].split("/")]
    except UnicodeDecodeError:
        return None
    if len(names) > 2 or not names[0] or not all(_fits(name) for name in names):
        return None
    return Place(*names)


def _fits(name: str) -> bool:
    return len(name) <= _LONGEST and name.isprintable() and name == name.strip()
