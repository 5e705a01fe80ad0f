"""Numbers of hand-kept tables: a comma or point that may be either is settled or asked for."""

from pathlib import Path

import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.ingest.text.handnumbers import decimal_mark, hand_numbers
from roadlog.trials.sheet import read_sheet


def numbers(*cells, **more):
    return hand_numbers(pd.Series(cells, dtype="str"), Path("t.csv"), "load", **more).tolist()


@pytest.mark.parametrize("cells", [("1,234",), ("1,234", "1,100"), ("12,345", "13,111")])
def test_a_comma_that_nothing_settles_is_asked_for(cells):
    """Read as 1.234: a load of 1234 W became a watt."""
    with pytest.raises(InputError, match=r"line 2, column 'load': '.*' is .* or .*: write it"):
        numbers(*cells)


@pytest.mark.parametrize(
    ("cells", "read"),
    [
        (("1,234", "0,900"), [1.234, 0.9]),  # no thousand begins with 0
        (("1,234", "12,5"), [1.234, 12.5]),
        (("1,234", "980"), [1234, 980]),  # as decimals they'd lie 800 times apart
        (("1.234", "980"), [1234, 980]),
        (("1.234", "1.100"), [1.234, 1.1]),
        (("1,234,567",), [1234567]),
        (("1.234,5",), [1234.5]),
        (("1 234",), [1234]),
        (("-", "", "5"), [None, None, 5]),
    ],
)
def test_the_column_settles_its_marks(cells, read):
    found = [None if v != v else v for v in numbers(*cells)]
    assert found == read


def test_the_rest_of_the_table_settles_a_column():
    table = pd.DataFrame({"load_w": ["1,234"], "time_s": ["12,5"]}, dtype="str")
    assert decimal_mark(table) == ","
    assert numbers("1,234", decimal=decimal_mark(table)) == [1.234]
    points = pd.DataFrame({"load_w": ["1,234"], "time_s": ["12.5"]}, dtype="str")
    assert numbers("1,234", decimal=decimal_mark(points)) == [1234]
    mixed = pd.DataFrame({"a": ["12,5"], "b": ["12.5"]}, dtype="str")
    assert decimal_mark(mixed) is None


def test_a_sheet_asks_by_line(tmp_path):
    path = tmp_path / "runout.csv"
    path.write_text("trial;load_w\n1;1,234\n2;1,250\n", encoding="utf-8")
    with pytest.raises(
        InputError, match=r"runout\.csv: line 2, column 'load_w': '1,234' is 1\.234 "
    ):
        read_sheet(path, numbers=["trial", "load_w"])
