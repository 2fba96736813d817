"""Tree and limb from the QR code beside the card: printed, photographed askew, read.

The printed sheet is rasterised by Poppler, an outside program; the photograph is a pinhole view of
it. Plain decoding is checked with OpenCV's own decoder on the flat page.
"""

import shutil
import subprocess

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fruitcount.errors import BadInputError
from fruitcount.export.card_sheet import card_places, tree_cards, write_card_sheet
from fruitcount.flags import Flag
from fruitcount.image.card import card_side_mm, find_card
from fruitcount.pipeline import CountSettings
from fruitcount.tree.assignment import Assigned, AssignmentRules, first_told, read_card_sheet
from fruitcount.tree.card_code import CodeRead, code_text, place_by_code, read_card_code
from fruitcount.tree.photos import count_photo
from fruitcount.types import Photo, Scale

TREE, LIMB = "Gate 3", "limb 2"
needs_poppler = pytest.mark.skipif(
    shutil.which("pdftoppm") is None, reason="pdftoppm (poppler-utils) is not installed"
)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Grey picture of a printed sheet with one card of each size, and its pixels per mm."""
    folder = tmp_path_factory.mktemp("sheet")
    write_card_sheet(folder / "s.pdf", cards=tree_cards(TREE, [LIMB]))
    command = ["pdftoppm", "-r", "254", "-gray", "-singlefile", "s.pdf", "s"]
    subprocess.run(command, cwd=folder, check=True, timeout=60)
    return cv2.imread(str(folder / "s.pgm"), cv2.IMREAD_GRAYSCALE)


def _piece(page, which=1):
    """One card cut out along its dashed line (254 dpi are 10 px a mm)."""
    place = card_places(210.0, 297.0, tree_cards(TREE, [LIMB]))[0][which]
    left, top, right, bottom = (v * place.card.side_mm / 6 for v in place.card.outline)
    x, y = place.left_mm, place.top_mm
    rows = slice(round((y + top) * 10) + 4, round((y + bottom) * 10) - 4)
    return page[rows, round((x + left) * 10) + 4 : round((x + right) * 10) - 4]


def photograph(piece, side_px, *, seed=0, blur=0.8, bend=0.12, size=(900, 700)):
    """The piece on green ground, turned and seen askew, blurred and with noise."""
    rng = np.random.default_rng(seed)
    h, w = piece.shape
    tall = side_px * 8 / 6
    corners = np.array([[0, 0], [w / h, 0], [w / h, 1], [0, 1]]) * tall
    corners = corners + rng.uniform(-bend, bend, (4, 2)) * tall
    turn = rng.uniform(-0.4, 0.4)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    corners = corners @ spin
    corners += np.array(size) / 2 - corners.mean(axis=0)
    fine = 3
    from_px = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    m = cv2.getPerspectiveTransform(from_px, (corners * fine).astype(np.float32))
    shape = (size[0] * fine, size[1] * fine)
    card = cv2.warpPerspective(piece, m, shape, flags=cv2.INTER_AREA) * 0.85
    share = cv2.warpPerspective(np.ones_like(piece), m, shape).astype(float)
    card, share = (cv2.resize(v, size, interpolation=cv2.INTER_AREA) for v in (card, share))
    grain = cv2.GaussianBlur(rng.normal(0, 60, size[::-1]), (0, 0), 5) * 3
    ground = np.dstack([70 + grain, 100 + grain, 40 + grain])
    out = ground * (1 - share[..., None]) + card[..., None] * share[..., None]
    out = cv2.GaussianBlur(out, (0, 0), blur) + rng.normal(0, 3, out.shape)
    return out.clip(0, 255).astype(np.uint8)


@needs_poppler
def test_the_printed_codes_are_plain_qr(page):
    found, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(page)
    assert found
    assert set(texts) == {"fruitcount:Gate+3/limb+2"}
    assert len(texts) == 3


@needs_poppler
@pytest.mark.parametrize("side_px", [60, 100, 200])
def test_read_askew(page, side_px):
    for seed in range(6):
        photo = photograph(_piece(page, seed % 3), side_px, seed=seed)
        scale = find_card(Photo(photo))
        assert scale.card_id == (30, 20, 10)[seed % 3]
        assert Flag.CARDS_DISAGREE not in scale.flags
        assert read_card_code(photo, scale) == CodeRead(Assigned(TREE, LIMB))


@needs_poppler
def test_the_scale_is_that_of_the_card_without_code(page):
    """Pixels a mm from the whole piece, which nobody reads: card and code are 15/6 sides wide."""
    piece = _piece(page)
    photo = photograph(piece, 180, bend=0.0)
    scale = find_card(Photo(photo))
    assert scale.px_per_mm == pytest.approx(180 / card_side_mm(20) * 66.67 / 65.87, rel=0.01)


@needs_poppler
@pytest.mark.parametrize(("side_px", "blur"), [(60, 1.5), (100, 2.6)])
def test_a_blurred_code_is_told_as_unread(page, side_px, blur):
    for seed in range(3):
        photo = photograph(_piece(page), side_px, seed=seed, blur=blur)
        got = read_card_code(photo, find_card(Photo(photo)))
        assert got == CodeRead(unread=True)


@needs_poppler
def test_a_smeared_code_is_told_as_unread(page):
    piece = _piece(page).copy()
    # mud over the middle of the code: its corner marks stay, the words are gone
    h = piece.shape[0]
    cv2.circle(piece, (round(piece.shape[1] * 0.72), h // 2), round(h * 0.2), 120, -1)
    photo = photograph(piece, 150)
    assert read_card_code(photo, find_card(Photo(photo))).unread


@needs_poppler
def test_without_the_black_square(page):
    piece = _piece(page)
    photo = photograph(piece[:, piece.shape[1] // 2 :], 200)
    assert read_card_code(photo, Scale()).place == Assigned(TREE, LIMB)


def test_a_plain_card_has_no_code(samples_seen):
    for rgb, scale in samples_seen:
        assert read_card_code(rgb, scale) == CodeRead()


@pytest.fixture(scope="module")
def samples_seen():
    from helpers import ROOT

    out = []
    for path in sorted((ROOT / "sample_images").glob("*.jpg"))[::4]:
        rgb = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        out.append((rgb, find_card(Photo(rgb))))
    return out


NAMES = st.text(st.characters(exclude_categories=["C", "Z"]), max_size=60)


@given(tree=NAMES.filter(bool), limb=NAMES)
def test_text_and_back(tree, limb):
    text = code_text(tree, limb)
    assert text.isascii()
    assert place_by_code(text) == Assigned(tree, limb)


@given(st.text(max_size=200))
def test_hostile_text_is_two_short_names_or_nothing(text):
    for said in (text, "fruitcount:" + text):
        place = place_by_code(said)
        if place is not None:
            assert place.tree
            assert len(place.tree) <= 60 >= len(place.limb)
            assert place.tree.isprintable()
            assert place.limb.isprintable()
            assert (place.side, place.moment) == ("", "")


@pytest.mark.parametrize(
    "text",
    [
        "", "Gate", "http://example.org/x", "fruitcount:", "fruitcount:/limb", "fruitcount:a/b/c",
        "fruitcount:%0Aa", "fruitcount:%00", "fruitcount:a%E2%80%AEb", "fruitcount:%FF",
        "fruitcount:" + "x" * 61, "fruitcount:" + "x" * 9999, "fruitcount:%20a",
    ],
)  # fmt: skip
def test_what_is_no_card_of_ours(text):
    assert place_by_code(text) is None


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "=1+1", "<script>alert(1)</script>", "'; DROP TABLE tree;--"]
)
def test_a_hostile_name_stays_a_name(name, tmp_path):
    from fruitcount.jobs.tree import sheet_path
    from fruitcount.tree.folder import read_rows, write_rows

    place = place_by_code(code_text(name, "1"))
    assert place == Assigned(name, "1")
    row = {"file": "a.jpg", "tree": place.tree, "limb": "1", "ok": True, "count_n": 3}
    table = write_rows([row], tmp_path / "t.csv")
    assert not any(cell.startswith("=") for cell in table.read_text().split(","))
    assert read_rows(table)[0]["tree"] == name
    assert sheet_path(tmp_path, name).parent == tmp_path


def test_names_that_fit_no_card():
    for tree, limb in (("", ""), ("x" * 61, ""), ("a\nb", ""), ("a", " b")):
        with pytest.raises(BadInputError, match="printable"):
            code_text(tree, limb)
    with pytest.raises(BadInputError, match="side_mm"):
        tree_cards("a", side_mm=80)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_many_limbs_flow_over_pages(paper, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    out = tmp_path / "cards.pdf"
    write_card_sheet(out, paper=paper, cards=tree_cards("Gate", [str(k) for k in range(8)]))
    words = " ".join(p.extract_text() for p in pypdf.PdfReader(out).pages)
    assert all(f"Gate / {k}" in words for k in range(8))


def test_the_surest_source_leads():
    sheet, code = Assigned("S", "", "front"), Assigned("C", "2")
    folder, name = Assigned("C", "9"), Assigned("N", "n", "back", "after")
    assert first_told({"sheet": sheet, "code": code}) == (Assigned("S", "", "front"), "sheet")
    # the limb of another tree's folder is not this tree's limb
    told = {"sheet": Assigned(), "code": Assigned("C"), "folder": Assigned("X", "9"), "name": name}
    assert first_told(told) == (Assigned("C", "", "back", "after"), "code")
    assert first_told({"code": Assigned("C"), "folder": folder}) == (folder, "code")
    assert first_told({"code": Assigned(), "folder": Assigned()}) == (Assigned(), "")


def test_naming_asks_in_order(tmp_path):
    path = tmp_path / "T1" / "b" / "X_7.jpg"
    row = {"code_tree": "C", "code_limb": "2", "card_id": 20}
    plain = {"code_tree": "", "code_limb": "", "card_id": 20}
    cards = {20: Assigned("K", "4")}
    how = AssignmentRules(
        cards=cards, pattern="{tree}_{limb}", sheet={"X_7.jpg": Assigned("S", "1")}
    )
    assert how.place(path, tmp_path, row) == (Assigned("S", "1"), "sheet")
    how = AssignmentRules(cards=cards, pattern="{tree}_{limb}")
    assert how.place(path, tmp_path, row) == (Assigned("C", "2"), "code")
    assert how.place(path, tmp_path, plain) == (Assigned("K", "4"), "card")
    bare = {**plain, "card_id": None}
    assert how.place(path, tmp_path, bare) == (Assigned("X", "7"), "name")  # a given pattern leads
    assert AssignmentRules(cards=cards).place(path, tmp_path, bare) == (
        Assigned("T1", "b"),
        "folder",
    )
    loose = tmp_path / "X_7.jpg"
    assert how.place(loose, tmp_path, {}) == (Assigned("X", "7"), "name")
    assert AssignmentRules("code").place(path, tmp_path, plain) == (Assigned(), "")
    assert AssignmentRules("folder").place(path, tmp_path, row) == (Assigned("T1", "b"), "folder")


def test_card_sheet_of_trees(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text("card,tree,limb\n0,Gate,\n41,Pond,2\n")
    assert read_card_sheet(path) == {0: Assigned("Gate"), 41: Assigned("Pond", "2")}
    for text, word in (
        ("card\n1\n", "tree"), ("card,tree\n50,a\n", "0 to 49"), ("card,tree\nx,a\n", "0 to 49"),
        ("card,tree\n1,a\n1,a\n", "twice"),
    ):  # fmt: skip
        path.write_text(text)
        with pytest.raises(BadInputError, match=word):
            read_card_sheet(path)


@needs_poppler
def test_the_row_says_what_the_card_says(page, tmp_path):
    settings = CountSettings(source="classical")
    for name, blur in (("sharp", 0.7), ("blurred", 2.6)):
        photo = photograph(_piece(page), 100, blur=blur)
        cv2.imwrite(str(tmp_path / f"{name}.png"), photo[..., ::-1])
    row = count_photo(str(tmp_path / "sharp.png"), settings=settings)
    assert (row["code_tree"], row["code_limb"]) == (TREE, LIMB)
    assert "CARD_CODE_UNREAD" not in row["flags"]
    row = count_photo(str(tmp_path / "blurred.png"), settings=settings)
    assert (row["code_tree"], row["code_limb"]) == ("", "")
    assert "CARD_CODE_UNREAD" in row["flags"]


@needs_poppler
def test_from_the_command_line(page, tmp_path):
    from click.testing import CliRunner

    from fruitcount.cli import main
    from fruitcount.tree.folder import read_rows

    def run(*arguments):
        return CliRunner().invoke(main, [str(a) for a in arguments])

    done = run("card", tmp_path / "c.pdf", "--tree", TREE, "--limb", LIMB, "--limb", "b")
    assert done.exit_code == 0, done.output
    assert run("card", tmp_path / "c.pdf", "--limb", "1").exit_code == 2
    assert run("card", tmp_path / "c.pdf", "--tree", "x" * 61).exit_code == 2
    place = tmp_path / "photos" / "other tree" / "limb 9"
    place.mkdir(parents=True)
    for name, blur, size in (("read", 0.7, 100), ("unread", 2.6, 100), ("plain", 0.7, 120)):
        piece = _piece(page)
        if name == "plain":
            piece = piece[:, : round(piece.shape[0])]
        cv2.imwrite(str(place / f"{name}.png"), photograph(piece, size, blur=blur)[..., ::-1])
    cards = tmp_path / "cards.csv"
    cards.write_text("card,tree,limb\n20,Pond,7\n")
    for more, want in (
        ([], {"read": (TREE, LIMB, "code"), "plain": ("other tree", "limb 9", "folder")}),
        (["--cards", cards], {"read": (TREE, LIMB, "code"), "plain": ("Pond", "7", "card")}),
        (["--by", "folder"], {"read": ("other tree", "limb 9", "folder")}),
    ):
        done = run("folder", tmp_path / "photos", "--out", tmp_path / "out", "--workers", 1,
                   "--source", "classical", *more)  # fmt: skip
        assert done.exit_code == 0, done.output
        rows = {r["file"].split("/")[-1][:-4]: r for r in read_rows(tmp_path / "out/photos.csv")}
        for name, told in want.items():
            assert (rows[name]["tree"], rows[name]["limb"], rows[name]["told_by"]) == told
        assert "code on the card could not be read" in done.output
