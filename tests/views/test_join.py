"""Photos of one limb joined, on limbs in space before cameras: the test's own pinhole is the truth.

Bands are those of a simulation: see ``limbs_around``. Nothing here was tried on real pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import product

import numpy as np
import pytest
from limbs_around import limb_in_space, photo_of

from fruitcount.errors import BadInputError, OtherLimbError
from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.jobs.tree_source import TreeSource
from fruitcount.pipeline import CountSettings, measure
from fruitcount.tree.facts import TreeFacts
from fruitcount.types import Kind, Limb, Measurement
from fruitcount.views import JoinedLimb, join_photos
from fruitcount.views.hidden import agreeing, likely_fruit, real_chances
from fruitcount.views.match import pair_chances

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


@pytest.mark.parametrize("seed", [4, 5, 7])
def test_no_more_fruit_are_numbered_than_are_likely_there(seed: int) -> None:
    joined, _ = _joined(seed, 0.0, 90.0 if seed == 7 else 20.0, 172.0)
    numbered = int((joined.measurement.fruitlets.on_limb != 0).sum())
    assert 20 < numbered <= round(joined.likely_n)
    assert (joined.own_seen_on >= 1).all()


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


def test_limbs_whose_fruit_hang_at_even_distances_are_refused() -> None:
    first, second = (
        measure(draw_scene(seed)[0], CountSettings(source="classical")) for seed in (7, 8)
    )
    with pytest.raises(OtherLimbError):
        join_photos([first, second])


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


def test_chapmans_number_of_turtles() -> None:
    # 10 turtles marked, 15 caught later, 5 of them marked: 28 of them (Wikipedia, "Mark and
    # recapture", worked example of the Chapman estimator; from memory).
    same = np.zeros((10, 15))
    same[range(5), range(5)] = 1
    number, low, high = likely_fruit([10, 15], {(0, 1): same})
    assert number == pytest.approx(11 * 16 / 6 - 1)
    assert low < 28 < high
    # the same from three photos of 10, 10 and 15 that agree
    again = {(0, 1): same, (1, 2): same.T, (0, 2): same[:, :10]}
    assert likely_fruit([10, 15, 10], again)[0] == pytest.approx((2 * 11 * 16 + 121) / 18 - 1)


def test_chances_of_pairs_are_those_of_all_assignments() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        odds = np.exp(rng.normal(0, 1.5, (3, 3)))
        all_of_it, each = 0.0, np.zeros((3, 3))
        for partner in product((None, 0, 1, 2), repeat=3):
            taken = [(i, j) for i, j in enumerate(partner) if j is not None]
            if len({j for _, j in taken}) == len(taken):
                weight = np.prod([odds[at] for at in taken])
                all_of_it += weight
                for at in taken:
                    each[at] += weight
        np.testing.assert_allclose(pair_chances(np.log(odds)), each / all_of_it, atol=0.12)


def test_a_mark_that_no_other_photo_shows_is_less_surely_a_fruit() -> None:
    own = [np.array([0.6, 0.6]), np.array([0.6])]
    shown, alone = real_chances(own, {(0, 1): np.array([[0.98], [0.0]])})[0]
    assert alone < 0.35
    assert shown > 0.9
    more = {(0, 1): np.zeros((2, 1)), (0, 2): np.zeros((2, 1))}
    assert real_chances([*own, own[1]], more)[0][0] < alone


def test_a_third_photo_parts_what_it_shows_apart() -> None:
    doubtful, sure = np.full((2, 2), 0.45), np.eye(2) * 0.95
    same = agreeing({(0, 1): doubtful, (0, 2): sure, (1, 2): sure})[0, 1]
    assert same[0, 0] > 0.8
    assert same[0, 1] < 0.2


def test_a_tree_takes_what_both_sides_show_from_its_photos() -> None:
    limb, other = limb_in_space(1), limb_in_space(101)
    (front, seen), (back, again) = photo_of(limb, 0.0, 10), photo_of(limb, 172.0, 11)

    def known(second: Measurement, *more: Measurement) -> TreeFacts:
        rows = tuple(
            {"file": m.name + side, "ok": True, "tree": "T", "limb": "1", "side": side}
            | {"count_n": int(m.fruitlets.counts_as_crop.sum()), "measurement": m}
            for side, m in (("front", front), ("back", second), *(("", m) for m in more))
        )
        return TreeSource(rows, {}).known("T")

    facts = known(back)
    both = len(set(seen) & set(again))
    assert [limb.both_n for limb in facts.both_sides] == [pytest.approx(both, abs=3)]
    assert "recognised on both sides" in facts.remarks[0]
    [two], [three] = facts.both_sides, known(back, photo_of(limb, 20.0, 13)[0]).both_sides
    for one in (two, three):
        assert one.range_n[0] < one.whole.value_n < one.range_n[1]
        assert one.whole.value_n == pytest.approx(24, abs=4)
    assert three.joined_n != two.joined_n
    assert known(photo_of(other, 172.0, 12)[0]).both_sides == ()
