"""Clocks without a unit: what the drive leaves of seconds, fractions of them, and ticks."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log, read_alike, read_log
from roadlog.study.settings import ColumnRule

N = 900
_RNG = np.random.default_rng(11)
_T = np.arange(float(N))
TOWN = np.round(np.clip(35 + 30 * np.sin(_T / 7) + 8 * np.sin(_T / 3), 0, None))
GENTLE = np.round(70 + 25 * np.sin(_T / 30))
MOTORWAY = np.round(118 + 3 * np.sin(_T / 80))


def _write(
    folder: Path, stamps: np.ndarray, kmh: np.ndarray, name: str = "log.csv", **more: np.ndarray
) -> Path:
    heads = ["Time", "Speed (km/h)", *(k.replace("_", " ") for k in more)]
    columns = [stamps, kmh, *more.values()]
    rows = [",".join(f"{x:.10g}" for x in row) for row in zip(*columns, strict=True)]
    path = folder / name
    path.write_text("\n".join([",".join(heads), *rows]) + "\n")
    return path


@pytest.mark.parametrize(
    ("per_second", "unit"), [(100, "0.01 s"), (10**6, "µs"), (1000, "ms"), (1, "s")]
)
def test_a_town_drive_tells_what_its_clock_counts(
    tmp_path: Path, per_second: int, unit: str
) -> None:
    log = read_log(_write(tmp_path, _T * per_second, TOWN))
    assert log.frame["t_s"].iloc[-1] == pytest.approx(N - 1)
    if unit not in ("s", "ms"):
        assert any(f"read as counting {unit}" in n for n in log.notes)


def test_hundredths_and_tenths_that_a_drive_leaves_open_are_asked_for(tmp_path: Path) -> None:
    middling = np.round(60 + 25 * np.sin(_T / 10))
    with pytest.raises(InputError, match=r"as milliseconds .* --column 'Time=time\[0.01 s\]'"):
        read_log(_write(tmp_path, _T * 100, middling))
    with pytest.raises(InputError, match=r"as seconds .* slower .*'Time=time\[0.1 s\]'"):
        read_log(_write(tmp_path, _T * 10, TOWN))


@pytest.mark.parametrize("kmh", [MOTORWAY, TOWN, np.zeros(N), np.full(N, 50.0)])
def test_plain_seconds_stay_seconds_whatever_is_driven(tmp_path: Path, kmh: np.ndarray) -> None:
    assert read_log(_write(tmp_path, _T, kmh)).frame["t_s"].iloc[-1] == N - 1
    assert read_log(_write(tmp_path, 2 * _T, kmh)).frame["t_s"].iloc[-1] == 2 * (N - 1)


@pytest.mark.parametrize("kmh", [MOTORWAY, TOWN, GENTLE, np.zeros(N)])
def test_milliseconds_stay_milliseconds(tmp_path: Path, kmh: np.ndarray) -> None:
    jittered = np.round(1000 * _T + _RNG.uniform(0, 90, N))
    t = read_log(_write(tmp_path, jittered, kmh)).frame["t_s"]
    assert t.iloc[-1] == pytest.approx(N - 1, abs=0.2)


def test_the_engines_run_time_tells_at_once(tmp_path: Path) -> None:
    path = _write(tmp_path, _T * 100, GENTLE, Engine_run_time=_T + 30)
    assert read_log(path).frame["t_s"].iloc[-1] == pytest.approx(N - 1)


def test_positions_tell_at_once(tmp_path: Path) -> None:
    km = np.concatenate([[0.0], np.cumsum((GENTLE[1:] + GENTLE[:-1]) / 2 / 3600)])
    path = _write(tmp_path, _T * 100, GENTLE, Latitude=48 + km / 111.2, Longitude=np.full(N, 11.0))
    assert read_log(path).frame["t_s"].iloc[-1] == pytest.approx(N - 1)


def test_one_log_tells_the_clock_of_all(tmp_path: Path) -> None:
    def reread(path: Path, rules: Mapping[str, ColumnRule]) -> Log:
        return read_log(path, columns=rules)

    quiet = np.round(70 + 12 * np.sin(_T / 30))
    paths = [_write(tmp_path, _T * 100, TOWN, f"{i}.csv") for i in (1, 2)]
    paths.append(_write(tmp_path, _T * 100, quiet, "quiet.csv"))
    assert read_log(paths[-1]).frame["t_s"].iloc[-1] == pytest.approx((N - 1) / 10)
    logs = read_alike([read_log(p, alone=False) for p in paths], reread)
    assert [log.frame["t_s"].iloc[-1] for log in logs] == pytest.approx([N - 1] * 3)
