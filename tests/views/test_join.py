"""Photos of one limb joined, on limbs in space before cameras: the test's own pinhole is the truth.

Bands are those of a simulation: see ``limbs_around``. Nothing here was tried on real pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from limbs_around import limb_in_space, photo_of

from fruitcount.errors import BadInputError, OtherLimbError
from fruitcount.jobs.tree_source import TreeSource
from fruitcount.tree.facts import TreeFacts
from fruitcount.types import Kind, Limb, Measurement
from fruitcount.views import JoinedLimb, join_photos
from fruitcount.views.hidden import chao_bound, likely_range

SEEDS = range(3)


@lru_cache
def _joined(seed: int, *yaws: float) -> tuple[JoinedLimb, list[np.ndarray]]:
    limb = limb_in_space(seed)
    shots = [photo_of(limb, yaw, 10 * seed + k) for k, yaw in enumerate(yaws)]
    return join_photos([s for s, _ in shots]), [who for _, who in shots]


def _pairs(joined: JoinedLimb, who: list[np.ndarray]) -> Iterator[tuple[int, int]]:
    """True numbers of the fruit that were taken for one, of the first two photos."""
    for k in set(joined.fruit[0]) & set(joined.fruit[1]):
        yield tuple(int(w[f == k][0]) for w, f in zip(who, joined.fruit[:2], strict=True))


@pytest.mark.parametrize(("yaw", "precise", "recalled"), [(14.0, 0.95, 0.85), (172.0, 0.85, 0.7)])
def test_the_same_fruit_are_joined(yaw: float, precise: float, recalled: float) -> None:
    right = told = there = 0
    for seed in SEEDS:
        joined, who = _joined(seed, 0.0, yaw)
        pairs = list(_pairs(joined, who))
        right += sum(a == b for a, b in pairs)
        told += len(pairs)
        there += len(set(who[0]) & set(who[1]))
    assert right / told >= precise
    assert right / there >= recalled


def test_two_photos_count_the_limb_better_than_one() -> None:
    one, two = [], []
    for seed in SEEDS:
        joined, who = _joined(seed, 0.0, 172.0)
        there = len(set(who[0]) | set(who[1]))
        one.append(len(who[0]) / there - 1)
        two.append(int(joined.measurement.fruitlets.counts_as_crop.sum()) / there - 1)
    assert abs(np.mean(two)) < 0.08 < abs(np.mean(one))


def test_ranges_hold_the_limb() -> None:
    held = 0
    for seed in SEEDS:
        low, high = _joined(seed, 0.0, 172.0)[0].measurement.count_range_n
        held += low <= 24 <= high
    assert held >= len(SEEDS) - 1


def test_another_limb_is_refused() -> None:
    refused = 0
    for seed in SEEDS:
        one, other = limb_in_space(seed), limb_in_space(seed + 100)
        try:
            join_photos([photo_of(one, 0, seed)[0], photo_of(other, 172, seed)[0]])
        except OtherLimbError:
            refused += 1
    assert refused >= len(SEEDS) - 1


def test_a_photo_joined_to_itself_stays_as_it_is() -> None:
    photo, _ = photo_of(limb_in_space(3), 0.0, 3)
    joined = join_photos([photo, replace(photo, name="again.jpg")])
    assert len(joined.measurement.fruitlets) == len(photo.fruitlets)
    assert (joined.seen_on == 2).all()
    np.testing.assert_allclose(joined.measurement.fruitlets.x_px, photo.fruitlets.x_px)


def test_every_mark_has_one_fruit_and_every_fruit_a_mark() -> None:
    joined, who = _joined(1, 0.0, 20.0, 172.0)
    count = len(joined.measurement.fruitlets)
    assert set(np.concatenate(joined.fruit)) == set(range(count))
    for rows, names in zip(joined.fruit, who, strict=True):
        assert len(rows) == len(names) == len(set(rows))  # never two marks of a photo in one
        assert (rows >= 0).sum() == len(names)
    placed = joined.measurement.fruitlets
    assert np.isfinite(placed.along_mm).all()
    assert np.isfinite(placed.x_px).all()


def test_yellowing_goes_by_the_vote() -> None:
    photo, _ = photo_of(limb_in_space(4), 0.0, 4)
    yellow = np.full(len(photo.fruitlets), int(Kind.FRUIT))
    yellow[:3] = int(Kind.YELLOWING)
    told = replace(photo, fruitlets=photo.fruitlets.with_columns(kind=yellow))
    joined = join_photos([told, told, photo])
    assert (joined.measurement.fruitlets.kind[:3] == Kind.YELLOWING).all()


def test_what_cannot_be_joined_is_said() -> None:
    photo, _ = photo_of(limb_in_space(5), 0.0, 5)
    with pytest.raises(BadInputError, match="at least two"):
        join_photos([photo])
    with pytest.raises(BadInputError, match="limb must be found"):
        join_photos([photo, replace(photo, limb=Limb())])


def test_chaos_bound_on_rabbits_that_were_counted() -> None:
    # Cottontails, 135 in a pen, 76 caught in 18 nights, 43 once, 16 twice (Edwards & Eberhardt,
    # J. Wildl. Manage. 31:87-96, 1967, as used by Chao 1987; from memory).
    low, high = chao_bound(43, 16, 18, 76)
    assert 0.85 * 135 < low < 135 < high


def test_a_range_never_ends_under_what_was_seen() -> None:
    for both in range(8):
        low, high = likely_range([10, 8], [2] * both + [1] * (18 - 2 * both), 0)
        assert low <= 18 - both <= high
    assert likely_range([5, 5, 5], [3] * 5, 0)[0] <= 5


def test_possible_pairs_lower_the_range_only_to_what_one_photo_shows() -> None:
    seen = [2] * 4 + [1] * 10
    low, few = likely_range([10, 8], seen, 0)[0], likely_range([10, 8], seen, 3)[0]
    assert few < low
    assert likely_range([10, 8], seen, 99)[0] == pytest.approx(10 / 1.16)  # TOO_HIGH_FRAC


def test_a_tree_takes_what_both_sides_show_from_its_photos() -> None:
    limb, other = limb_in_space(1), limb_in_space(101)
    (front, seen), (back, again) = photo_of(limb, 0.0, 10), photo_of(limb, 172.0, 11)

    def known(second: Measurement) -> TreeFacts:
        rows = tuple(
            {"file": side, "ok": True, "tree": "T", "limb": "1", "side": side}
            | {"count_n": int(m.fruitlets.counts_as_crop.sum()), "measurement": m}
            for side, m in (("front", front), ("back", second))
        )
        return TreeSource(rows, {}).known("T")

    facts = known(back)
    both = len(set(seen) & set(again))
    assert [limb.both_n for limb in facts.both_sides] == [pytest.approx(both, abs=3)]
    assert "recognised on both sides" in facts.remarks[0]
    assert known(photo_of(other, 172.0, 12)[0]).both_sides == ()
