import numpy as np
import pandas as pd
import pytest

from roadlog.road.projection import centre, to_geographic, to_local
from roadlog.road.trace import STEP_M, make_trace

ORIGIN = (50.0, 8.0)


def straight(n: int, speed_m_s: float, noise_m: float = 0.0) -> pd.DataFrame:
    rng = np.random.default_rng(0)
    east = np.arange(n) * speed_m_s
    lat, lon = to_geographic(east + rng.normal(0, noise_m, n), rng.normal(0, noise_m, n), ORIGIN)
    return pd.DataFrame(
        {"t_s": np.arange(n, dtype=float), "speed_kmh": 3.6 * speed_m_s, "lat_deg": lat,
         "lon_deg": lon}
    )  # fmt: skip


def test_receiver_jitter_at_a_standstill_adds_no_distance() -> None:
    drive = pd.concat([straight(100, 10), straight(600, 0, noise_m=10)], ignore_index=True)
    drive["t_s"] = np.arange(len(drive), dtype=float)
    assert make_trace(drive, 0, ORIGIN).sample_d_m[-1] == pytest.approx(1000, abs=15)


def test_heading_holds_under_ten_metre_noise() -> None:
    trace = make_trace(straight(300, 12, noise_m=10), 0, ORIGIN)
    assert np.diff(trace.d_m) == pytest.approx(STEP_M)
    assert np.percentile(trace.hx, 5) > np.cos(np.radians(35))


def test_distance_comes_from_positions_where_speed_is_missing() -> None:
    drive = straight(300, 12)
    drive.loc[100:200, "speed_kmh"] = np.nan
    assert make_trace(drive, 0, ORIGIN).sample_d_m[-1] == pytest.approx(299 * 12, rel=0.02)
    bare = drive.drop(columns="speed_kmh")
    assert make_trace(bare, 0, ORIGIN).sample_d_m[-1] == pytest.approx(299 * 12, rel=0.02)


def test_long_drop_out_is_marked_unseen() -> None:
    drive = straight(300, 12)
    drive.loc[100:150, ["lat_deg", "lon_deg"]] = np.nan
    trace = make_trace(drive, 0, ORIGIN)
    hidden = (trace.d_m > 1240) & (trace.d_m < 1780)
    assert not trace.seen[hidden].any()
    assert trace.seen[(trace.d_m < 1150) | (trace.d_m > 1900)].all()


def test_position_before_the_first_fix_is_not_in_the_gulf_of_guinea() -> None:
    drive = straight(50, 12)
    drive.loc[:9, ["lat_deg", "lon_deg"]] = 0.0
    origin = centre([drive])
    assert origin is not None
    assert origin[0] == pytest.approx(50, abs=0.1)


def test_country_across_the_date_line_has_one_centre() -> None:
    frame = pd.DataFrame({"lat_deg": [-17.0, -17.0, -17.0], "lon_deg": [179.9, -179.9, 180.0]})
    origin = centre([frame])
    assert origin is not None
    assert abs(abs(origin[1]) - 180) < 0.01
    x, _ = to_local(frame["lat_deg"].to_numpy(), frame["lon_deg"].to_numpy(), origin)
    assert np.ptp(x) < 25_000


def test_local_metres_come_back_to_the_same_degrees() -> None:
    lat, lon = np.array([49.9, 50.1, np.nan]), np.array([7.8, 8.2, np.nan])
    back = to_geographic(*to_local(lat, lon, ORIGIN), ORIGIN)
    np.testing.assert_allclose(back[0][:2], lat[:2], atol=1e-9)
    np.testing.assert_allclose(back[1][:2], lon[:2], atol=1e-9)
