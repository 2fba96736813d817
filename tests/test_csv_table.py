"""One reader for every typed table: what spreadsheets write, and what is named when it is wrong."""

import pytest

from fruitcount.errors import BadInputError
from fruitcount.files import number_in, sheet_lines, table_lines
from fruitcount.tree.facts import read_limb_sizes


def put(path, text, encoding="utf-8"):
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    "text",
    [
        "limb,size\r\nlow,12.5\r\nhigh,\r\n",
        "\ufefflimb;size\nlow;12,5\nhigh\n",
        "limb\tsize\nlow\t12.5\n\nhigh\t\n",
        ' limb ,"size"\n"low" , 12.5 \nhigh,\n',
    ],
)
def test_forms_of_one_table(tmp_path, text):
    path = put(tmp_path / "t.csv", text)
    rows = [row for _, row in sheet_lines(path, ("limb",))]
    assert [(r["limb"], r["size"] and number_in(r["size"])) for r in rows] == [
        ("low", 12.5), ("high", ""),
    ]  # fmt: skip


def test_lines_are_named(tmp_path):
    path = put(tmp_path / "t.csv", 'limb,note\na,"two\nlines"\nb,x,y\n')
    with pytest.raises(BadInputError, match=r"t.csv, line 4: has more cells than there are"):
        list(table_lines(path))
    with pytest.raises(BadInputError, match=r"needs a column \['size'\]"):
        list(sheet_lines(path, ("limb", "size")))
    with pytest.raises(BadInputError, match="decimal commas, part the cells by semicolons"):
        list(table_lines(put(tmp_path / "d.csv", "limb,size\nlow,12,5\n")))
    with pytest.raises(BadInputError, match="cannot be read"):
        list(table_lines(put(tmp_path / "u.csv", "limb\nä\n", "utf-16")))
    assert list(table_lines(put(tmp_path / "e.csv", ""))) == [(str(tmp_path / "e.csv"), {})]


def test_a_table_of_a_million_lines_is_refused_in_words(tmp_path):
    path = put(tmp_path / "t.csv", "limb\n" + "low\n" * 100_001)
    with pytest.raises(BadInputError, match="has over 100000 lines"):
        sum(1 for _ in table_lines(path))


def test_a_limb_sheet_with_decimal_commas(tmp_path):
    path = put(tmp_path / "l.csv", "limb;base_diameter_mm\nlow;20,5\n")
    assert read_limb_sizes(path, "Gate")["low"].base_diameter_mm == 20.5
