import numpy as np
import pandas as pd
import pytest

from roadlog.errors import InputError
from roadlog.passes.cautions import datum_warnings, source_warnings
from roadlog.passes.conditions import add_conditions
from roadlog.passes.facts import Lost
from roadlog.passes.table import build_passes
from roadlog.quantities.fuels import FUELS
from roadlog.quantities.tables import PASSES
from roadlog.road import Network, find_network, match
from roadlog.study.settings import Analysis, Study, parse_study
from tests.road.synthetic import drives, segment_of

PLAN = [
    (route, arm) for _ in range(3) for arm in ("baseline", "fitted") for route in ("out", "back")
]
STUDY = Study()


def passes_of(tracks, runs, network, study, notes):
    """The pass table of tracks whose conditions are looked up first."""
    starts = dict(zip(runs["run"], runs["start"], strict=True))
    seen = {
        run: add_conditions(track, study.vehicle, start=pd.Timestamp(starts[run]))
        for run, track in tracks.items()
        if run in starts and len(track)
    }
    return build_passes(seen, runs, network, study, notes)


@pytest.fixture(scope="module")
def road() -> tuple[Network, dict[int, pd.DataFrame]]:
    made = drives(PLAN, seed=21)
    network = find_network(made.tracks, made.arms, segment_length_km=1.0, min_runs_per_arm=2)
    return network, {r: match(t, network, r) for r, t in made.tracks.items()}


def runs_table(n: int = len(PLAN)) -> pd.DataFrame:
    day = [f"2026-03-{2 + i // 2:02d}" for i in range(n)]
    hour = [7 if i % 2 == 0 else 16 for i in range(n)]
    return pd.DataFrame(
        {
            "run": range(n), "file": [f"drive{i}.csv" for i in range(n)],
            "arm": [PLAN[i][1] for i in range(n)],
            "start": pd.to_datetime(day) + pd.to_timedelta(hour, unit="h"), "day": day,
            "switch_unit": day, "block": "", "used": True, "reason": "", "km": 9.7, "fuel_l": 0.7,
            "fuel_low_l": 0.7, "fuel_high_l": 0.7, "hours": 0.3,
        }
    )  # fmt: skip


def test_each_run_passes_each_of_its_segments_once(road) -> None:
    network, tracks = road
    passes = PASSES.check(passes_of(tracks, runs_table(), network, STUDY, None))
    assert passes["used"].all()
    out = passes[passes["segment"] == "A03"]
    assert out["run"].tolist() == [0, 2, 4, 6, 8, 10]
    assert out["distance_km"].to_numpy() == pytest.approx(
        segment_of(network, "A03").length_m / 1000, rel=0.04
    )
    assert len(passes) == sum(12 / 2 for _ in network.segments)
    assert isinstance(passes.index, pd.RangeIndex)


def test_fuel_of_a_pass_is_flow_over_density(road) -> None:
    network, tracks = road
    passes = passes_of(tracks, runs_table(), network, STUDY, None)
    p = passes[(passes["run"] == 0) & (passes["segment"] == "A03")].iloc[0]
    t = tracks[0][tracks[0]["segment"] == "A03"]
    grams = (t["fuel_flow_g_s"] * t["dt_s"]).sum()
    assert p["fuel_ml"] == pytest.approx(1000 * grams / FUELS["E10"].density_kg_m3)
    assert p["ml_per_km"] == pytest.approx(p["fuel_ml"] / p["distance_km"])
    assert p["start"] == pd.Timestamp("2026-03-02 07:00") + pd.Timedelta(seconds=t["t_s"].iloc[0])
    assert p["mean_speed_kmh"] == pytest.approx(t["speed_kmh"].mean())
    assert p["idle_s_per_km"] == pytest.approx((t["speed_kmh"] < 1).sum() / p["distance_km"])


def test_cold_share_ends_with_the_warm_up(road) -> None:
    network, tracks = road
    passes = passes_of(tracks, runs_table(), network, STUDY, None)
    first = passes[passes["run"] == 0]
    assert first["cold_share"].iloc[0] == 1
    assert first["cold_share"].iloc[-1] == 0
    assert (first["coolant_start_c"] == 15).all()
    assert first["since_start_s"].is_monotonic_increasing


def test_gap_in_fuel_lowers_coverage_and_leaves_the_pass_out(road) -> None:
    network, tracks = road
    holed = tracks[0].copy()
    inside = holed.index[holed["segment"] == "A04"]
    holed.loc[inside[5:25], ["fuel_flow_g_s", "fuel_flow_low_g_s", "fuel_flow_high_g_s"]] = np.nan
    passes = passes_of({**tracks, 0: holed}, runs_table(), network, STUDY, None)
    p = passes[(passes["run"] == 0) & (passes["segment"] == "A04")].iloc[0]
    assert p["coverage"] == pytest.approx(1 - 20 / len(inside))
    assert not p["used"]
    assert "fuel and speed known for only" in str(p["reason"])
    whole = passes_of(tracks, runs_table(), network, STUDY, None)
    q = whole[(whole["run"] == 0) & (whole["segment"] == "A04")].iloc[0]
    assert p["ml_per_km"] == pytest.approx(q["ml_per_km"], rel=0.05)


def test_turning_off_half_way_is_an_incomplete_pass(road) -> None:
    network, tracks = road
    half = tracks[0].copy()
    on = half.index[half["segment"] == "A05"]
    half.loc[on[len(on) // 2 :], ["segment", "traversal"]] = ["", -1]
    passes = passes_of({**tracks, 0: half}, runs_table(), network, STUDY, None)
    p = passes[(passes["run"] == 0) & (passes["segment"] == "A05")].iloc[0]
    assert not p["used"]
    assert p["reason"].code is Lost.SHORT
    assert p["length_share"] == pytest.approx(0.5, abs=0.1)


def test_wheels_turning_further_than_the_road_is_no_pass(road) -> None:
    network, tracks = road
    slipped = tracks[0].copy()
    on = slipped.index[slipped["segment"] == "A05"]
    extra = pd.Series(0.0, slipped.index)
    extra.loc[on] = 300 / len(on)
    slipped["d_m"] += extra.cumsum()
    passes = passes_of({**tracks, 0: slipped}, runs_table(), network, STUDY, None)
    p = passes[(passes["run"] == 0) & (passes["segment"] == "A05")].iloc[0]
    assert p["reason"].code is Lost.OTHER_LENGTH


def test_speedometer_that_reads_high_excludes_nothing(road) -> None:
    network, tracks = road
    high = {r: t.assign(d_m=1.13 * t["d_m"]) for r, t in tracks.items()}
    assert passes_of(high, runs_table(), network, STUDY, None)["used"].all()


def test_washout_applies_at_every_switch_units_start(road) -> None:
    network, tracks = road
    study = parse_study("[device]\nwashout_km = 3.0")
    passes = passes_of(tracks, runs_table(), network, study, None)
    washed = passes[passes["reason"].map(str).str.startswith("washout")]
    assert set(washed["day"]) == set(passes["day"])
    assert (washed["km_since_switch"] < 3).all()
    assert (passes.loc[passes["used"], "km_since_switch"] >= 3).all()
    second = passes[passes["run"] == 1]
    assert second["used"].all()


def test_passes_of_an_unused_run_carry_its_reason(road) -> None:
    network, tracks = road
    runs = runs_table()
    runs.loc[2, ["used", "reason"]] = [False, "air filter changed"]
    passes = passes_of(tracks, runs, network, STUDY, None)
    left = passes[passes["run"] == 2]
    assert not left["used"].any()
    assert (left["reason"].map(str) == "run not used: air filter changed").all()


def test_runs_that_make_no_pass_are_listed_with_why(road) -> None:
    network, tracks = road
    lost = {**tracks, 0: tracks[0].assign(segment="", traversal=-1)}
    del lost[4]
    no_fix = Network(network.kind, network.origin, network.segments,
                     {r: line for r, line in network.lines.items() if r != 0})  # fmt: skip
    passes = passes_of(lost, runs_table(), no_fix, STUDY, None)
    reason = passes[passes["segment"] == ""].set_index("run")["reason"].map(str)
    assert "no positions" in reason[0]
    assert "no samples" in reason[4]
    away = passes_of(lost, runs_table(), network, STUDY, None)
    assert "never on a segment" in away[away["run"] == 0]["reason"].map(str).iloc[0]
    assert not away["used"][away["segment"] == ""].any()


def test_without_positions_each_run_is_one_pass(road) -> None:
    _, tracks = road
    bare = {
        r: t.drop(columns=["lat_deg", "lon_deg", "altitude_m", "segment", "traversal", "s_m"])
        for r, t in tracks.items()
    }
    arms = {r: PLAN[r][1] for r in bare}
    network = find_network(bare, arms, segment_length_km=1.0, min_runs_per_arm=2)
    on = {r: match(t, network, r) for r, t in bare.items()}
    passes = passes_of(on, runs_table(), network, STUDY, None)
    assert passes["segment"].tolist() == ["run"] * len(PLAN)
    assert passes["used"].all()
    assert passes["distance_km"].to_numpy() == pytest.approx(9.65, rel=0.05)


def test_notes_join_by_day_as_numbers_where_they_are(road) -> None:
    network, tracks = road
    days = sorted(set(runs_table()["day"]))
    notes = pd.DataFrame(
        {"Date": days, "A/C": ["yes", "no"] * 3, "cold tyre pressure [kPa]": ["230", "", "228"] * 2,
         "remark": ["rain", "", "dry"] * 2}
    )  # fmt: skip
    passes = passes_of(tracks, runs_table(), network, STUDY, notes)
    first, second = passes[passes["day"] == days[0]], passes[passes["day"] == days[1]]
    assert (first["remark_a_c"] == 1).all()
    assert (second["remark_a_c"] == 0).all()
    assert (first["remark_cold_tyre_pressure_kpa"] == 230).all()
    assert second["remark_cold_tyre_pressure_kpa"].isna().all()
    assert (first["remark_remark"] == "rain").all()


def test_notes_join_by_file(road) -> None:
    network, tracks = road
    notes = pd.DataFrame({"file": ["logs/drive0.csv", "drive1.csv"], "payload kg": [75, 150]})
    passes = passes_of(tracks, runs_table(), network, STUDY, notes)
    assert (passes[passes["run"] == 1]["remark_payload_kg"] == 150).all()
    assert passes[passes["run"] == 2]["remark_payload_kg"].isna().all()


def test_a_drive_with_a_row_of_its_own_takes_the_rest_from_its_day(road) -> None:
    network, tracks = road
    notes = pd.DataFrame(
        {"date": ["2026-03-02", None], "file": [None, "drive1.csv"],
         "payload kg": ["75", "150"], "windows": ["shut", None]}
    )  # fmt: skip
    passes = passes_of(tracks, runs_table(), network, STUDY, notes)
    assert (passes[passes["run"] == 0]["remark_payload_kg"] == 75).all()
    assert (passes[passes["run"] == 1]["remark_payload_kg"] == 150).all()
    assert (passes[passes["run"] == 1]["remark_windows"] == "shut").all()


@pytest.mark.parametrize("named", ["payload", "Payload [kg]", "payload_kg", "note_payload_kg"])
def test_only_the_notes_that_the_study_names_may_enter_the_model(road, named) -> None:
    network, tracks = road
    days = sorted(set(runs_table()["day"]))
    notes = pd.DataFrame({"date": days, "payload [kg]": list("123456"), "soak [h]": list("123456")})
    study = STUDY.model_copy(update={"analysis": Analysis(noted_covariates=(named,))})
    passes = passes_of(tracks, runs_table(), network, study, notes)
    assert {"note_payload_kg", "remark_soak_h"} <= set(passes.columns)


def test_the_number_on_the_seal_is_no_condition_of_a_drive(road) -> None:
    network, tracks = road
    notes = pd.DataFrame({"date": sorted(set(runs_table()["day"])), "seal": list("123456")})
    passes = passes_of(tracks, runs_table(), network, STUDY, notes)
    assert not [c for c in passes.columns if "seal" in c]


@pytest.mark.parametrize("notes", [None, pd.DataFrame({"date": ["2026-03-02"], "soak": ["8"]})])
def test_a_named_note_that_nobody_keeps_is_asked_for(road, notes) -> None:
    network, tracks = road
    study = STUDY.model_copy(update={"analysis": Analysis(noted_covariates=("payload",))})
    with pytest.raises(InputError, match=r"no column 'payload', which noted_covariates"):
        passes_of(tracks, runs_table(), network, study, notes)


@pytest.mark.parametrize(
    ("notes", "says"),
    [
        (pd.DataFrame({"weather": ["wet"]}), "no column 'date'"),
        (pd.DataFrame({"date": ["2026-03-02", "2026-03-02"], "a": [1, 2]}), "two rows"),
        (pd.DataFrame({"date": ["someday"], "a": [1]}), "can't be read"),
    ],
)
def test_notes_that_fit_no_run_say_what_to_do(road, notes, says) -> None:
    network, tracks = road
    with pytest.raises(InputError, match=says):
        passes_of(tracks, runs_table(), network, STUDY, notes)


def test_temperature_from_another_source_in_one_arm_is_told(road) -> None:
    network, tracks = road
    arms = [a for _, a in PLAN]
    mixed = {
        r: t.assign(ambient_temp_c=9.0) if arms[r] == "fitted" else t for r, t in tracks.items()
    }
    passes = passes_of(mixed, runs_table(), network, STUDY, None)
    said = source_warnings(passes)
    assert len(said) == 1
    assert "temperature" in said[0]
    assert "100 % of fitted" in said[0]
    alike = {r: t.assign(ambient_temp_c=9.0) for r, t in tracks.items()}
    assert source_warnings(passes_of(alike, runs_table(), network, STUDY, None)) == []


def test_air_from_heights_above_different_surfaces_is_told_only_where_heights_are_used(
    road,
) -> None:
    network, tracks = road
    above = {"baseline": "sea level", "fitted": "ellipsoid"}
    runs = runs_table().assign(altitude_datum=[above[arm] for _, arm in PLAN])
    by_height = passes_of(tracks, runs, network, STUDY, None)
    assert (by_height["pressure_source"] == "standard atmosphere at the altitude").all()
    (told,) = datum_warnings(by_height, runs)
    assert "fitted: 100 % above the ellipsoid" in told
    assert datum_warnings(by_height, runs.assign(altitude_datum="ellipsoid")) == []
    by_sensor = {r: t.assign(baro_kpa=98.0, ambient_temp_c=9.0) for r, t in tracks.items()}
    measured = passes_of(by_sensor, runs, network, STUDY, None)
    assert datum_warnings(measured, runs) == []


def test_tracks_without_conditions_are_refused_in_a_sentence(road) -> None:
    network, tracks = road
    with pytest.raises(InputError, match="run 0 has no conditions: give its track through"):
        build_passes(tracks, runs_table(), network, Study(), None)
