"""The strip under the annotated picture: the answer, the legend and the cautions, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fruitcount.cautions import CAUTIONS_SHORT
from fruitcount.export.actions import ACTIONS, INK_RGB, PAPER_RGB, fruit_actions
from fruitcount.export.draw import mark, text, text_size
from fruitcount.export.words import main_lines
from fruitcount.pipeline import Result
from fruitcount.units import format_length

__all__ = ["footer", "legend"]

# Legend marks are drawn on a dark band: yellow and sky blue do not show on paper.
_BAND_RGB = (52, 58, 64)


def footer(result: Result, width_px: int, units: str = "metric") -> NDArray[np.uint8]:
    """Make the strip.

    Parameters
    ----------
    result : Result
    width_px : int
        Width of the picture it goes under; letters grow with it.
    units : {"metric", "us"}

    Returns
    -------
    uint8 array, shape (rows, width_px, 3)
    """
    big, small = max(16, width_px // 26), _small_px(width_px)
    margin = big // 2
    decision = result.decision
    answer, *rest = main_lines(result, units)
    lines = [(words, big) for words in _wrapped(answer, big, width_px - 2 * margin)]
    if decision.load.sure:
        where = format_length(decision.load.before.worst_at_mm, units)
        rest.append(f"Arrow heads: where it bends hardest ({where} from the base).")
        if (decision.load.before.stress_mpa > decision.load.working_mpa).any():
            rest.append("Side lines: over the working limit if all stayed.")
    rest += [*decision.load.notes, *CAUTIONS_SHORT]
    for words in rest:
        lines += [(part, small) for part in _wrapped(words, small, width_px - 2 * margin)]
    band = legend(result, width_px)
    height = margin * 2 + sum(round(size * 1.45) for _, size in lines)
    strip = np.full((height, width_px, 3), PAPER_RGB, np.uint8)
    y = margin
    for words, size in lines:
        text(strip, words, (margin, y), size_px=size, rgb=INK_RGB)
        y += round(size * 1.45)
    return np.vstack([band, strip])


def _small_px(width_px: int) -> int:
    return max(11, width_px // 48)


def _wrapped(words: str, size_px: int, width_px: int) -> list[str]:
    lines, line = [], ""
    for word in words.split():
        longer = f"{line} {word}".strip()
        if line and text_size(longer, size_px)[0] > width_px:
            lines.append(line)
            line = word
        else:
            line = longer
    return [*lines, line]


def legend(result: Result, width_px: int) -> NDArray[np.uint8]:
    """The band that tells each mark's meaning and how many there are; arguments as above."""
    size_px = _small_px(width_px)
    actions = fruit_actions(result.measurement.fruitlets, result.decision.plan)
    present = [(style, actions.count(name)) for name, style in ACTIONS.items() if name in actions]
    row = round(size_px * 2.2)
    spots, x, y = [], float(size_px), 0
    for style, count in present:
        words = f"{style.word}: {count}"
        need = 3.2 * size_px + text_size(words, size_px)[0]
        if x > size_px and x + need > width_px:
            x, y = float(size_px), y + row
        spots.append((style, words, x, y))
        x += need + size_px
    band = np.full((y + row if spots else 0, width_px, 3), _BAND_RGB, np.uint8)
    for style, words, left, top in spots:
        at = (left + size_px * 0.8, top + row / 2, size_px * 0.6)
        mark(band, at, style.shape, rgb=style.rgb, width=max(2, size_px // 8))
        spot = (left + 2.2 * size_px, top + (row - size_px) / 2 - size_px * 0.15)
        text(band, words, spot, size_px=size_px, rgb=PAPER_RGB)
    return band
