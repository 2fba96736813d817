"""A tree's answer from rows, against its parts and against worked figures of the trade."""

import math
from dataclasses import replace

import numpy as np
import pytest
from limbs import PX_PER_MM, fruit_on, straight_limb

from fruitcount.errors import BadInputError
from fruitcount.jobs.tree import sheet_path, tree_lines, write_tree_sheet
from fruitcount.tree.estimate import csa_cm2, ratio_total
from fruitcount.tree.facts import LimbSize, TreeFacts, read_hand_counts, read_limb_sizes, read_walks
from fruitcount.tree.folder import read_rows, write_rows
from fruitcount.tree.plan import plan_tree
from fruitcount.types import Measurement, Scale

CALIPERS = {"1": 20.0, "2": 30.0, "3": 25.0, "4": 22.0, "5": 28.0, "6": 18.0}
SIZES = {name: LimbSize(d) for name, d in CALIPERS.items()}


def rows(counts=(40, 95, 60), **more):
    return [
        {"file": f"T/{i + 1}/a.jpg", "tree": "T", "limb": str(i + 1), "ok": True, "count_n": n,
         "length_mm": 900.0, "base_diameter_mm": 21.0 + i, **more}
        for i, n in enumerate(counts)
    ]  # fmt: skip


TRUNK = TreeFacts(ripening_month=7, age_years=7, trunk_circumference_mm=400, limb_sizes=SIZES)


def test_a_limb_keeps_no_more_than_its_own_plan_says():
    # a share of 25 by area, but the limb's own spacing and wood allow 7
    free, bound = rows(), rows()
    bound[1]["keep_n"] = 7
    was = {x.name: x.keep_n for x in plan_tree(free, "T", TRUNK).sheet.limbs}
    got = plan_tree(bound, "T", TRUNK)
    now = {x.name: x.keep_n for x in got.sheet.limbs}
    assert was["2"] > 7
    assert now == {**was, "2": 7}
    assert got.sheet.keep_n == sum(now.values())
    assert "Limb 2: less than its share of the target, its photo's plan keeps no more." in got.notes


def test_limbs_not_photographed_keep_no_more_than_like_limbs():
    bound = rows()
    for row in bound:
        row["keep_n"] = 7  # all three photographed limbs may keep fewer than their shares
    got = plan_tree(bound, "T", TRUNK)
    most = max(x.keep_n / x.area_cm2 for x in got.sheet.limbs if x.counted)
    for limb in got.sheet.limbs:
        assert limb.keep_n <= max(most * limb.area_cm2, 1)
    assert any("load not checked" in note for note in got.notes)


def test_the_choice_of_plan_goes_from_the_photo_to_the_tree():
    limb = straight_limb(900, base_mm=25)
    fruit = fruit_on(limb, np.linspace(20, 880, 40))
    drawn = Measurement("a.jpg", "", 4000, 3000, None, Scale(px_per_mm=PX_PER_MM), fruit, limb)
    for choice, words in (("full", "full crop: pinch"), ("quick", "quick: shorten it")):
        got = plan_tree(rows(plan_choice=choice), "T", TRUNK, measured=lambda row: drawn)
        assert {r.decision.plan.plan_choice for r in got.results.values()} == {choice}
        said = "\n".join(tree_lines(got))
        assert said.count(f"Chosen, {words}") == said.count(words) == 1  # and not as a note again
    mixed = [
        {**row, "plan_choice": c} for row, c in zip(rows(), ("full", "quick", "quick"), strict=True)
    ]
    got = plan_tree(mixed, "T", TRUNK, measured=lambda row: drawn)
    assert any("as chosen for each limb" in note for note in got.notes)


def test_the_chosen_plans_line_says_what_the_sheet_says_with_hidden_fruit_too():
    limb = straight_limb(900, base_mm=25)
    fruit = fruit_on(limb, np.linspace(20, 880, 40))
    drawn = Measurement("a.jpg", "", 4000, 3000, None, Scale(px_per_mm=PX_PER_MM), fruit, limb)
    for seen_true in ((), ((27, 40), (18, 30)), ((30, 41), (19, 27), (40, 61))):
        facts = replace(TRUNK, seen_true=seen_true, limb_sizes={k: SIZES[k] for k in "123"})
        got = plan_tree(rows((40, 40, 40)), "T", facts, measured=lambda row: drawn)
        (chosen,) = [c for c in got.choices if c.chosen]
        assert (chosen.keep_n, chosen.final_n) == (got.sheet.keep_n, got.sheet.work.final_n)
        assert chosen.harvest_g == pytest.approx(got.sheet.work.harvest_kg * 1000)
        full = plan_tree(
            rows((40, 40, 40)), "T", replace(facts, plan_choice="full"), measured=lambda row: drawn
        )
        numbers = [{c.name: (c.keep_n, c.final_n) for c in x.choices} for x in (got, full)]
        assert numbers[0] == numbers[1]  # whichever is chosen


def test_by_trunk_and_caliper():
    # van den Ende 2012: 7-year peach, mid-season, 40 cm trunk: 140 to 160
    got = plan_tree(rows(), "T", TRUNK)
    assert (got.sheet.target.low_n, got.sheet.target.high_n) == (140, 160)
    area = csa_cm2(list(CALIPERS.values()))
    want = ratio_total([40, 95, 60], area[:3], all_area_cm2=area)
    assert got.sheet.total == want
    assert sum(limb.keep_n for limb in got.sheet.limbs) == got.sheet.keep_n == 150
    assert [limb.counted for limb in got.sheet.limbs] == [True] * 3 + [False] * 3
    assert set(got.count.next_limbs) <= {"4", "5", "6"}
    assert got.size_class == "A"  # USDA medium peach 67.7 mm lies in A, (EC) 1580/2007
    assert [n for n in got.notes if "not checked" not in n] == []


@pytest.mark.parametrize(
    ("month", "southern", "low"),
    [(6, False, 2.0), (12, True, 2.0), (9, False, 4.5), (3, True, 4.5)],
)
def test_season_of_the_trunk_table_in_both_hemispheres(month, southern, low):
    # van den Ende 2012: from the 5th year early 2-3, late 4.5-5 fruit per cm
    facts = replace(TRUNK, ripening_month=month, southern=southern)
    assert plan_tree(rows(), "T", facts).sheet.target.low_n == pytest.approx(40 * low)


def test_crates_lead():
    facts = replace(TRUNK, crates_n=2, crate_kg=9, harvest_diameter_mm=67.7)
    got = plan_tree(rows(), "T", facts)
    # USDA household weight: 67.7 mm is 150 g, by the mean density 156 g; 18 kg are 115 fruit
    assert got.sheet.fruit_g == pytest.approx(156, abs=1)
    assert got.sheet.keep_n == round(18_000 / got.sheet.fruit_g)


def test_by_spacing_and_missing_lengths():
    facts = TreeFacts(spacing_mm=150, limb_sizes={k: SIZES[k] for k in "1234"})
    got = plan_tree(rows(), "T", facts)
    per_root = 2700 / np.sqrt(csa_cm2([20, 30, 25])).sum()
    length = 2700 + per_root * math.sqrt(float(csa_cm2(22)[0]))
    assert got.sheet.target.middle_n == pytest.approx(length / 150)
    assert "no measured length" in got.notes[0]


def test_number_of_limbs_alone():
    got = plan_tree(rows(), "T", TreeFacts(limbs_n=6, spacing_mm=100))
    assert got.sheet.total.value_n == pytest.approx(6 * 65)  # mean of the three, six times
    assert [limb.name for limb in got.sheet.limbs][3:] == [f"other limb {k}" for k in (1, 2, 3)]
    assert any("no measured thickness" in note for note in got.notes)
    with pytest.raises(BadInputError, match="at least 3, got 2"):
        plan_tree(rows(), "T", TreeFacts(limbs_n=2, spacing_mm=100))


def test_hand_counts_raise_every_limb():
    plain = plan_tree(rows(), "T", TRUNK)
    told = plan_tree(rows(), "T", replace(TRUNK, seen_true=((50, 100), (30, 58), (44, 90))))
    factor = 248 / 124
    assert told.sheet.total.value_n == pytest.approx(factor * plain.sheet.total.value_n)
    assert told.sheet.limbs[0].have_n == pytest.approx(40 * factor)
    # the hand counts' own spread is carried
    one, two = plain.sheet.total, told.sheet.total
    assert two.high_n / two.value_n > one.high_n / one.value_n


def test_photos_after_the_work_and_of_other_trees_stay_out():
    more = [*rows(), *rows((3, 3, 3), moment="after"), *rows((500,), tree="U")]
    facts = replace(TRUNK, pace_n_per_min=20)
    assert plan_tree(more, "T", facts).sheet == plan_tree(rows(), "T", facts).sheet


@pytest.mark.parametrize(
    ("tree", "facts", "match"),
    [
        ("no such", TRUNK, "trees there: T"),
        ("T", replace(TRUNK, age_years=None), "age_years"),
        ("T", TreeFacts("sweet-cherry"), "nothing says how many"),
        ("T", TreeFacts("apricot", age_years=5, trunk_circumference_mm=300), "no table by trunk"),
    ],
)
def test_what_cannot_be_told_is_named(tree, facts, match):
    with pytest.raises(BadInputError, match=match):
        plan_tree(rows(), tree, facts)


def test_bad_facts_are_named():
    with pytest.raises(BadInputError, match="crates"):
        TreeFacts(crates_n=3)
    with pytest.raises(BadInputError, match="pace_n_per_min"):
        TreeFacts(pace_n_per_min=0)


def test_the_table_comes_back_as_it_was(tmp_path):
    full = [
        {**r, "side": "front", "moment": "", "told_by": "folder", "problem": "", "keep_n": 3.0,
         "yellowing_n": 1.0, "median_size_mm": 15.25, "card_id": 12, "taken_at": "",
         "flags": ["no_scale", "x"],
         "same_as": "", "sha256": "ab", "look": "ff" * 32}
        for r in rows()
    ]  # fmt: skip
    full.append({**full[0], "file": "=risky", "ok": False, "count_n": None, "length_mm": None})
    back = read_rows(write_rows(full, tmp_path / "photos.csv"))
    assert [{name: row[name] for name in full[0]} for row in back] == full
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    with pytest.raises(BadInputError, match="needs a column"):
        read_rows(tmp_path / "other.csv")
    with pytest.raises(BadInputError, match="cannot be read"):
        read_rows(tmp_path / "none.csv")
    broken = (tmp_path / "photos.csv").read_text().replace("40", "forty", 1)
    (tmp_path / "broken.csv").write_text(broken)
    with pytest.raises(BadInputError, match="line 2"):
        read_rows(tmp_path / "broken.csv")


def test_typed_sheets(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("tree,limb,base_diameter_mm,length_mm\nT,1,20,\nT,2,30.5,910\nU,1,9,9\n")
    got = read_limb_sizes(path, "T")
    assert got["2"] == LimbSize(30.5, 910)
    assert (len(got), math.isnan(got["1"].length_mm)) == (2, True)
    for text, match in (
        ("limb\n1\n", "base_diameter_mm"),
        ("limb,base_diameter_mm\n1,thick\n", "must be a number"),
        ("limb,base_diameter_mm\n1,-3\n", "base_diameter_mm"),
        ("limb,base_diameter_mm\n1,3\n1,4\n", "comes twice"),
        ("tree,limb,base_diameter_mm\nU,1,3\n", "found none"),
    ):
        path.write_text(text)
        with pytest.raises(BadInputError, match=match):
            read_limb_sizes(path, "T")
    path.write_text("seen,true,limb\n54,100,\n40,70,2\n")
    assert read_hand_counts(path) == (((54, 100), (40, 70)), {"2": 70})
    path.write_text("seen,true\n54,1e308\n")
    with pytest.raises(BadInputError, match="line 2: true must be from 0 to 100000"):
        read_hand_counts(path)


def test_what_was_counted_by_hand_is_printed_as_counted():
    facts = replace(TRUNK, seen_true=((40, 70), (95, 150)), hand_limbs={"1": 70})
    limbs = plan_tree(rows(), "T", facts).sheet.limbs
    assert limbs[0].whole_n == 70  # its estimate by the factor would be 65
    assert limbs[1].whole_n == round(95 * 220 / 135)


def test_limbs_nobody_has_seen_take_their_share_by_wood_and_no_more_is_said():
    plan = plan_tree(rows(), "T", replace(TRUNK, pace_n_per_min=20))
    seen, unseen = plan.sheet.limbs[:3], plan.sheet.limbs[3:]
    area = csa_cm2([CALIPERS[x.name] for x in unseen])
    assert [x.keep_n for x in unseen] == pytest.approx(area / area.sum() * sum(
        x.keep_n for x in unseen), abs=1)  # fmt: skip
    assert all(math.isnan(x.work.off_n) for x in unseen)
    assert plan.sheet.work.off_n == sum(x.work.off_n for x in seen)
    assert plan.sheet.whole_work.off_n > plan.sheet.work.off_n  # for the hours of the season
    said = tree_lines(plan)
    assert "on the 3 limbs photographed keep" in said[0]
    assert any("4: nobody has seen it; keep at most" in line for line in said)


@pytest.mark.parametrize("limbs_n", [0, 501, 999_999_999])
def test_too_many_limbs_are_refused_with_the_reason(limbs_n):
    with pytest.raises(BadInputError, match="limbs must be from 1 to 500"):
        replace(TRUNK, limbs_n=limbs_n)


def test_a_very_long_name_is_cut_on_the_sheet(tmp_path):
    name = "x" * 5000
    plan = plan_tree(rows(tree=name), name, TRUNK)
    path = sheet_path(tmp_path, name)
    assert len(path.name) < 100
    assert write_tree_sheet(plan, path).stat().st_size > 1000


GROUPED = {
    name: LimbSize(d, group="top" if name in "123" else "low") for name, d in CALIPERS.items()
}


def test_by_group_against_cochran():
    """Two groups of three limbs; Cochran, Sampling Techniques, 1977, formulas 5.1 and 5.7."""
    some = [r for k, r in enumerate(rows((40, 95, 60, 20, 30))) if k != 2]  # 1, 2 and 4, 5
    facts = replace(TRUNK, limb_sizes=GROUPED, by_group=True)
    got = plan_tree(some, "T", facts)
    total = got.sheet.total
    assert total.value_n == pytest.approx(3 * 67.5 + 3 * 25)
    var = sum(3**2 * (1 - 2 / 3) * s2 / 2 for s2 in (55**2 / 2, 10**2 / 2))
    assert total.se_n == pytest.approx(math.sqrt(var))
    assert (
        got.count.next_limbs[0] == "3"
    )  # the group that spreads more is asked first (Neyman 1934)
    assert got.count.surer.startswith("To about halve the interval photograph")
    with pytest.raises(BadInputError, match="every limb must have a group"):
        plan_tree(some, "T", replace(TRUNK, by_group=True))
    with pytest.raises(BadInputError, match="'low' must have a photographed limb"):
        plan_tree(rows(), "T", facts)
    first = [r for r in some if r["limb"] != "5"]
    assert plan_tree(first, "T", facts).count.next_limbs == ("5",)  # one of a group tells no spread


def test_walks_tell_the_total(tmp_path):
    """Jessen's running products (Biometrics 11:99, 1955) on a constructed tree of 140 fruit."""
    path = tmp_path / "w.csv"
    path.write_text(
        "walk,fruit,chance,diameter_mm,fork_mm\n"
        "a,0,,,\na,6,0.6,,\na,50,0.625,,\n"
        "b,0,,,\nb,4,,20,20 24.4949\nb,31,0.5,,\n"
    )
    walks = read_walks(path)
    assert [w.total_n for w in walks] == pytest.approx([143.333, 165.0], abs=0.01)
    got = plan_tree(rows(), "T", replace(TRUNK, walks=walks))
    assert got.sheet.total.value_n == pytest.approx(154.17, abs=0.01)
    assert "1 walk more" in got.count.surer  # an interval needs three
    assert not got.sheet.total.known
    for text, match in (
        ("walk,fruit\n", "no line below"), ("fruit\n1\n", "walk"),
        ("walk,fruit,chance\n1,2,2\n", "line 2: chance must be from 0 to 1, got 2"),
        ("walk,fruit,chance\n1,2,\n1,3,\n", "line 3: each piece after the trunk needs a chance"),
        ("walk,fruit,diameter_mm,fork_mm\n1,2,9,8 7\n",
                                                  "one of fork_mm"),
    ):  # fmt: skip
        path.write_text(text)
        with pytest.raises(BadInputError, match=match):
            read_walks(path)


def test_what_would_halve_the_interval_is_said():
    got = plan_tree(rows(), "T", TRUNK)
    assert (
        got.count.surer
        == f"To about halve the interval photograph {len(got.count.next_limbs)} more limb"
        + (f"{'s' if len(got.count.next_limbs) > 1 else ''} ({', '.join(got.count.next_limbs)}).")
    )
    # hand counts that disagree leave most of the doubt, however many limbs are photographed
    doubtful = replace(TRUNK, seen_true=((50, 60), (30, 90), (44, 50)))
    assert "Count more limbs by hand" in plan_tree(rows(), "T", doubtful).count.surer
    assert plan_tree(rows((1, 2, 3, 4, 5, 6)), "T", TRUNK).count.surer == ""


def test_a_hand_count_is_printed_as_it_was_counted():
    """Without names too, where each photo's count is that of one limb of the tree alone."""
    told = replace(TRUNK, seen_true=((40, 70), (60, 121)))
    have = {x.name: x.have_n for x in plan_tree(rows(), "T", told).sheet.limbs}
    assert (have["1"], have["3"]) == (70, 121)
    assert have["2"] == pytest.approx(95 * 191 / 100)
    others = replace(TRUNK, seen_true=((40, 70), (61, 121)))  # one is not of this tree
    have = {x.name: x.have_n for x in plan_tree(rows(), "T", others).sheet.limbs}
    assert have["1"] == pytest.approx(40 * 191 / 101)
    twice = plan_tree(rows((40, 40, 60)), "T", replace(TRUNK, seen_true=((40, 70), (60, 121))))
    assert twice.sheet.limbs[0].have_n == pytest.approx(40 * 1.91)  # which of the two?


def test_what_is_likely_in_sight_comes_from_the_photos_ranges():
    plain = plan_tree(rows(), "T", TRUNK)
    assert plain.count.likely is None  # the photos tell no range
    ranged = [{**r, "count_low_n": r["count_n"], "count_high_n": 1.44 * r["count_n"]}
              for r in rows()]  # fmt: skip
    got = plan_tree(ranged, "T", TRUNK).count
    assert got.likely.value_n == pytest.approx(1.2 * got.total.value_n)
    assert got.likely.low_n <= got.total.value_n
    assert got.likely.high_n > 1.44 * got.total.value_n
    words = tree_lines(plan_tree(ranged, "T", TRUNK))
    at = next(k for k, line in enumerate(words) if line.startswith("Likely in sight"))
    assert words[at].startswith("Likely in sight on all limbs, with those that the count missed")
    assert "Count three of these limbs by hand" in words[at + 1]
    by_hand = replace(TRUNK, seen_true=((40, 70), (60, 121)))
    assert plan_tree(ranged, "T", by_hand).count.likely is None  # then more is known
