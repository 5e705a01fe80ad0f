"""Air and engine speed that other readings rule out are left blank and told; sound ones stay."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.ingest import Log, contradicted, read_log
from roadlog.ingest.contradicted import without_contradicted

SAMPLE = Path(__file__).resolve().parents[2] / "sample_logs" / "logs"


def drive(n: int = 900) -> pd.DataFrame:
    """A drive with idle, overrun and load, all read once a second."""
    t = np.arange(float(n))
    rpm = 1800 + 900 * np.sin(t / 17)
    kpa = np.clip(55 + 35 * np.sin(t / 11), 28, 95)
    maf = 0.00018 * rpm * kpa * (1 + 0.1 * np.sin(t / 29))
    return pd.DataFrame(
        {"t_s": t, "rpm": rpm, "maf_g_s": maf.round(2), "map_kpa": kpa, "absolute_load_pct": kpa}
    )


def held(frame: pd.DataFrame) -> Log:
    """The log as reading leaves it."""
    return without_contradicted(Log(Path("drive.csv"), frame, None))


def test_a_sound_drive_stays_as_it_is() -> None:
    log = held(drive())
    assert log.notes == ()
    pd.testing.assert_frame_equal(log.frame, drive())


@pytest.mark.parametrize("path", sorted(SAMPLE.glob("*.csv"))[:4], ids=lambda p: p.stem)
def test_nothing_of_a_sample_log_is_blanked(path: Path) -> None:
    assert not [n for n in read_log(path).notes if "left blank" in n]


def test_no_air_at_a_turning_engine_is_no_reading() -> None:
    frame = drive()
    frame.loc[200:300, "maf_g_s"] = 0.0
    log = held(frame)
    assert log.frame["maf_g_s"].isna().sum() == 101
    assert log.notes[0].startswith("101 readings of no air")


def test_an_engine_that_stops_at_a_light_may_draw_no_air() -> None:
    frame = drive()
    frame.loc[200:230, ["maf_g_s", "rpm"]] = 0.0
    frame.loc[199, "maf_g_s"] = frame.loc[231, "maf_g_s"] = 0.0
    assert held(frame).notes == ()


def test_no_engine_speed_while_air_is_drawn_is_no_reading() -> None:
    frame = drive()
    frame.loc[400:500, "rpm"] = 0.0
    log = held(frame)
    assert log.frame["rpm"].isna().sum() == 101
    assert "draws air" in log.notes[0]


def test_still_air_of_a_meter_with_an_offset_leaves_the_stopped_engine() -> None:
    frame = drive()
    frame.loc[400:500, "rpm"] = 0.0
    frame.loc[400:500, "maf_g_s"] = 0.6
    assert held(frame).frame["rpm"].notna().all()


def test_air_that_stands_still_while_the_engine_races_is_no_reading() -> None:
    frame = drive()
    frame.loc[100:180, "maf_g_s"] = frame.loc[100, "maf_g_s"]
    log = held(frame)
    assert log.frame["maf_g_s"].isna().sum() == 81
    assert "stand still" in log.notes[0]


def test_a_meter_at_its_ceiling_and_the_least_air_of_overrun_are_left_to_others() -> None:
    frame = drive()
    frame["maf_g_s"] = frame["maf_g_s"].clip(8, 15)
    assert held(frame).notes == ()


@pytest.mark.parametrize(
    ("factor", "beside"),
    [
        (0.1, "absolute_load_pct"),
        (2.04, "absolute_load_pct"),
        (3.6, "absolute_load_pct"),
        (0.1, "map_kpa"),
        (0.132277, "map_kpa"),
        (60.0, "map_kpa"),
    ],
)
def test_a_unit_that_changes_in_the_middle_is_no_air(factor: float, beside: str) -> None:
    frame = drive()[["t_s", "rpm", "maf_g_s", beside]]
    frame.loc[600:, "maf_g_s"] *= factor
    log = held(frame)
    blank = log.frame["maf_g_s"].isna()
    assert blank[640:].mean() > 0.9
    assert not blank[:590].any()
    assert "another scale" in log.notes[0]


def test_a_bend_of_a_tenth_throughout_or_in_part_is_left_to_the_effect() -> None:
    for first in (0, 450):
        frame = drive()
        frame.loc[first:, "maf_g_s"] *= 0.9
        assert held(frame).notes == ()
    frame = drive()
    frame["maf_g_s"] *= 0.132277
    assert held(frame).notes == ()


def test_exhaust_that_is_fed_back_for_a_while_changes_no_scale() -> None:
    frame = drive()[["t_s", "rpm", "maf_g_s", "map_kpa"]]
    frame.loc[600:, "maf_g_s"] *= 0.5
    assert held(frame).notes == ()


def test_a_car_that_holds_its_last_air_at_a_light_has_a_stopped_engine() -> None:
    frame = drive().assign(speed_kmh=40.0)
    frame.loc[400:430, ["rpm", "speed_kmh"]] = 0.0
    frame.loc[400:430, "maf_g_s"] = 3.1
    assert held(frame).notes == ()
    frame.loc[400:430, "speed_kmh"] = 40.0
    assert held(frame).frame["rpm"].isna().sum() == 31


def test_a_long_log_in_parts_is_told_what_it_is_told_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    frame = drive(5400)
    frame.loc[400:480, "maf_g_s"] = 0.0
    frame.loc[1200:1290, "rpm"] = 0.0
    frame.loc[2100:2190, "maf_g_s"] = frame.loc[2100, "maf_g_s"]
    frame.loc[3000:4700, "maf_g_s"] /= 7.56  # more than a part: the rest of the log tells
    whole = held(frame)
    monkeypatch.setattr(contradicted, "PART_ROWS", 1500)
    parts = held(frame)
    assert len(whole.notes) == 4
    assert parts.notes == whole.notes
    pd.testing.assert_frame_equal(parts.frame, whole.frame)
