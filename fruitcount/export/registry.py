"""Further exports of one result, by name: one function that writes and one line of the table.

Each function imports its writer when it is called, so that a count which writes no PDF does not
wait for the PDF library to load.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fruitcount.pipeline import Result

__all__ = ["EXPORTS", "Export"]


@dataclass(frozen=True)
class Export:
    """A way to write one result.

    Attributes
    ----------
    ending : str
        What is added to the photo's name.
    write : callable
        ``(result, path) -> None``
    about : str
        One line for help texts.
    of_marks : bool
        It says what fruit there is and nothing else, so that it is left out where the count could
        not be told: an empty one would read as "no fruit".
    """

    ending: str
    write: Callable[[Result, Path], object]
    about: str
    of_marks: bool = False


def _write_sheet(result: Result, path: Path) -> None:
    from fruitcount.export.work_sheet import LimbJob, limb_work_sheet

    limb_work_sheet(LimbJob("", "", result), path)


def _write_diagram(result: Result, path: Path) -> None:
    from fruitcount.export.limb_diagram import limb_diagram_png

    seen, decision = result.seen, result.decision
    path.write_bytes(limb_diagram_png(seen.fruitlets, seen.limb, decision.plan, decision.load))


def _write_coco(result: Result, path: Path) -> None:
    from fruitcount.export.coco import write_coco

    write_coco([result.seen], path, [result.decision.inputs])


def _write_yolo(result: Result, path: Path) -> None:
    from fruitcount.export.yolo import yolo_text

    path.write_text(yolo_text(result.seen), encoding="utf-8")


def _write_voc(result: Result, path: Path) -> None:
    from fruitcount.export.voc import voc_xml

    path.write_text(voc_xml(result.seen), encoding="utf-8")


EXPORTS: dict[str, Export] = {
    "sheet": Export(".sheet.pdf", _write_sheet, "one-page work sheet to print"),
    "diagram": Export(".diagram.png", _write_diagram, "limb diagram with load, before and after"),
    "coco": Export(".coco.json", _write_coco, "COCO annotation", of_marks=True),
    "yolo": Export(".txt", _write_yolo, "YOLO txt boxes", of_marks=True),
    "voc": Export(".xml", _write_voc, "PASCAL VOC boxes", of_marks=True),
}
