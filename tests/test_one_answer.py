"""Every output of one photo says the same: count, keep number, range, size, cuts, load, warnings.

Before corrections and after: fruit taken away and added, another limb line, another scale.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pypdf
import pytest
import screen_result
from reportlab.graphics.shapes import String

import fruitcount.corrections as cx
from fruitcount import read_photo
from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.export import picture as strip
from fruitcount.export.limb_diagram import draw_limb
from fruitcount.export.record import result_to_dict, write_coco_of
from fruitcount.export.words import result_lines
from fruitcount.export.work_sheet import limb_work_sheet
from fruitcount.files import sample_folder
from fruitcount.load.words import load_lines
from fruitcount.pipeline import CountSettings, Result, decide, measure
from fruitcount.plan.inputs import GrowerInputs
from fruitcount.results import result_row
from fruitcount.types import Photo

SAMPLES = ("peach-leafy", "plum-clusters", "cherry-bunches", "nectarine-crossing", "apricot-spur")
SPECIES = {"plum": "japanese-plum", "cherry": "sweet-cherry"}


def _scenes():
    for name in SAMPLES:
        path = sample_folder() / f"{name}.jpg"
        if path.is_file():
            kind = name.split("-")[0]
            yield name, read_photo(path), "auto", SPECIES.get(kind, kind)
    for seed in (3, 7):
        yield f"drawn {seed}", draw_scene(seed)[0], "classical", "peach"
    blank = Photo(np.full((600, 800, 3), 120, np.uint8), name="blank.png")
    yield "blank", blank, "classical", "peach"


def _corrected(measurement):
    """Two fruit gone, one added, then the scale doubled, then the line drawn shorter."""
    start = cx.sheet_of(measurement)
    yield start
    sheet = replace(start, marks=start.marks[2:])
    yield cx.apply(sheet, cx.Add(cx.Mark("hx-1", 200.0, 200.0, 12.0, on_limb=1, by_hand=True)))
    if measurement.scale.known:
        twice = cx.ScaleChoice(
            "two points", 2 * measurement.scale.px_per_mm, 0.02, typed_mm=100, by_hand=True
        )
        yield replace(sheet, scale=twice)
    if len(start.line_px) > 4:
        yield replace(sheet, line_px=start.line_px[: len(start.line_px) // 2], line_by_hand=True)


@pytest.fixture(scope="module")
def results():
    out = []
    for name, photo, source, species in _scenes():
        measurement = measure(photo, CountSettings(source=source))
        for n, sheet in enumerate(_corrected(measurement)):
            shown = cx.apply_corrections(
                measurement, sheet, lambda line, photo=photo: cx.limb_along(photo, line)
            )
            inputs = GrowerInputs(species=species, ripening_month=7)
            out.append((f"{name}, {n}", Result(shown, decide(shown, inputs))))
    return out


def _squeezed(words) -> str:
    return "".join("".join(words).split())


def _picture_words(result, monkeypatch) -> str:
    said: list[str] = []
    monkeypatch.setattr(strip, "text", lambda _, words, *a, **k: said.append(words))
    strip.footer(result, 1600)
    return _squeezed(said)


def _sheet_words(result, tmp_path) -> str:
    path = limb_work_sheet(result, tmp_path / "sheet.pdf")
    return _squeezed(page.extract_text() for page in pypdf.PdfReader(path).pages)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_all_outputs_agree(results, tmp_path, monkeypatch):
    assert len(results) >= 8
    for name, result in results:
        plan, row = result.decision.plan, result_row(result)
        record = json.loads(json.dumps(result_to_dict(result)))
        terminal = result_lines(result)
        shown = {
            "terminal": _squeezed(terminal),
            "picture": _picture_words(result, monkeypatch),
            "sheet": _sheet_words(result, tmp_path),
        }
        for where, words in shown.items():
            assert _squeezed(result.decision.plan.answer) in words, (name, where)
            for line in load_lines(result.decision.load):
                assert _squeezed(line) in words, (name, where, line)
            for warning in result.decision.warnings:
                assert _squeezed(warning) in words, (name, where, warning)
        load = result.decision.load
        diagram = draw_limb(result)
        drawn = [shape.text for shape in diagram.shapes if isinstance(shape, String)]
        assert _squeezed(plan.answer) in _squeezed(drawn), name
        assert any("bends at harvest" in words for words in drawn) == load.sure, (
            name
        )  # no figures in doubt
        assert ("arrowheads" in shown["picture"]) == (len(load.over_limit_mm) > 0), name
        for note in result.decision.notes:
            assert _squeezed(note) in shown["terminal"], (name, note)
            assert _squeezed(note) in shown["sheet"], (name, note)
        assert terminal[1] == result.decision.plan.answer == record["answer"] == row.answer
        assert record["warnings"] == list(result.decision.warnings)
        screen = screen_result.answer_of(result, "metric")
        missing = set(result.decision.warnings) - set(screen.warnings)
        assert not missing or screen.ask or "Cannot count" in screen.summary, (name, missing)
        known = plan.verdict in ("thin", "leave")
        assert not known or not plan.crop_count or screen.summary in plan.answer, (name, screen)
        if row.count_n is not None:
            assert record["plan"]["crop_count"] == row.count_n == plan.crop_count
            assert plan.crop_count == result.measurement.fruitlets.counts_as_crop.sum()
        if row.keep_n is not None:
            most = max(row.count_n, row.count_high_n or 0)
            assert row.keep_low_n <= row.keep_n <= row.keep_high_n <= most, name
            assert record["plan"]["keep_count"] == row.keep_n
            assert row.keep_n + row.off_n == row.count_n
        for note in result.decision.load.notes:
            assert _squeezed(note) in shown["picture"], (name, note)
        for state in ("before", "after"):
            verdict = getattr(row, f"load_{state}")
            assert record["load"][state]["verdict"] == verdict == getattr(load, state).verdict
        places = [cut["from_base_mm"] for cut in record["plan"]["cuts"]]
        assert places == [None if np.isnan(c.from_base_mm) else c.from_base_mm for c in plan.cuts]
        assert row.first_cut_mm == (places[0] if places else None), name
        for where in (_squeezed(f"{at / 10:.0f} cm from the base") for at in places if at):
            assert all(where in words for words in (*shown.values(), _squeezed(drawn))), (
                name,
                where,
            )
        actions = record["fruit_actions"]
        assert actions.count("keep") == plan.keep_mask.sum(), name
        assert actions.count("cut") + actions.count("pinch") == plan.off_count, name
        assert actions.count("pinch") == len(plan.pinches), name
        write_coco_of(result, tmp_path / "c.json")
        notes = json.loads((tmp_path / "c.json").read_text())["annotations"]
        assert len(notes) == len(result.measurement.fruitlets)
        size = result.measurement.fruitlets.middle_size_mm
        if np.isfinite(size):
            assert row.median_size_mm == size
            assert f"middlesize{size:.1f}mm" in shown["terminal"]
