"""Columns that are written one way are read whole, to the same bits as cell by cell."""

import numpy as np
import pyarrow as pa
import pytest

from roadlog.ingest import shelf
from roadlog.ingest.text import cells
from roadlog.ingest.text.numerals import MarkUnclear

PLAIN = ["46 km/h", "0 km/h", "", "120.5 km/h", "0.125 km/h", ".5 km/h", "7. km/h"]
OTHERS = [
    "-0 km/h", "+5 km/h", "1e3 km/h", "46 mph", "46", "46km/h", " 46 km/h", "46 km/h ", "km/h",
    "1,234 km/h", "1.234.567 km/h", "12,5 km/h", "1 234 km/h", "nan", "n/a", "inf km/h", "x",
    "46 furlong", "123456789.123456789 km/h", "9007199254740993 km/h", "\u22125 km/h",
    "5 km/h x", "5-6 km/h",
]  # fmt: skip
ANGLES = ["47.1 deg", "8.5 deg", "", "-0.25 deg", "179 deg"]
OTHER_ANGLES = [
    "1234.5 deg", ".5 deg", "47. deg", "47.1", "47°30' N", "-0 deg", "47.1° N", "+8.1 deg",
    "8,5 deg",]  # fmt: skip


def _both(monkeypatch, read, column):
    """What a reader makes of a column as it does, and cell by cell."""
    told = []
    for alone in (False, True):
        with monkeypatch.context() as patch:
            if alone:
                patch.setattr(cells, "behind_numbers", lambda _: None)
            try:
                values, bad = read(column)
                told.append((values.tobytes(), bad.tolist()))
            except MarkUnclear as e:
                told.append(e.args)
    return told


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize(
    ("rows", "unit"), [(1, "km/h"), (1, "mph"), (1, "°c"), (1, None), (300, "mph")]
)
def test_numbers_with_one_unit_behind_them(monkeypatch, rows, decimal, unit):
    monkeypatch.setattr(shelf, "LARGE_ROWS", 2000)
    for other in ["", *OTHERS]:
        for first in (PLAIN, [c.replace(".", ",") for c in PLAIN]):
            column = pa.chunked_array([first * rows, [other], first], pa.string())
            even, alone = _both(
                monkeypatch, lambda c: cells.numbers(c, decimal, unit, "ask"), column
            )
            assert even == alone, (other, first)
    values, bad = cells.numbers(pa.chunked_array([PLAIN], pa.string()), ".", "km/h")
    assert values[[0, 3]].tolist() == [46, 120.5]
    assert not bad.any()


@pytest.mark.parametrize("mark", [" deg", "°", " N", "° S", "", "º", " W", "d", "'"])
def test_degrees_with_one_mark_behind_them(monkeypatch, mark):
    for other in ["", *OTHER_ANGLES]:
        cut = [c.replace(" deg", mark) for c in [*ANGLES, other, *ANGLES]]
        for decimal in ".,":
            even, alone = _both(
                monkeypatch,
                lambda c, decimal=decimal: cells.angles(c, decimal),
                pa.chunked_array([[c.replace(".", decimal) for c in cut]], pa.string()),
            )
            assert even == alone, (other, mark, decimal)


def test_the_middle_step_of_many_is_the_median(monkeypatch):
    monkeypatch.setattr(shelf, "LARGE_ROWS", 5000)
    rng = np.random.default_rng(1)
    for n in (5000, 5001):
        for steps in (
            np.full(n, 0.1), rng.exponential(size=n), np.where(rng.random(n) < 0.5, 0.1, 0.2),
            np.repeat([1.0, 2.0], n // 2), np.sort(rng.random(n)), np.ones(n),
        ):  # fmt: skip
            t = np.cumsum(steps)
            assert shelf.median_step(t) == np.median(np.diff(t))
