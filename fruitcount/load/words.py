"""The load in words: verdicts and notes."""

from __future__ import annotations

__all__ = ["VERDICTS", "notes_of", "verdict_of"]

VERDICTS = ("fine", "prop or lighten", "do not hang this much", "not told")


def verdict_of(low: float, middle: float, safety_factor: float, *, thin: bool) -> str:
    """Plain verdict on a load factor.

    Fine: the middle reaches the safety factor and even the low end is above 1. Do not hang this
    much: the middle falls short and the low end is under 1. Between: prop or lighten. Thin wood
    hangs down before it breaks, so there the worst word is "prop or lighten". Our choice.
    """
    if middle >= safety_factor and low >= 1.0:
        return "fine"
    if middle < safety_factor and low < 1.0 and not thin:
        return "do not hang this much"
    return "prop or lighten"


def notes_of(
    *,
    thin_limb: bool,
    thin_shoots: list[int],
    tip_assumed: bool,
    by_line: bool,
    too_thin_for_itself: bool,
) -> tuple[str, ...]:
    """Sentences on one limb.

    Parameters
    ----------
    thin_limb : bool
    thin_shoots : list of int
        Side shoots of thin wood, loaded beyond their working stress.
    tip_assumed : bool
        The tip's thickness was not measured.
    by_line : bool
        The limb's slope was taken from the photo.
    too_thin_for_itself : bool
        By the estimate even the bare limb is past its working stress, yet it stands.
    """
    notes = []
    if too_thin_for_itself:
        notes.append(
            "By this estimate the bare limb could hardly carry itself, yet it stands: its "
            "thickness or slope is doubtful. Measure the base with a caliper."
        )
    if thin_limb:
        notes.append(
            "Wood this thin hangs down before it breaks: the load factor is a rough guide."
        )
    if thin_shoots:
        names = ", ".join(str(s + 1) for s in thin_shoots)
        notes.append(f"Thin side shoots will hang down with this crop and may tear: {names}.")
    if tip_assumed:
        notes.append("The tip's thickness was not measured: half of the base was taken.")
    if by_line:
        notes.append("The limb's slope is read from the photo, held level.")
    return tuple(notes)
