"""Throughput of delimited ingest beside plain pyarrow on one 200 MB log.

`python tests/benchmarks/ingest.py [--mb 200] [--pairs 7] [--form iso|elapsed|comma]` writes the
log into a temporary folder and reads it by turns with `roadlog.ingest.read_log` and with
`pyarrow.csv.read_csv` followed by the conversions that a log needs from it: every signal as a
float64 array, the clock as float64 seconds. It prints wall and user + system time of each pair and
the median ratio pyarrow / roadlog: 0.6 and more means at least 60 % of its throughput.
"""

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from roadlog.ingest import read_log

COLUMNS: dict[str, tuple[float, float, int]] = {  # header: low, high, decimals
    "vehicle speed [km/h]": (0, 130, 0), "engine speed [rpm]": (800, 4000, 2),
    "MAF air flow rate [g/s]": (2, 60, 2), "fuel system status [-]": (1, 4, 0),
    "manifold absolute pressure [kPa]": (20, 100, 0), "calculated load [%]": (10, 90, 1),
    "short term fuel trim [%]": (-5, 5, 2), "long term fuel trim [%]": (-3, 3, 2),
    "coolant temperature [degC]": (20, 95, 0), "intake air temperature [degC]": (5, 40, 0),
    "ambient air temperature [degC]": (5, 25, 0), "latitude [deg]": (47.1, 47.3, 6),
    "longitude [deg]": (8.4, 8.6, 6), "altitude [m]": (400, 600, 1),
}  # fmt: skip
CHUNK = 100_000
STEP_S = 0.1
RADIUS_M = 3000.0  # of the ring road
M_A_DEGREE = 111_195.0  # of latitude, on a sphere of mean radius R1 (IUGG)
BLANKS = 0.05
STATUS = (1.0, 2.0, 2.0, 2.0, 4.0)  # SAE J1979 PID 03: open, closed, open under load
# words: units behind values, dates as 31/12/2026; apart: the same with semicolons, decimal commas,
# date and time apart; readings: time, signal, value and unit a row
FORMS = ("iso", "elapsed", "comma", "words", "apart", "readings")
_COMMAS = ("comma", "apart")


def write_log(path: Path, megabytes: float, form: str) -> int:
    """Write a log of that size, a drive on a ring road; return its number of rows."""
    rng = np.random.default_rng(20260302)
    delimiter = ";" if form in _COMMAS else ","
    rows, driven_m = 0, 0.0
    with path.open("wb") as file:
        heads = [
            *_clock(0, form),
            *(("signal", "value", "unit") if form == "readings" else COLUMNS),
        ]
        file.write((delimiter.join(heads) + "\n").encode())
        while file.tell() < megabytes * 1e6:
            cells = _clock(rows, form)
            drawn = {h: rng.uniform(low, high, CHUNK) for h, (low, high, _) in COLUMNS.items()}
            drawn["fuel system status [-]"] = rng.choice(STATUS, CHUNK)
            way_m = driven_m + STEP_S / 3.6 * np.cumsum(np.round(drawn["vehicle speed [km/h]"]))
            driven_m = float(way_m[-1])
            north, east = np.cos(way_m / RADIUS_M), np.sin(way_m / RADIUS_M)
            drawn["latitude [deg]"] = 47.2 + RADIUS_M * north / M_A_DEGREE
            drawn["longitude [deg]"] = 8.5 + RADIUS_M * east / M_A_DEGREE / np.cos(np.radians(47.2))
            for header, (_, _, decimals) in COLUMNS.items():
                values = np.round(drawn[header], decimals)
                numbers = values.astype(np.int64) if decimals == 0 else values
                text = pa.array(numbers, mask=rng.random(CHUNK) < BLANKS).cast(pa.string())
                if (
                    form in ("words", "apart")
                    and (unit := header[header.find("[") + 1 : -1]) != "-"
                ):
                    text = pc.binary_join_element_wise(text, unit, " ")
                cells[header] = pc.replace_substring(text, ".", ",") if form in _COMMAS else text
            table = _one_a_row(cells, rows) if form == "readings" else pa.table(cells)
            pa_csv.write_csv(
                table, file,
                pa_csv.WriteOptions(
                    include_header=False, delimiter=delimiter, quoting_style="none"
                ),
            )  # fmt: skip
            rows += CHUNK
    return rows


def _one_a_row(cells: dict[str, pa.Array], rows: int) -> pa.Table:
    """One reading a row, in the order in which they were taken, blank ones left out."""
    step = STEP_S / len(COLUMNS)
    polled = np.arange(rows, rows + CHUNK)[:, None] * STEP_S + step * np.arange(len(COLUMNS))
    names = np.array([h.partition(" [")[0] for h in COLUMNS])
    units = np.array(["" if (u := h.partition("[")[2][:-1]) == "-" else u for h in COLUMNS])
    values = np.column_stack([cells[h].to_numpy(zero_copy_only=False) for h in COLUMNS]).ravel()
    there = np.array([v is not None for v in values])
    columns = (np.round(polled, 3).ravel(), np.tile(names, CHUNK), values, np.tile(units, CHUNK))
    return pa.table([pa.array(c[there]) for c in columns], ["time", "signal", "value", "unit"])


def _clock(rows: int, form: str) -> dict[str, pa.Array]:
    """The times of the next rows, as they are written, by column."""
    tenths = np.arange(rows, rows + CHUNK)
    if form in ("elapsed", "comma", "readings"):
        text = pa.array(np.round(STEP_S * tenths, 1)).cast(pa.string())
        return {"time [s]": pc.replace_substring(text, ".", ",") if form == "comma" else text}
    at = np.datetime64("2026-03-02T07:00:00.000") + (100 * tenths).astype("timedelta64[ms]")
    if form == "words":
        return {"time": pc.strftime(pa.array(at), "%d/%m/%Y %H:%M:%S")}
    if form == "apart":
        day, of_day = (pc.strftime(pa.array(at), f) for f in ("%d.%m.%Y", "%H:%M:%S"))
        return {"date": day, "time": pc.replace_substring(of_day, ".", ",")}
    text = pc.replace_substring(pa.array(at).cast(pa.string()), " ", "T")
    return {"time": pc.binary_join_element_wise(text, "+01:00", "")}


def plain_pyarrow(path: Path, form: str) -> dict[str, np.ndarray]:
    """The same numbers with pyarrow and nothing else."""
    comma = form == "comma"
    table = pa_csv.read_csv(
        path,
        parse_options=pa_csv.ParseOptions(delimiter=";" if comma else ","),
        convert_options=pa_csv.ConvertOptions(decimal_point="," if comma else "."),
    )
    out: dict[str, np.ndarray] = {}
    for name in table.column_names:
        column = table[name]
        if pa.types.is_timestamp(column.type):
            seconds = column.cast(pa.timestamp("ns", "UTC")).cast(pa.int64()).to_numpy()
            out["t_s"] = (seconds - seconds[0]) / 1e9
        else:
            values = column.cast(pa.float64()).to_numpy()
            out["t_s" if name.startswith("time") else name] = values
    return out


def measured(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and user + system time [s] of one call."""
    cpu, wall = os.times(), time.perf_counter()
    work()
    wall, after = time.perf_counter() - wall, os.times()
    return wall, after.user + after.system - cpu.user - cpu.system


def agree(path: Path, form: str) -> None:
    """Both read the same numbers, or the comparison means nothing."""
    ours, theirs = read_log(path).frame, plain_pyarrow(path, form)
    assert len(ours) == len(theirs["t_s"])
    np.testing.assert_allclose(ours["t_s"], theirs["t_s"], atol=1e-3)
    np.testing.assert_allclose(ours["rpm"], theirs["engine speed [rpm]"])
    np.testing.assert_allclose(ours["altitude_m"], theirs["altitude [m]"])


def main() -> None:
    """Write, read by turns, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--mb", type=float, default=200)
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--form", choices=FORMS[:3], default="iso")
    a = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        rows = write_log(path, a.mb, a.form)
        print(f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows, {len(COLUMNS) + 1} columns, "
              f"{a.form}, {os.cpu_count()} cores, pyarrow {pa.__version__}")  # fmt: skip
        agree(path, a.form)
        readers = {
            "roadlog": lambda: read_log(path),
            "pyarrow": lambda: plain_pyarrow(path, a.form),
        }
        ratios = []
        for pair in range(a.pairs):
            order = list(readers) if pair % 2 else list(readers)[::-1]
            took = {name: measured(readers[name]) for name in order}
            (wall, cpu), (plain_wall, plain_cpu) = took["roadlog"], took["pyarrow"]
            ratios.append((plain_wall / wall, plain_cpu / cpu))
            print(
                f"roadlog {wall:.2f} s wall {cpu:.2f} s cpu | pyarrow {plain_wall:.2f} s wall "
                f"{plain_cpu:.2f} s cpu | {ratios[-1][0]:.2f} {ratios[-1][1]:.2f}"
            )
        wall, cpu = (statistics.median(r) for r in zip(*ratios, strict=True))
        print(f"throughput against pyarrow, median of pairs: {wall:.2f} by wall, {cpu:.2f} by cpu")


if __name__ == "__main__":
    main()
