"""Rows of a Parquet file are put in order of time, each once, whatever is asked first."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from roadlog.ingest.drives import Drive, piece
from roadlog.ingest.log import Log
from roadlog.ingest.table.columnar import sorted_by_time

TIMES = pd.date_range("2026-03-02 07:00", periods=6, freq="s")
ROWS = pd.DataFrame(
    {"day": "2026-03-02", "time": TIMES, "rpm": [800.0, 810.0, np.nan, 790.0, 800.0, 805.0]}
)


@pytest.mark.parametrize("columns", [["time"], ["day", "time"]])
@pytest.mark.parametrize(
    ("order", "twice"),
    [
        (range(6), 0),
        ([5, 0, 3, 1, 2, 4], 0),
        ([0, 1, 2, 2, 3, 4, 5], 1),
        ([5, 2, 0, 2, 1, 2, 3, 4], 2),
    ],
)
def test_rows_come_in_order_and_each_once(columns, order, twice):
    table = pa.Table.from_pandas(ROWS.iloc[list(order)], preserve_index=False)
    rows, found = sorted_by_time(table, columns)
    assert found == twice
    pd.testing.assert_frame_equal(rows.to_pandas(), ROWS, check_dtype=False)


def test_two_readings_of_one_second_are_no_row_twice():
    both = pd.concat([ROWS, ROWS.iloc[[2]].assign(rpm=900.0)])
    rows, found = sorted_by_time(pa.Table.from_pandas(both, preserve_index=False), ["time"])
    assert (len(rows), found) == (7, 0)


def test_a_piece_of_a_log_has_its_rows_and_a_clock_of_its_own(tmp_path):
    t = np.array([0.0, 1, 1, 2, 400, 401, 402, 402, 403])
    frame = pd.DataFrame({"t_s": t, "rpm": t + 700, "gps_speed_kmh": np.nan})
    log = Log(tmp_path / "a.csv", frame, pd.Timestamp("2026-03-02 07:00"))
    part = piece(log, Drive(400.0, 402.0, 1.0, ""))
    assert part.frame["t_s"].tolist() == [0, 1, 2, 2]
    assert part.frame["rpm"].tolist() == [1100, 1101, 1102, 1102]
    assert list(part.frame.columns) == list(frame.columns)
    assert part.start == pd.Timestamp("2026-03-02 07:06:40")
    assert log.frame["t_s"].tolist() == t.tolist()
