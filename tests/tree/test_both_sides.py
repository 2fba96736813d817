"""Limbs seen from both sides: the estimate, the factor from it, its sheet, and the command."""

import math
from dataclasses import replace

import pytest
from click.testing import CliRunner

from fruitcount.cli import main
from fruitcount.errors import BadInputError
from fruitcount.evaluate.tree_intervals import limb_range_cell, two_sides_cell
from fruitcount.tree.both_sides import BothSides, both_sides_factor, both_sides_lines
from fruitcount.tree.facts import LimbSize, TreeFacts, read_both_sides
from fruitcount.tree.folder import write_rows
from fruitcount.tree.hidden import apply_factor, ratio_factor
from fruitcount.tree.plan import plan_tree

LIMBS = (BothSides("1", 30, 25, 18), BothSides("2", 22, 28, 14), BothSides("3", 40, 33, 26))
SIZES = {str(k): LimbSize(d) for k, d in enumerate((20.0, 30.0, 25.0, 22.0, 28.0, 18.0), 1)}
TRUNK = TreeFacts(ripening_month=7, age_years=7, trunk_circumference_mm=400, limb_sizes=SIZES)
SHEET = "limb,front,back,both\n1,30,25,18\n2,22,28,14\n3,40,33,26\n"


def rows(sides=("front",)):
    return [
        {"file": f"T/{k}/{side}.jpg", "tree": "T", "limb": str(k), "side": side, "ok": True,
         "count_n": n, "length_mm": 900.0, "base_diameter_mm": SIZES[str(k)].base_diameter_mm}
        for k, n in enumerate((40, 95, 60), 1)
        for side in sides
    ]  # fmt: skip


def test_the_turtles():
    """Ten turtles marked, fifteen caught later, five of them marked: 28 by Chapman.

    The worked example of the encyclopaedia article "Mark and recapture" (Wikipedia; its figures
    from memory): (10 + 1)(15 + 1)/(5 + 1) - 1 = 28.3, where Lincoln and Petersen say 30.
    """
    got = BothSides("pond", 10, 15, 5).whole
    assert got.value_n == pytest.approx(28.3, abs=0.05)
    assert got.seen_n == 20
    assert got.low_n < got.value_n < got.high_n
    # vChapman of the R package recapr: (n1+1)(n2+1)(n1-m2)(n2-m2)/((m2+2)(m2+1)^2)
    assert got.var_n2 == pytest.approx(11 * 16 * 5 * 10 / (7 * 36))


def test_factor_is_of_the_estimates():
    whole = [x.whole.value_n for x in LIMBS]
    one = both_sides_factor(LIMBS)
    assert one.value == pytest.approx(sum(whole) / (27.5 + 25 + 36.5))
    assert (one.limbs_n, one.limbs_are) == (3, "limbs seen from both sides")
    assert one.low < one.value < one.high


def test_agreement_by_luck_is_not_taken_as_sureness():
    same = (BothSides("1", 20, 20, 10),) * 3
    by_hand = ratio_factor([20] * 3, [same[0].whole.value_n] * 3)
    assert by_hand.high == pytest.approx(by_hand.low)
    got, se = both_sides_factor(same), math.sqrt(3 * same[0].whole.var_n2) / 60
    # t of 2 degrees is 4.303; 18 % too low at most
    times = math.exp(4.3027 * math.sqrt(math.log1p((se / got.value) ** 2)))
    assert got.high == pytest.approx(got.value * times / 0.82, rel=1e-4)
    assert got.high > got.value > got.low
    assert not both_sides_factor(same[:1]).known  # one limb tells no spread


def test_no_interval_reaches_below_what_one_side_shows():
    """Arithmetic: a limb bears at least the fruit that one of its sides shows."""
    unlike = (BothSides("1", 20, 20, 4), BothSides("2", 20, 20, 20))
    got = both_sides_factor(unlike)
    assert got.low == 1.0
    assert got.low < got.value < got.high


@pytest.mark.parametrize(("kind", "error"), [("even", 0.0), ("harder", -0.18), ("opposite", 0.16)])
def test_interval_of_the_tree_holds_however_fruit_show(kind, error):
    """Drawn trees: the method's own error either way is what the words say, the range holds it."""
    held, share = two_sides_cell(kind, trees=400)
    assert held >= 0.92  # a range over what may be: 95 % and more where fruit show alike
    assert share - 1 == pytest.approx(error, abs=0.015)
    assert limb_range_cell(kind, 40, trees=400) >= 0.92


def test_lines_give_a_range_and_what_is_assumed():
    lines = both_sides_lines((*LIMBS, BothSides("4", 9, 8, 3)))
    first = LIMBS[0].whole
    low = max(37, math.floor(first.low_n / 1.16))
    assert f"{low} to {math.ceil(first.high_n / 0.82)} fruit, with those" in lines[0]
    assert "37 different ones were seen" in lines[0]
    assert "at least 14 fruit. Of under 15" in lines[3]
    assert "18 % too low" in lines[-1]
    assert "estimate" in lines[-1]
    alone = both_sides_lines((BothSides("5", 19, 12, 6),))
    assert "recognised in both on 5:" in alone[1]
    assert any("One limb alone" in line for line in alone)


def test_off_until_told_and_carried_like_hand_counts():
    plain = plan_tree(rows(), "T", TRUNK)
    assert plain.count.true_per_seen == 1
    assert not any("both sides" in note for note in plain.notes)
    told = plan_tree(rows(), "T", replace(TRUNK, both_sides=LIMBS))
    factor = both_sides_factor(LIMBS)
    assert told.count.true_per_seen == factor.value
    assert told.sheet.total == apply_factor(plain.sheet.total, factor)
    assert "3 limbs seen from both sides" in told.sheet.total.method
    wide = told.sheet.total.high_n / told.sheet.total.value_n
    assert wide > plain.sheet.total.high_n / plain.sheet.total.value_n


def test_limbs_on_photos_from_both_sides_count_as_their_mean():
    """A limb told of by both sides then comes to its own Chapman estimate, whatever the others."""
    table = [{**r, "count_n": 25} if r["side"] == "back" and r["limb"] == "1" else r
             for r in rows(("front", "back"))][:3]  # fmt: skip
    table[0]["count_n"] = 30  # limb 1: 30 and 25; of limb 2 the front alone
    told = plan_tree(table, "T", replace(TRUNK, both_sides=LIMBS[:1]))
    have = {limb.name: limb.have_n for limb in told.sheet.limbs}
    assert have["1"] == pytest.approx(31 * 26 / 19 - 1)
    assert have["2"] == pytest.approx(95 * have["1"] / 27.5)
    plain = plan_tree(table, "T", TRUNK)
    assert plain.sheet.limbs[0].have_n == 30  # the better side, where nothing more is told


def test_hand_counts_win_and_it_is_said():
    hand = ((50, 100), (30, 58), (44, 90))
    only = plan_tree(rows(), "T", replace(TRUNK, seen_true=hand))
    two = plan_tree(rows(), "T", replace(TRUNK, seen_true=hand, both_sides=LIMBS))
    assert two.sheet.total == only.sheet.total
    assert any("rests on the limbs counted by hand" in note for note in two.notes)
    assert any("both sides: " in note for note in two.notes)  # the limbs are shown all the same


def test_what_the_width_comes_from_is_named():
    wild = (BothSides("1", 20, 20, 19), BothSides("2", 20, 20, 4))
    got = plan_tree(rows(), "T", replace(TRUNK, both_sides=wild))
    assert "seen from both sides. Do more of them" in got.count.surer


def test_one_limb_alone_asks_for_another_of_its_kind():
    got = plan_tree(rows(), "T", replace(TRUNK, both_sides=LIMBS[:1]))
    assert not got.sheet.total.known
    assert "See another limb from both sides, or count two by hand" in got.count.surer
    got = plan_tree(rows(), "T", replace(TRUNK, seen_true=((50, 100),)))
    assert "Count another limb by hand" in got.count.surer


def test_sheet_is_read(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text(SHEET)
    assert read_both_sides(path, "T") == LIMBS
    path.write_text("tree,limb,front,back,both\nT,1,30,25,18\nU,1,2,2,9\n")
    assert read_both_sides(path, "T") == LIMBS[:1]


BAD = [
    ("limb,front,back\n1,2,3\n", "needs a column"),
    ("limb,front,back,both\n1,many,3,1\n", "line 2: front must be a number, got 'many'"),
    ("limb,front,back,both\n1,,3,1\n", "line 2: front must be a number, got ''"),
    ("limb,front,back,both\n1,4,3.5,1\n", "line 2: back must be a whole number, got '3.5'"),
    ("limb,front,back,both\n1,4,3,-1\n", "line 2: both must be from 0 to 100000"),
    ("limb,front,back,both\n1,nan,3,1\n", "line 2: front must be a finite number"),
    ("limb,front,back,both\n1,1e300,3,1\n", "line 2: front must be from 0 to 100000"),
    ("limb,front,back,both\n1,4,3,1\n1,4,3,1\n", "line 3: limb '1' comes twice"),
    ("limb,front,back,both\n,4,3,1\n", "line 2: limb must have a name"),
    ("limb,front,back,both\n1,5,9,6\n", r"line 2: both must be at most 5 .*got 6"),
    ("limb,front,back,both\n1,0,0,0\n", "fruit seen on tree 'T', found none"),
    ("tree,limb,front,back,both\nU,1,4,3,1\n", "fruit seen on tree 'T', found none"),
    ("limb,front,back,both\n", "no line below"),
]


@pytest.mark.parametrize(("text", "match"), BAD)
def test_bad_sheets_are_named(tmp_path, text, match):
    path = tmp_path / "s.csv"
    path.write_text(text)
    with pytest.raises(BadInputError, match=match) as fault:
        read_both_sides(path, "T")
    assert str(path) in str(fault.value)


def test_nothing_seen_is_refused():
    with pytest.raises(BadInputError, match="at least 15 different"):
        both_sides_factor((BothSides("1", 0, 0, 0),))
    with pytest.raises(BadInputError, match="both must be at most 3"):
        BothSides("1", 3, 5, 4)


def _full_rows():
    return [
        {**r, "moment": "", "told_by": "folder", "problem": "", "keep_n": 3.0, "yellowing_n": 1.0,
         "median_size_mm": 15.25, "card_id": 12, "taken_at": "", "flags": [], "same_as": "",
         "sha256": "ab", "look": ""}
        for r in rows()
    ]  # fmt: skip


def test_command(tmp_path):
    table = write_rows(_full_rows(), tmp_path / "photos.csv")
    sizes = tmp_path / "limbs.csv"
    sizes.write_text("limb,base_diameter_mm\n1,20\n2,30\n3,25\n4,22\n")
    sides, hands = tmp_path / "sides.csv", tmp_path / "hands.csv"
    sides.write_text(SHEET.replace("\n1,", "\n<b>&,"))
    hands.write_text("seen,true\n50,100\n30,58\n44,90\n")
    usual = ["tree", table, "--limb-sheet", sizes, "--trunk", "40cm", "--age", 7,
             "--ripening-month", 7, "--out", tmp_path]  # fmt: skip

    def said(*more):
        return CliRunner().invoke(main, [str(a) for a in (*usual, *more)])

    assert "both sides" not in said().output
    done = said("--both-sides", sides)
    assert done.exit_code == 0, done.output
    # by hand: 31*26/19 - 1 = 41.4, of them 37 seen; variance 31*26*12*7/(19^2*20) = 9.38;
    # spread exp(1.96 sqrt(ln(1 + 9.38/4.42^2))) = 3.41; 37 + 4.42/3.41 = 38.3, 37 + 15.1 = 52.1
    assert "Limb <b>& from both sides: 37 to 64 fruit, with those that neither shows" in done.output
    assert "by 3 limbs seen from both sides" in done.output
    assert "18 % too low" in done.output
    assert (tmp_path / "T_sheet.pdf").is_file()
    done = said("--both-sides", sides, "--hand-counts", hands)
    assert "by 3 hand-counted limbs" in done.output
    assert "rests on the limbs counted by hand" in done.output
    sides.write_text("limb,front,back,both\n1,5,9,6\n")
    done = said("--both-sides", sides)
    assert done.exit_code == 2
    assert "both must be at most 5" in done.output
