"""Further exports of one result, by name: one function that writes and one line of the table.

Each function imports its writer when it is called, so that a count which writes no PDF does not
wait for the PDF library to load.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fruitcount.pipeline import Result


@dataclass(frozen=True)
class Export:
    """A way to write one result.

    Attributes
    ----------
    ending : str
        What is added to the photo's name.
    write : callable
        ``(result, path) -> None``, or ``(result, path, units)`` where ``in_units`` is True.
    about : str
        One line for help texts.
    of_marks : bool
        It says what fruit there is and nothing else, so that it is left out where the count could
        not be told: an empty one would read as "no fruit".
    in_units : bool
        It tells lengths and weights to a reader, in the units that one asked for.
    """

    ending: str
    write: Callable[..., object]
    about: str
    of_marks: bool = False
    in_units: bool = False

    def to_file(self, result: Result, path: Path, *, units: str = "metric") -> None:
        """Write the file, in these units where it tells any."""
        if self.in_units:
            self.write(result, path, units)
        else:
            self.write(result, path)


def _write_sheet(result: Result, path: Path, units: str = "metric") -> None:
    from fruitcount.export.report_page import sheet_settings
    from fruitcount.export.work_sheet import LimbJob, limb_work_sheet

    limb_work_sheet(LimbJob("", "", result), path, settings=sheet_settings(units))


def _write_diagram(result: Result, path: Path, units: str = "metric") -> None:
    from fruitcount.export.limb_diagram import draw_limb

    seen, decision = result.measurement, result.decision
    plan, load, answer = decision.plan, decision.load, decision.plan.answer
    page = draw_limb(seen.fruitlets, seen.limb, plan, load, system=units, answer=answer)
    path.write_bytes(page.png())


def _write_coco(result: Result, path: Path) -> None:
    from fruitcount.export.record import write_coco

    write_coco([result.measurement], path, [result.decision.inputs])


def _write_yolo(result: Result, path: Path) -> None:
    from fruitcount.export.record import write_yolo

    write_yolo(result.measurement, path)


def _write_voc(result: Result, path: Path) -> None:
    from fruitcount.export.record import write_voc

    write_voc(result.measurement, path)


EXPORTS: dict[str, Export] = {
    "sheet": Export(".sheet.pdf", _write_sheet, "one-page work sheet to print", in_units=True),
    "diagram": Export(
        ".diagram.png", _write_diagram, "limb diagram with load, before and after", in_units=True
    ),
    "coco": Export(".coco.json", _write_coco, "COCO annotation", of_marks=True),
    "yolo": Export(".txt", _write_yolo, "YOLO txt boxes", of_marks=True),
    "voc": Export(".xml", _write_voc, "PASCAL VOC boxes", of_marks=True),
}
