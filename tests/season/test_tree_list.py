"""The typed sheet of trees."""

from datetime import date

import pytest

from fruitcount.errors import BadInputError
from fruitcount.season.orchard import OrchardTree, read_trees


def test_the_column_tree_and_months_by_name(tmp_path):
    path = tmp_path / "trees.csv"
    path.write_text("tree,ripening_month,harvest_days\nGate,June,95\n")
    assert read_trees(path) == [OrchardTree("Gate", ripening_month=6, harvest_days=95)]


def test_semicolons_and_decimal_commas(tmp_path):
    path = tmp_path / "trees.csv"
    path.write_bytes("\ufefftree; size_mm\nGate; 14,5\n".encode())
    assert read_trees(path) == [OrchardTree("Gate", size_mm=14.5)]


def test_a_sheet(tmp_path):
    path = tmp_path / "trees.csv"
    path.write_text(
        "name,species,block,ripening_month,bloom_date,leave_it,size_mm,planted_year\n"
        "Gate,peach,South,8,2026-03-20,no,14.5,2019\n"
        "Pond,,,,,YES,,\n"
    )
    assert read_trees(path) == [
        OrchardTree("Gate", "peach", block="South", ripening_month=8, planted_year=2019,
                    bloom_date=date(2026, 3, 20), size_mm=14.5),
        OrchardTree("Pond", leave_it=True),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("species\npeach\n", "columns must be tree"),
        ("name,tree\na,b\n", "columns must be tree"),
        ("tree,species\na,peech\n", "line 2: species: .* did you mean peach"),
        ("tree,ripening_month\na,Juno\n", "line 2: ripening_month: a month must be"),
        ("name,colour\na,red\n", "colour"),
        ("name,bloom_date\na,20 March\n", "line 2"),
        ("name,leave_it\na,maybe\n", "leave_it must be yes or no, got 'maybe'"),
        ("name,ripening_month\na,13\n", "line 2: ripening_month"),
        ("name\na\na\n", "line 3: a comes twice"),
        ("name\n \n", "line 2: name"),
        ("name,species\na,peach,x\n", "line 2: has more cells"),
        ("", "columns must be tree"),
    ],
)
def test_wrong_sheets_are_named(tmp_path, text, match):
    path = tmp_path / "trees.csv"
    path.write_text(text)
    with pytest.raises(BadInputError, match=match):
        read_trees(path)
    with pytest.raises(BadInputError, match="cannot be read"):
        read_trees(tmp_path / "none.csv")
