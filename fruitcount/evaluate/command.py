"""Judging several folders in one call, as the command line does."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from fruitcount.detect.heatmap import SHIPPED_THRESHOLD, default_source
from fruitcount.evaluate.predictors import pipeline_predictor
from fruitcount.evaluate.report import report_text
from fruitcount.evaluate.run import EvaluateSettings, evaluate_folder, write_report
from fruitcount.evaluate.split import held_back
from fruitcount.pipeline import CountSettings


def evaluate_folders(
    folders: Sequence[Path],
    out: Path,
    *,
    source: str = "auto",
    held_back_only: bool = False,
    most_n: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[str, list[Path]]:
    """Judge the whole measurement on annotated folders and write the report.

    Parameters
    ----------
    folders : sequence of Path
    out : Path
        See :func:`fruitcount.evaluate.run.write_report`.
    source : {"auto", "trained", "classical"}
    held_back_only : bool
        Only photos that training never saw.
    most_n : int, optional
        At most this many photos of each folder.
    progress : callable, optional
        Called with photos done and photos in all, folder by folder.

    Returns
    -------
    str, list of Path
        The table in words, and the files written.
    """
    name = default_source() if source == "auto" else source
    predict = pipeline_predictor(CountSettings(source=source), whole_curve=True)
    results = []
    for folder in folders:
        settings = EvaluateSettings(
            threshold=SHIPPED_THRESHOLD[name],
            keep=partial(held_back, folder.name) if held_back_only else None,
            most_photos_n=most_n,
        )
        results.append(evaluate_folder(folder, predict, settings=settings, progress=progress))
    return report_text(results), write_report(results, list(folders), out)
