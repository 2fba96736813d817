"""Files to take away, made only when they are asked for."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from pathlib import Path

import streamlit as st
from screen_photos import LARGEST_SIDE_PX, photo_at, shrink_png

from fruitcount.csv_table import write_table
from fruitcount.export.annotations import write_coco
from fruitcount.export.picture import annotated_picture
from fruitcount.export.record import result_to_dict
from fruitcount.export.report_page import sheet_settings
from fruitcount.export.work_sheet import LimbJob, limb_work_sheet
from fruitcount.pipeline import Result
from fruitcount.results import ROW_COLUMNS, result_row
from fruitcount.types import Measurement

__all__ = ["by_file", "show_downloads"]


def by_file(write: Callable[[Path], object], ending: str) -> bytes:
    """Bytes of what a writer puts in a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"out{ending}"
        write(path)
        return path.read_bytes()


def picture_bytes(path: Path, result: Result, units: str) -> bytes:
    """The annotated picture as PNG."""
    return shrink_png(annotated_picture(photo_at(path), result, units=units), 2 * LARGEST_SIDE_PX)


def show_downloads(
    path: Path, result: Result, units: str, key: str, *, automatic: Measurement | None = None
) -> None:
    """A row of buttons; each file is written when its button is pressed.

    Parameters
    ----------
    path : Path
        The photo.
    result : Result
    units : {"metric", "us"}
    key : str
        Of the buttons.
    automatic : Measurement, optional
        What was seen before corrections by hand; the COCO file carries both.
    """
    stem = "limb-" + result.measurement.sha256[:8]
    files: list[tuple[str, str, str, Callable[[], bytes]]] = [
        ("Picture", ".png", "image/png", lambda: picture_bytes(path, result, units)),
        (
            "CSV",
            ".csv",
            "text/csv",
            lambda: by_file(
                lambda p: write_table(p, [result_row(result).values()], ROW_COLUMNS), ".csv"
            ),
        ),
        (
            "JSON",
            ".json",
            "application/json",
            lambda: json.dumps(result_to_dict(result), indent=1).encode(),
        ),
        (
            "COCO",
            ".coco.json",
            "application/json",
            lambda: by_file(
                lambda p: write_coco(
                    [result.measurement], p, [result.decision.inputs], automatic=[automatic]
                ),
                ".json",
            ),
        ),
    ]
    sheet = sheet_settings(units)
    job = LimbJob("", result.measurement.name, result)
    files.insert(
        0,
        (
            "Work sheet (PDF)",
            ".pdf",
            "application/pdf",
            lambda: by_file(lambda p: limb_work_sheet(job, p, settings=sheet), ".pdf"),
        ),
    )
    with st.container(horizontal=True):
        for words, ending, mime, make in files:
            st.download_button(
                words, make, f"{stem}{ending}", mime, key=f"{key}{ending}", on_click="ignore"
            )
