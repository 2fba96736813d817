"""One reader for every typed table: what spreadsheets write, and what is named when it is wrong."""

import pytest

from fruitcount.errors import BadInputError
from fruitcount.files import number_in, sheet_lines, table_lines
from fruitcount.tree.assignment import AssignmentRules
from fruitcount.tree.facts import read_hand_counts, read_limb_sizes
from fruitcount.tree.folder import read_rows


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
    with pytest.raises(BadInputError, match="needs a column size"):
        list(sheet_lines(path, ("limb", "size")))
    with pytest.raises(BadInputError, match="decimal commas, part the cells by semicolons"):
        list(table_lines(put(tmp_path / "d.csv", "limb,size\nlow,12,5\n")))
    with pytest.raises(BadInputError, match="save it as CSV UTF-8"):
        list(table_lines(put(tmp_path / "u.csv", "limb\nä\n", "utf-16")))
    assert list(table_lines(put(tmp_path / "e.csv", ""))) == [(str(tmp_path / "e.csv"), {})]


@pytest.mark.parametrize(("text", "said"), [
    ('seen,true,limb\n10,12,"A\n20,27,B\n', "a quote is not closed"),
    ("seen,seen,true\n1,2,3\n", "the column seen comes twice"),
    ("seen,true\n", "no line below its first"),
    ("seen;true\n1.234;1.500\n", "line 2: seen must be without a sign for thousands"),
    ("seen,true,limb\n1,2,A\n1,2,A\n", "line 3: limb 'A' comes twice"),
    ("seen,true\n0,5\n", r"t.csv: the sheet must have fruit seen"),
])  # fmt: skip
def test_no_line_of_hand_counts_is_lost_unsaid(tmp_path, text, said):
    with pytest.raises(BadInputError, match=said):
        read_hand_counts(put(tmp_path / "t.csv", text))
    good = read_hand_counts(put(tmp_path / "g.csv", " Seen ,TRUE\n10.5,12\n"))
    assert good == (((10.5, 12.0),), {})


def test_slips_of_a_folder_are_told_before_it_is_counted(tmp_path):
    for slip in ({"by": "name", "pattern": "{tree"}, {"by": "sheet"}):
        with pytest.raises(BadInputError):
            AssignmentRules(**slip)
    twice = put(tmp_path / "t.csv", "file,tree,limb,ok,count_n\na,T,A,yes,1\na,T,A,yes,1\n")
    with pytest.raises(BadInputError, match="line 3: a comes twice"):
        read_rows(twice)


def test_a_table_of_a_million_lines_is_refused_in_words(tmp_path):
    path = put(tmp_path / "t.csv", "limb\n" + "low\n" * 100_001)
    with pytest.raises(BadInputError, match="has over 100000 lines"):
        sum(1 for _ in table_lines(path))


def test_a_limb_sheet_with_decimal_commas(tmp_path):
    path = put(tmp_path / "l.csv", "limb;base_diameter_mm\nlow;20,5\n")
    assert read_limb_sizes(path, "Gate")["low"].base_diameter_mm == 20.5
