"""The card sheet, measured: rasterised by Poppler (an outside program), read by the detector."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.export.card_sheet import (
    PAPERS,
    SHEET,
    Card,
    card_places,
    tree_cards,
    write_card_sheet,
)
from fruitcount.image.card import card_side_mm, find_card
from fruitcount.types import Photo

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed"
)
DPI = 300


@pytest.fixture(scope="module", params=sorted(PAPERS))
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    folder = tmp_path_factory.mktemp(request.param)
    write_card_sheet(folder / "sheet.pdf", paper=request.param)
    command = ["pdftoppm", "-r", str(DPI), "-png", "sheet.pdf", "page"]
    subprocess.run(command, cwd=folder, check=True, timeout=60)
    pages = sorted(folder.glob("page*.png"))
    assert len(pages) == 1
    return cv2.imread(str(pages[0]))[..., ::-1].copy()


def crops(picture: np.ndarray) -> dict[int, np.ndarray]:
    """Each card with its white rim, cut out of the page by OpenCV's own detector."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    out = {}
    for quad, card_id in zip(corners, ids.ravel().tolist(), strict=True):
        low, high = quad[0].min(axis=0), quad[0].max(axis=0)
        rim = (high - low) / 8
        x0, y0 = np.maximum(low - rim, 0).astype(int)
        x1, y1 = (high + rim).astype(int)
        out[card_id] = picture[y0:y1, x0:x1].copy()
    return out


@needs_poppler
def test_every_card_has_its_size(page: np.ndarray) -> None:
    found = crops(page)
    assert sorted(found) == sorted(card.card_id for card in SHEET)
    for card_id, crop in found.items():
        scale = find_card(Photo(crop))
        assert scale.card_id == card_id
        side_px = np.linalg.norm(scale.corners_px - np.roll(scale.corners_px, 1, axis=0), axis=1)
        side_mm = side_px / DPI * 25.4
        assert side_mm == pytest.approx(card_side_mm(card_id), abs=0.1)
        assert scale.px_per_mm == pytest.approx(DPI / 25.4, rel=0.002)


@needs_poppler
def test_the_check_lines_have_their_length(page: np.ndarray) -> None:
    dark = page.min(axis=2) < 160
    foot = dark[-int(25 / 25.4 * DPI) :]
    lengths = sorted({_longest_run(row) for row in foot})
    per_mm = DPI / 25.4
    tick = 0.8 / 72 * 25.4  # half a tick's width sticks out at either end
    assert any(abs(n / per_mm - tick - 100.0) < 0.1 for n in lengths)
    assert any(abs(n / per_mm - tick - 101.6) < 0.1 for n in lengths)


def _longest_run(row: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))


@needs_poppler
def test_no_hairline_in_the_black(page: np.ndarray) -> None:
    crop = crops(page)[40]
    scale = find_card(Photo(crop))
    low, high = scale.corners_px.min(axis=0), scale.corners_px.max(axis=0)
    cell = (high - low).mean() / 6
    # The rim of one cell is black all round: look along its middle, where cells meet.
    middle = round(float(low[1] + cell / 2))
    assert crop[middle, int(low[0] + 4) : int(high[0] - 4)].max() < 40
    column = round(float(low[0] + cell / 2))
    assert crop[int(low[1] + 4) : int(high[1] - 4), column].max() < 40


@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_text_says_how_to_print(tmp_path: Path, paper: str) -> None:
    pypdf = pytest.importorskip("pypdf")
    out = tmp_path / "cards.pdf"
    write_card_sheet(out, paper=paper)
    sheet = pypdf.PdfReader(out)
    text = sheet.pages[0].extract_text()
    for words in ("Print at 100 %, no fit to page", "100 mm long", "4 in long"):
        assert words in text
    # ISO 216 A4 and ANSI Letter, in points of 1/72 in.
    expected = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}[paper]
    box = sheet.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(expected, abs=0.01)
    assert not sheet.pages[0].images


def test_same_sheet_twice_is_the_same_file(tmp_path: Path) -> None:
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    write_card_sheet(first)
    write_card_sheet(second)
    assert first.read_bytes() == second.read_bytes()


def test_cards_do_not_overlap_or_leave_the_page() -> None:
    for width, height in ((210.0, 297.0), (215.9, 279.4)):
        for places in card_places(width, height, [Card(k) for k in range(0, 50, 3)]):
            boxes = []
            for p in places:
                rim = p.card.side_mm / 6
                box = (p.left_mm - rim, p.top_mm - rim, p.left_mm + 7 * rim, p.top_mm + 7 * rim)
                assert box[0] >= 5
                assert box[2] <= width - 5
                assert box[3] <= height - 5
                boxes.append(box)
            for i, a in enumerate(boxes):
                for b in boxes[:i]:
                    assert a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3]


def test_a_limb_named_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="twice"):
        write_card_sheet(tmp_path / "x.pdf", cards=tree_cards("Gate", ["1", "1"]))


def test_unknown_paper_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match="paper"):
        write_card_sheet(tmp_path / "x.pdf", paper="legal")
