"""Which cards go on a sheet, and where on the page each one lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fruitcount.checks import one_of
from fruitcount.errors import BadInputError
from fruitcount.image.card import card_side_mm
from fruitcount.tree.card_code import PIECE, code_text

__all__ = ["CELLS", "MARGIN_MM", "Card", "CardPlace", "card_places", "tree_cards"]

CELLS = 6  # four cells of number and one of black rim on either side
MARGIN_MM = 8.0


@dataclass(frozen=True)
class Card:
    """One card of the sheet.

    Attributes
    ----------
    card_id : int
        Tells the card's size; see ``image/card.py``.
    tree, limb : str
        Put beside the black square as a QR code and in letters; a card without a tree has none.
    """

    card_id: int
    tree: str = ""
    limb: str = ""

    @property
    def outline(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom in sixths of the black square, from its top left corner."""
        return PIECE if self.tree else (-1.0, -1.0, 7.0, 7.0)


@dataclass(frozen=True)
class CardPlace:
    """Where one card lies on the page.

    Attributes
    ----------
    card : Card
    side_mm : float
        Side of the black square.
    left_mm, top_mm : float
        Its corner, from the page's left and top edges.
    """

    card: Card
    side_mm: float
    left_mm: float
    top_mm: float

    @property
    def card_id(self) -> int:
        """The card's number."""
        return self.card.card_id


def tree_cards(tree: str, limbs: Sequence[str] = (), *, side_mm: float | None = None) -> list[Card]:
    """Cards that name a tree, or its limbs.

    Parameters
    ----------
    tree : str
    limbs : sequence of str
        One card each; none makes cards for the whole tree.
    side_mm : {30, 40, 50, 60}, optional
        One size for all. Default 60, 50 and 40 for one name, 50 for several.

    Raises
    ------
    BadInputError
        When a name cannot be on a card, or there is no card of that size.
    """
    first = {card_side_mm(k): k for k in (0, 10, 20, 30)}
    if side_mm is not None:
        one_of("side_mm", f"{side_mm:g}", tuple(f"{side:g}" for side in first))
    sides = [side_mm] if side_mm is not None else [60.0, 50.0, 40.0] if len(limbs) < 2 else [50.0]
    out = [Card(first[side], tree, limb) for limb in (limbs or [""]) for side in sides]
    for card in out:
        code_text(card.tree, card.limb)
    return out


def card_places(width_mm: float, height_mm: float, cards: Sequence[Card]) -> list[list[CardPlace]]:
    """Lay the cards out in rows, page by page; see :func:`write_card_sheet`."""
    if not cards:
        raise BadInputError("ids must name at least one card")
    if len(set(cards)) != len(cards):
        raise BadInputError(f"ids must not repeat a card, got {[c.card_id for c in cards]}")
    margin, gap, head, foot = MARGIN_MM, 2.0, 35.0, 26.0
    pages: list[list[CardPlace]] = [[]]
    left, top, row_height = margin, head, 0.0
    for card in cards:
        side = card_side_mm(card.card_id)
        if not np.isfinite(side):
            raise BadInputError(f"ids must be card numbers from 0 to 49, got {card.card_id!r}")
        wide, tall = _outer_mm(card, side)
        if wide > width_mm - 2 * margin:
            raise BadInputError(f"ids must fit on the paper with a code: {side:g} mm do not")
        if left + wide > width_mm - margin + 1e-6:
            left, top, row_height = margin, top + row_height + gap, 0.0
        if top + tall > height_mm - (foot if len(pages) == 1 else margin) and pages[-1]:
            pages.append([])
            left, top, row_height = margin, head, 0.0
        rim = side / CELLS
        pages[-1].append(CardPlace(card, side, left + rim, top + rim))
        left += wide + gap
        row_height = max(row_height, tall)
    return pages


def _outer_mm(card: Card, side_mm: float) -> tuple[float, float]:
    """Size of the cut piece: a white rim of one cell all round, which the detector needs."""
    left, top, right, bottom = card.outline
    return (right - left) * side_mm / CELLS, (bottom - top) * side_mm / CELLS
