"""The limb drawn straight and to scale: fruit and cuts before, fruit after, stress, load factor.

A schematic for a phone screen and for print. Colour is never alone: each action has a shape, and
"before" is dashed where "after" is solid.
"""

from __future__ import annotations

import math
from typing import Any

from fruitcount.export.actions import ACTIONS, INK_RGB
from fruitcount.export.diagram_charts import factor_bars, stress_chart
from fruitcount.export.diagram_limb import LimbView, fruit_mark, limb_ruler, limb_strip
from fruitcount.export.diagram_page import LEFT, RIGHT, Page
from fruitcount.export.shapes import Drawn, Words, to_pdf_drawing, to_png
from fruitcount.lines import line_length_px
from fruitcount.load import LoadReport
from fruitcount.plan import Plan
from fruitcount.types import Fruitlets, Limb
from fruitcount.units import format_length

__all__ = ["draw_limb", "limb_diagram_pdf", "limb_diagram_png"]


def limb_diagram_png(
    fruitlets: Fruitlets,
    limb: Limb,
    plan: Plan,
    load: LoadReport | None,
    *,
    system: str = "metric",
    width_px: int = 780,
) -> bytes:
    """The diagram as PNG; see :func:`draw_limb`."""
    return to_png(draw_limb(fruitlets, limb, plan, load, system=system), width_px=width_px)


def limb_diagram_pdf(
    fruitlets: Fruitlets,
    limb: Limb,
    plan: Plan,
    load: LoadReport | None,
    *,
    system: str = "metric",
    fit_pt: tuple[float, float] = (390.0, 660.0),
) -> Any:
    """The diagram as a ReportLab drawing in vectors, ready for a report's story.

    ``fit_pt`` is the widest and tallest it may be; by default it fits an A4 or Letter page.
    """
    return to_pdf_drawing(draw_limb(fruitlets, limb, plan, load, system=system), fit_pt=fit_pt)


def draw_limb(
    fruitlets: Fruitlets,
    limb: Limb,
    plan: Plan,
    load: LoadReport | None,
    *,
    system: str = "metric",
) -> Drawn:
    """Lay out the whole diagram.

    Parameters
    ----------
    fruitlets : Fruitlets
    limb : Limb
        Where it was not found, only the words are drawn.
    plan : Plan
        Made from these fruitlets and this limb.
    load : LoadReport or None
        Stress and load factor are left out where it is not told.
    system : {"metric", "us"}

    Returns
    -------
    Drawn
    """
    page = Page()
    page.title(plan.answer)
    if line_length_px(limb.line_px) > 0:
        view = LimbView.of(fruitlets, limb, plan)
        page.heading("Before: what hangs here and what comes off")
        limb_strip(page, view, before=True)
        _cut_list(page, plan, system)
        page.heading(f"After: {plan.keep_count} kept")
        limb_strip(page, view, before=False)
        limb_ruler(page, view, system)
    else:
        page.text("The limb line was not found, so the limb cannot be drawn.")
    if load is not None and load.sure:
        stress_chart(page, load, LEFT, RIGHT)
        factor_bars(page, load, LEFT, RIGHT)
        if load.prop is not None and load.after.verdict != "fine":
            at = format_length(load.prop.at_mm, system)
            page.text(f"A prop {at} from the base would carry about {load.prop.carries_kg:.1f} kg.")
    else:
        page.text("What the limb can carry is not known.")
    _legend(page)
    page.text("Drawn straight, to scale along the limb; marks are not to size.", small=True)
    page.text("An estimate. It does not promise that the limb will hold.", small=True)
    return page.drawn()


def _cut_list(page: Page, plan: Plan, system: str) -> None:
    for number, cut in enumerate(plan.cuts, start=1):
        where = "limb" if cut.shoot == -1 else f"side shoot {cut.shoot + 1}"
        at = format_length(cut.from_base_mm, system)
        if math.isnan(cut.from_base_mm):
            at = "see mark"
        page.text(f"Cut {number} ({where}): {at} from the base, takes {len(cut.fruit)} fruit")
    if plan.pinches:
        first = "Then pinch" if plan.cuts else "Pinch"
        page.text(f"{first} off {len(plan.pinches)} by hand")


def _legend(page: Page) -> None:
    page.y += 24
    for k, action in enumerate(("keep", "pinch", "cut", "yellowing")):
        x = 22 + (k % 2) * 180
        y = page.y + (k // 2) * 19
        fruit_mark(page, action, x, y)
        page.add(Words(x + 12, y + 4, ACTIONS[action].word, INK_RGB, 12))
    page.y += 26
