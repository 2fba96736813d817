"""Heat sums against the published curve; weather files as stations write them."""

import math
from datetime import date, datetime, timedelta

import numpy as np
import pytest

from fruitcount.errors import BadInputError
from fruitcount.season.heat import days_sooner, gdh_curve, heat_after, heat_by_tree, read_weather
from fruitcount.season.orchard import OrchardTree
from fruitcount.season.queue import queue

BLOOM = date(2026, 3, 20)
START = datetime(2026, 3, 20)


def write(path, cell, *, hours=range(24 * 31), head="time,temperature_c", comma=","):
    lines = [f"{START + timedelta(hours=h):%Y-%m-%dT%H:%M}{comma}{cell(h)}" for h in hours]
    path.write_text(head + "\n" + "\n".join(lines) + "\n")
    return path


def day(h):
    """An invented day between 6 and 22 degrees C, coldest at 5 and warmest at 17 o'clock."""
    return 14 - 8 * math.cos((h % 24 - 5) / 24 * 2 * math.pi)


def true_sum(curve=day):
    return float(gdh_curve([curve(h) for h in range(720)]).sum())


def heat(path):
    return heat_after(read_weather(path), BLOOM)


def test_anderson_curve():
    # Anderson, Richardson & Kesner 1986, parameters 4, 25, 36 C; values worked from the formula
    got = gdh_curve([3.9, 4, 10, 14.5, 20, 25, 30, 36, 36.1])
    want = [0, 0, 3.9534, 10.5, 18.197, 21, 7.2479, 0, 0]
    np.testing.assert_allclose(got, want, atol=0.001)


@pytest.mark.parametrize(
    ("temperature", "total"), [(12, 4798), (13, 5878), (14, 6995), (15, 8125), (16, 9242)]
)
def test_thirty_days(tmp_path, temperature, total):
    # worked from the same formula
    got = heat(write(tmp_path / "w.csv", lambda h: temperature))
    assert got.gdh30 == pytest.approx(total, abs=1)
    assert got.words == f"{got.gdh30:,.0f} degree hours"


def test_days_of_harvest_move_with_heat():
    # Ben Mimoun & DeJong 1999, by a third party: 3.5 days for every 1,000
    assert days_sooner(7000) == pytest.approx(3.5)
    assert days_sooner(5000) == pytest.approx(-3.5)
    assert days_sooner(math.nan) == 0


@pytest.mark.parametrize("step", [2, 3])
def test_hours_between_are_found_for_two_and_three_hourly_files(tmp_path, step):
    path = write(tmp_path / "w.csv", day, hours=range(0, 720, step))
    got = heat(path)
    assert got.gdh30 == pytest.approx(true_sum(), rel=0.01)
    assert f"One value every {step} hours" in read_weather(path).notes[0]
    # a file of that step taken for hours would tell only 360 or 240 of them
    assert "missing" not in got.words


def test_ten_minute_files_are_averaged(tmp_path):
    path = write(tmp_path / "w.csv", day, hours=[m / 6 for m in range(6 * 24 * 31)])
    assert heat(path).gdh30 == pytest.approx(true_sum(lambda h: day(h + 0.417)), rel=0.002)


@pytest.mark.parametrize(
    "head", ["time,temperature_f", "time,temp (°F)", "time,Temperature [F]", "time,temperature"]
)
def test_fahrenheit(tmp_path, head):
    path = write(tmp_path / "w.csv", lambda h: f"{day(h) * 1.8 + 32:.2f}", head=head)
    assert heat(path).gdh30 == pytest.approx(true_sum(), rel=0.001)
    assert read_weather(path).notes == ("Read as degrees Fahrenheit.",)


def test_fahrenheit_called_celsius_is_refused(tmp_path):
    path = write(tmp_path / "w.csv", lambda h: f"{day(h) * 1.8 + 32:.2f}")
    with pytest.raises(BadInputError, match="too hot for degrees C: name the column temperature_f"):
        read_weather(path)


@pytest.mark.parametrize("none", ["-9999", "99", "-999.9", "", "NA", "-99", "9999"])
def test_values_for_missing_are_left_out(tmp_path, none):
    path = write(tmp_path / "w.csv", lambda h: none if h % 20 == 0 else day(h))
    assert heat(path).gdh30 == pytest.approx(true_sum(), rel=0.005)
    notes = " ".join(read_weather(path).notes)
    assert ("taken for missing" in notes) == (none not in ("", "NA"))


def test_99_is_a_true_value_in_fahrenheit(tmp_path):
    path = write(tmp_path / "w.csv", lambda h: 99 if h == 5 else 60, head="time,temperature_f")
    hot = float(gdh_curve((99 - 32) / 1.8) - gdh_curve((60 - 32) / 1.8))
    assert heat(path).gdh30 == pytest.approx(720 * gdh_curve((60 - 32) / 1.8) + hot)


def test_semicolons_and_decimal_commas(tmp_path):
    path = write(
        tmp_path / "w.csv", lambda h: f"{day(h):.2f}".replace(".", ","), comma=";",
        head="\ufefftime;temperature_c",
    )  # fmt: skip
    assert heat(path).gdh30 == pytest.approx(true_sum(), rel=0.001)


def test_a_long_gap_is_told_and_filled_by_the_same_hours(tmp_path):
    path = write(tmp_path / "w.csv", day, hours=[h for h in range(24 * 31) if not 250 <= h < 310])
    got = heat(path)
    assert got.gdh30 == pytest.approx(true_sum(), rel=0.001)
    assert "(60 of 720 hours were missing)" in got.words


@pytest.mark.parametrize(
    ("kept", "words"),
    [
        (lambda h: not 250 <= h < 330, "80 of 720 hours are missing"),
        (lambda h: 7 <= h % 24 < 21, "of 720 hours are missing"),  # every night
        (lambda h: h < 24 * 12, "has 12 of the 30 days"),
        (lambda h: h >= 80, "begins on 2026-03-23"),
        (lambda h: h >= 24 * 30.5, "720 of 720 hours are missing; the file begins on 2026-04-19"),
    ],
)
def test_no_sum_is_given_where_there_is_none(tmp_path, kept, words):
    got = heat(write(tmp_path / "w.csv", day, hours=[h for h in range(24 * 31) if kept(h)]))
    assert math.isnan(got.gdh30)
    assert words in got.words


def test_half_hour_marks_and_the_last_hours(tmp_path):
    path = write(tmp_path / "w.csv", day, hours=[h + 0.5 for h in range(720)])
    assert heat(path).gdh30 == pytest.approx(true_sum(), rel=0.01)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time\n2026-03-20\n", "needs a column time and one temperature_c"),
        ("hour,temperature_c\n3,4\n", "needs a column time"),
        ("time,temperature_c,temp_f\n", "one temperature_c"),
        ("time,temperature_c\n", "holds no temperature"),
        ("time,temperature_c\n2026-03-20T01:00,-9999\n", "holds no temperature"),
        ("time,temperature_c\nyesterday,3\n", "line 2"),
        (
            "time,temperature_c\n2026-03-20T01:00,warm\n",
            "line 2: a temperature must be a number, got 'warm'",
        ),
        ("time,temperature_c\n2026-03-20T01:00,inf\n", "line 2"),
        ("time,temperature_c\n2026-03-20T01:00\n", "holds no temperature"),
        ("time,temperature_c\n2026-03-20T01:00,3\n2026-03-20T02:00,61.2\n", "line 3: 61.2 cannot"),
        ("time,temperature_c\n2026-03-20,3\n2026-03-21,4\n2026-03-22,4\n", "every 24 hours"),
        ("time,temperature_c\n2026-03-20T01:00,3\n2036-03-20T02:00,4\n", "too few"),
    ],
)
def test_wrong_files_are_named(tmp_path, text, match):
    (tmp_path / "w.csv").write_text(text)
    with pytest.raises(BadInputError, match=match):
        read_weather(tmp_path / "w.csv")
    with pytest.raises(BadInputError, match="cannot be read"):
        read_weather(tmp_path / "none.csv")


def test_each_tree_from_its_own_bloom(tmp_path):
    # Anderson, Richardson & Kesner 1986: an hour at 25 degrees C counts 21, one at 4 counts none
    path = write(tmp_path / "w.csv", lambda h: 25 if h < 720 else 4, hours=range(24 * 40))
    trees = [
        OrchardTree("on time", "peach", bloom_date=BLOOM, size_mm=15),
        OrchardTree("ten days later", "peach", bloom_date=date(2026, 3, 30), size_mm=15),
        OrchardTree("not over", "peach", bloom_date=date(2026, 4, 10)),
        OrchardTree("not known", "peach"),
    ]
    got = heat_by_tree(trees, read_weather(path))
    assert got["on time"].gdh30 == pytest.approx(21 * 720)
    assert got["ten days later"].gdh30 == pytest.approx(21 * 480)
    assert "19 of the 30 days" in got["not over"].words
    assert "not known" not in got
    line = queue(trees, date(2026, 4, 29), gdh30_by_tree={n: h.gdh30 for n, h in got.items()})[0]
    assert "thin earlier" in line.reason
