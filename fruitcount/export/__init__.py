"""Further exports of one result, by name: one function that writes and one line of the table.

A writer is imported when it is called, so that a count which writes no PDF does not wait for the
PDF library to load.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
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
    writer : str
        ``module:function`` in ``fruitcount.export``; the function takes ``(result, path)``, and
        ``units`` where ``in_units`` is True.
    of_marks : bool
        It says what fruit there is and nothing else, so that it is left out where the count could
        not be told: an empty one would read as "no fruit".
    in_units : bool
        It tells lengths and weights to a reader, in the units that one asked for.
    """

    ending: str
    writer: str
    of_marks: bool = False
    in_units: bool = False

    def write(self, result: Result, path: Path, units: str = "metric") -> None:
        """Write the file, in these units where it tells any."""
        module, name = self.writer.split(":")
        function = getattr(import_module(f"fruitcount.export.{module}"), name)
        function(result, path, *([units] if self.in_units else []))


EXPORTS: dict[str, Export] = {
    "sheet": Export(".sheet.pdf", "work_sheet:write_sheet", in_units=True),
    "diagram": Export(".diagram.pdf", "limb_diagram:write_diagram", in_units=True),
    "coco": Export(".coco.json", "record:write_coco_of", of_marks=True),
    "yolo": Export(".txt", "record:write_yolo", of_marks=True),
    "voc": Export(".xml", "record:write_voc", of_marks=True),
}
