"""Engine speeds with a point between thousands, in a file that has no decimal commas."""

from pathlib import Path

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.ingest import read_log


def read(path: Path, cells: list[str], header: str = "Engine speed (rpm)"):
    rows = [f"{i};{c};{40 + i % 9}" for i, c in enumerate(cells)]
    path.write_text("\n".join([f"time_s;{header};Vehicle speed (km/h)", *rows]) + "\n")
    return read_log(path).frame["rpm"].to_numpy()


def revs(low: int, n: int = 400) -> list[int]:
    return np.random.default_rng(1).integers(low, 3000, n).tolist()


@pytest.mark.parametrize("low", [1001, 600])
def test_two_turns_a_minute_are_refused(tmp_path, low):
    """1.946 rpm, and 943 beside 1.948: read as they stand without a word."""
    cells = [f"{x / 1000:.3f}" if x >= 1000 else str(x) for x in revs(low)]
    with pytest.raises(InputError, match=r"lie under 50 rpm, .* point stands between thousands"):
        read(tmp_path / "log.csv", cells)


def test_an_engine_that_stops_and_starts_is_read(tmp_path):
    """Standing at 0, and passing through some turns a minute on the way."""
    cells = [str(x) for x in revs(700)] + ["31", "0", "0", "0", "12"] * 15
    assert len(read(tmp_path / "log.csv", cells)) == 475


def test_thousands_under_a_header_without_a_unit_are_still_read(tmp_path):
    found = read(tmp_path / "log.csv", [f"{x / 1000:.3f}" for x in revs(1001)], "rpm")
    assert found == pytest.approx(revs(1001))
