"""Logs of a study together: zones that only some clocks name, one drive in two logs."""

from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.ingest import Log
from roadlog.ingest.clock.localday import clock_warnings
from roadlog.ingest.twice import same_speeds
from roadlog.study.settings import TimeRule

_T = np.arange(600.0)


def _log(name: str, start: str, phase: float = 0.0) -> Log:
    speed = np.round(50 + 40 * np.sin(_T / 23 + phase))
    return Log(Path(name), pd.DataFrame({"t_s": _T, "speed_kmh": speed}), pd.Timestamp(start))


def test_arms_whose_clocks_differ_in_zone_are_told() -> None:
    logs = [_log("a.csv", "2026-03-05 07:10"), _log("b.csv", "2026-03-06 06:10Z", 1.0)]
    (said,) = clock_warnings(logs, TimeRule())
    assert "a.csv" in said
    assert "b.csv" in said
    assert clock_warnings(logs, TimeRule(zone="Europe/Paris")) == []


def test_one_drive_exported_twice_is_told_whatever_its_clock_says() -> None:
    logs = [_log("a.csv", "2026-03-05 07:10"), _log("b.csv", "2026-04-05 06:10")]
    (said,) = same_speeds(logs)
    assert "a.csv and b.csv hold the same speeds" in said


def test_two_drives_on_one_road_are_two() -> None:
    logs = [_log("a.csv", "2026-03-05 07:10"), _log("b.csv", "2026-03-06 07:10", 0.2)]
    assert clock_warnings(logs, TimeRule()) == []
    assert same_speeds(logs) == []
    parked = pd.DataFrame({"t_s": _T, "speed_kmh": 0.0})
    still = [Log(Path(n), parked, None) for n in ("c.csv", "d.csv")]
    assert clock_warnings(still, TimeRule()) == []
    assert same_speeds(still) == []


def test_runs_on_one_trace_of_speed_that_breathed_otherwise_are_two() -> None:
    rng = np.random.default_rng(2)
    logs = [_log("a.csv", "2026-03-05 07:10"), _log("b.csv", "2026-04-05 06:10")]
    for log in logs:
        log.frame["maf_g_s"] = np.round(12 + rng.standard_normal(600), 2)
    assert same_speeds(logs) == []
