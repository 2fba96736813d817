"""Weather files to heat sums; the curve itself is checked in test_heat."""

from datetime import date, datetime, timedelta

import pytest

from fruitcount.errors import BadInputError
from fruitcount.season import OrchardTree, queue
from fruitcount.season.weather import heat_by_tree, read_hourly

BLOOM = datetime(2026, 3, 20)


def write(path, hours, cell):
    lines = [f"{BLOOM + timedelta(hours=h):%Y-%m-%dT%H:%M},{cell(h)}" for h in hours]
    path.write_text("time,temperature_c\n" + "\n".join(lines) + "\n")
    return path


def test_each_tree_from_its_own_bloom(tmp_path):
    # Anderson, Richardson & Kesner 1986: an hour at 25 degrees C counts 21, one at 4 counts none
    path = write(tmp_path / "w.csv", range(24 * 40), lambda h: 25 if h < 24 * 30 else 4)
    trees = [
        OrchardTree("on time", "peach", bloom_date=BLOOM.date(), size_mm=15),
        OrchardTree("ten days later", "peach", bloom_date=date(2026, 3, 30), size_mm=15),
        OrchardTree("not over", "peach", bloom_date=date(2026, 4, 10)),
        OrchardTree("not told", "peach"),
    ]
    heat = heat_by_tree(trees, read_hourly(path))
    assert heat == {
        "on time": pytest.approx(21 * 720), "ten days later": pytest.approx(21 * 480),
    }  # fmt: skip
    line = queue(trees, date(2026, 4, 29), gdh30_by_tree=heat)[0]
    assert "thin earlier" in line.reason


def test_gaps_are_borne_up_to_a_tenth(tmp_path):
    tree = [OrchardTree("a", bloom_date=BLOOM.date())]
    few = read_hourly(write(tmp_path / "w.csv", range(720), lambda h: "" if h % 20 == 0 else 25))
    assert heat_by_tree(tree, few)["a"] == pytest.approx(21 * 720)
    many = read_hourly(write(tmp_path / "w.csv", range(720), lambda h: "" if h % 5 == 0 else 25))
    assert heat_by_tree(tree, many) == {}


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("time\n2026-03-20\n", "temperature_c"),
        ("time,temperature_c\nyesterday,3\n", "line 2"),
        ("time,temperature_c\n2026-03-20T01:00,warm\n", "line 2"),
    ],
)
def test_wrong_files_are_named(tmp_path, text, match):
    (tmp_path / "w.csv").write_text(text)
    with pytest.raises(BadInputError, match=match):
        read_hourly(tmp_path / "w.csv")
