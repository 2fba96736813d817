"""Limbs through the seasons: moments paired, sides not added, years kept apart."""

from __future__ import annotations

import math
from datetime import date

from fruitcount.tree.group import limb_seasons


def row(file, limb, count, **more):
    """One photo of 2026, before thinning, as the records give it."""
    usual = {"tree": "t", "limb": limb, "side": "", "moment": "", "ok": True, "count_n": count,
             "year": 2026, "on": date(2026, 4, 12), "keep_n": 20}  # fmt: skip
    return {"file": file} | usual | more


def test_before_keep_and_after_are_put_together():
    after = {"moment": "after", "on": date(2026, 4, 26), "keep_n": 22}
    (one,) = limb_seasons([row("a", "low", 42), row("b", "low", 24, **after)])
    assert (one.before_n, one.keep_n, one.after_n) == (42, 20, 24)
    assert (one.off_n, one.over_n, one.photos_n) == (18, 4, 2)
    assert (one.before_on, one.after_on) == (date(2026, 4, 12), date(2026, 4, 26))


def test_front_and_back_are_one_limb_and_the_fuller_side_sets_the_target():
    (one,) = limb_seasons(
        [row("a", "1", 30, side="front", keep_n=14), row("b", "1", 36, side="back", keep_n=17)]
    )
    assert (one.before_n, one.keep_n) == (36, 17)
    assert math.isnan(one.after_n)
    assert math.isnan(one.over_n)


def test_a_target_reached_leaves_nothing_over():
    (one,) = limb_seasons([row("a", "1", 30), row("b", "1", 18, moment="after")])
    assert one.over_n == 0


def test_seasons_are_kept_apart_newest_first():
    got = limb_seasons(
        [
            row("a", "1", 30, year=2025, on=date(2025, 4, 2)),
            row("b", "2", 12),
            row("c", "1", 40),
            row("d", "1", 21, year=2025, moment="after", on=date(2025, 5, 2)),
        ]
    )
    assert [(g.limb, g.year, g.before_n) for g in got] == [("2", 2026, 12), ("1", 2026, 40),
                                                           ("1", 2025, 30)]  # fmt: skip
    assert got[2].after_n == 21


def test_what_could_not_be_counted_is_not_zero():
    (one,) = limb_seasons([row("a", "1", None)])
    assert math.isnan(one.before_n)
    assert math.isnan(one.keep_n)
    assert limb_seasons([]) == []


def test_a_photo_of_no_named_limb_stands_for_itself():
    (one,) = limb_seasons([row("a.jpg", "", 9)])
    assert (one.limb, one.named) == ("a.jpg", False)
