"""Further exports of one result, by name. Add one by one line here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fruitcount.export.coco import write_coco
from fruitcount.export.limb_diagram import limb_diagram_png
from fruitcount.export.voc import voc_xml
from fruitcount.export.work_sheet import LimbJob, limb_work_sheet
from fruitcount.export.yolo import yolo_text
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


def _write_diagram(result: Result, path: Path) -> None:
    seen, decision = result.seen, result.decision
    path.write_bytes(limb_diagram_png(seen.fruitlets, seen.limb, decision.plan, decision.load))


EXPORTS: dict[str, Export] = {
    "sheet": Export(
        ".sheet.pdf",
        lambda result, path: limb_work_sheet(LimbJob("", "", result), path),
        "one-page work sheet to print",
    ),
    "diagram": Export(".diagram.png", _write_diagram, "limb diagram with load, before and after"),
    "coco": Export(
        ".coco.json", lambda result, path: write_coco([result.seen], path), "COCO annotation", True
    ),
    "yolo": Export(
        ".txt",
        lambda result, path: path.write_text(yolo_text(result.seen), encoding="utf-8"),
        "YOLO txt boxes",
        of_marks=True,
    ),
    "voc": Export(
        ".xml",
        lambda result, path: path.write_text(voc_xml(result.seen), encoding="utf-8"),
        "PASCAL VOC boxes",
        of_marks=True,
    ),
}
