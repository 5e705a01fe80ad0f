"""When runs begin and end, and what is written and said in between."""

import json

import pytest

from roadlog.ingest import read_log
from roadlog.ingest.journal.file import first_header
from roadlog.ingest.positions.nmea import PositionFix
from roadlog.recorder.events import Lost, PositionTrouble, Supply, Values

from .scripted import BOOT, UTC_S, Recorded, connected, drive, silence


def test_run_ends_when_the_engine_stood_and_the_vehicle_fell_silent(tmp_path):
    r = Recorded(tmp_path)
    r.play([connected(0)]).play(drive(1, 60)).play(drive(60, 70, rpm=0, speed=0))
    assert r.session.recording
    r.play(silence(70, 95))
    assert not r.session.recording
    assert r.parked.is_set()
    assert (
        r.journals[0]
        .read_text()
        .splitlines()[-1]
        .endswith("end the engine stood still before the vehicle fell silent")
    )


def test_run_ends_when_the_supply_falls_though_the_last_rpm_was_a_running_engines(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play(silence(60, 90, volts=12.5))
    assert not r.session.recording
    assert "the supply fell from 14.2 V to 12.5 V" in r.journals[0].read_text()


def test_silence_at_speed_is_a_gap_and_no_end_however_long(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play(silence(60, 600, volts=14.1))
    assert r.session.recording
    r.play(drive(600, 660))
    r.session.close(660)
    log = read_log(r.journals[0])
    speed = log.frame.dropna(subset=["speed_kmh"])
    between = (speed["t_s"] > 60) & (speed["t_s"] < 598)
    assert not between.any()
    assert any("1 gap of 540 s" in n for n in log.notes)
    assert len(r.journals) == 1


def test_adapter_lost_at_speed_and_back_stays_one_run(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play([Lost(64, "unplugged"), Lost(80, "unplugged")]).wait(120)
    r.play([connected(120)]).play(drive(121, 180))
    assert r.session.recording
    assert len(r.journals) == 1
    assert "adapter: unplugged" in r.journals[0].read_text()


def test_stop_start_at_a_level_crossing_does_not_end_the_run(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play(drive(60, 360, rpm=0, speed=0, volts=12.6))
    assert r.session.recording
    r.play(drive(360, 400))
    assert len(r.journals) == 1


def test_adapter_that_drops_out_during_a_stop_start_stop_does_not_end_the_run(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play(drive(60, 80, rpm=0, speed=0)).play([Lost(84, "radio link gone")]).wait(200)
    assert r.session.recording
    r.play([connected(200)]).play(drive(201, 260))
    assert len(r.journals) == 1


def test_voltage_drop_at_cranking_is_no_end(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 30))
    r.play([Supply(31, 8.1), Supply(32, 8.4), Supply(33, 9.0)]).play(drive(34, 60))
    assert r.session.recording


def test_next_drive_is_a_new_run_by_itself(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60)).play(silence(60, 90, volts=12.4))
    r.parked.clear()  # as the poller does when the vehicle wakes
    r.play(drive(5000, 5060, runtime_s=5.0))
    assert len(r.journals) == 2
    assert r.session.recording


def test_engine_started_anew_during_an_unheard_stop_splits_the_run(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    r.play([Lost(63, "gone")]).wait(2000).play([connected(2000)])
    r.play([Values(2001, {"engine_runtime_s": 20.0})]).play(drive(2002, 2060, runtime_s=21.0))
    assert len(r.journals) == 2
    assert "started anew" in r.journals[0].read_text()


def test_key_on_without_the_engine_makes_no_run(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60, rpm=0, speed=0))
    assert not r.session.recording
    assert r.journals == []
    r.wait(200)
    assert r.parked.is_set()


def test_what_came_before_the_engine_turned_is_kept_for_a_minute(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 21, rpm=0, speed=0))
    r.play(drive(21, 40))
    r.session.close(40)
    log = read_log(r.journals[0])
    assert log.frame["t_s"].iloc[-1] == pytest.approx(38.75)
    assert log.frame["rpm"].iloc[0] == 0


def test_arm_of_the_day_comes_from_the_schedule_and_a_given_one_wins(tmp_path):
    r = Recorded(tmp_path / "a").play([connected(0)]).play(drive(1, 10, speed=0))
    assert first_header(r.journals[0])["arm"] == "fitted"
    assert any("arm collar in" in s for s in r.said)
    r = Recorded(tmp_path / "b", arm="baseline").play([connected(0)]).play(drive(1, 10))
    assert first_header(r.journals[0])["arm"] == "baseline"


def test_arm_goes_by_gps_date_where_the_systems_clock_was_never_set(tmp_path):
    r = Recorded(tmp_path, wall_minus_boot_s=0.0)
    r.play([connected(0)]).play(drive(1, 5, rpm=0, speed=0, fixes_from_s=2)).play(drive(5, 10))
    assert first_header(r.journals[0])["arm"] == "fitted"


def test_vin_is_kept_as_a_salted_hash_unless_asked_otherwise(tmp_path):
    vin = "1M8GDM9AXKP042788"
    r = Recorded(tmp_path / "a").play([connected(0, vin)]).play(drive(1, 10))
    assert vin not in r.journals[0].read_text()
    assert len(first_header(r.journals[0])["vehicle"]) == 16
    r = Recorded(tmp_path / "b", store_vin=True).play([connected(0, vin)]).play(drive(1, 10))
    assert first_header(r.journals[0])["vin"] == vin


def test_nothing_is_said_while_the_car_moves(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    before = len(r.said)
    r.play([PositionTrouble(60, "silent")]).play(silence(61, 90, volts=14.2)).play(drive(90, 100))
    assert len(r.said) == before
    r.play(drive(100, 101, speed=0))
    assert any("no position" in s for s in r.said[before:])


def test_receiver_that_shows_speed_keeps_messages_back_where_the_car_tells_none(tmp_path):
    r = Recorded(tmp_path).play([PositionFix(0.5, {"lat_deg": 45.0, "gps_speed_kmh": 60.0}, None)])
    r.play([connected(1.0)])
    assert r.said == []


def test_rates_are_told_before_the_drive_and_a_slow_adapter_is_warned_of(tmp_path):
    r = Recorded(tmp_path).play([connected(0)]).play(drive(0, 20, hz=0.4, rpm=800, speed=0))
    told = next(s for s in r.said if s.startswith("readings a second"))
    assert "speed_kmh 0.3" in told
    assert any(s.startswith("warning: maf_g_s is read 0.3") for s in r.said)
    rates = next(x for x in r.journals[0].read_text().splitlines() if " rates " in x)
    assert json.loads(rates.split(" rates ")[1])["speed_kmh"] == pytest.approx(0.3, abs=0.1)


def test_restart_goes_on_in_a_new_part_of_the_same_run(tmp_path):
    first = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    first.session._journal.flush(60)  # killed here
    again = Recorded(tmp_path).play([connected(70)]).play(drive(71, 120))
    again.session.close(120)
    assert len(again.journals) == 1
    log = read_log(again.journals[0])
    assert any("2 parts joined" in n for n in log.notes)
    assert log.frame["t_s"].max() == pytest.approx(118.75)


def test_restart_after_a_reboot_goes_on_by_the_wall_clock_and_gps_ties_the_parts(tmp_path):
    first = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60, fixes_from_s=20))
    first.session._journal.flush(60)
    again = Recorded(tmp_path, boot="another", wall_minus_boot_s=UTC_S + 90)
    again.play([connected(5)])
    again.play(drive(6, 66, runtime_s=96.0, fixes_from_s=30, utc_minus_boot_s=UTC_S + 90))
    again.session.close(66)
    assert len(again.journals) == 1
    t = read_log(again.journals[0]).frame["t_s"]
    assert t.max() == pytest.approx(65.75 + 90 - 1, abs=0.5)


def test_restart_in_the_evening_is_a_new_run_even_if_the_clock_stood_still_meanwhile(tmp_path):
    """A small computer without a battery-backed clock resumes at the time it was switched off."""
    first = Recorded(tmp_path).play([connected(0)]).play(drive(1, 600))
    first.session._journal.flush(600)
    again = Recorded(tmp_path, boot="another", wall_minus_boot_s=UTC_S + 600)
    again.play([connected(20), Values(21, {"engine_runtime_s": 25.0, "rpm": 800.0})])
    assert len(again.journals) == 2


def test_adapter_moved_to_another_car_within_minutes_starts_a_new_run(tmp_path):
    first = Recorded(tmp_path).play([connected(0, "1M8GDM9AXKP042788")]).play(drive(1, 60))
    first.session._journal.flush(60)
    again = Recorded(tmp_path).play([connected(70, "11111111111111111")]).play(drive(71, 90))
    assert len(again.journals) == 2


def test_power_cut_while_parked_starts_a_new_run(tmp_path):
    first = Recorded(tmp_path).play([connected(0)]).play(drive(1, 60))
    first.session._journal.flush(60)
    again = Recorded(tmp_path, boot=BOOT).play([connected(5000)]).play(drive(5001, 5060))
    assert len(again.journals) == 2


def test_standing_starts_are_recorded_from_the_first_answer(tmp_path):
    r = Recorded(tmp_path, purpose="standing-start").play([connected(0)])
    r.play([Values(1.0, {"speed_kmh": 0.0}), Values(1.1, {"speed_kmh": 0.0})])
    assert r.session.recording


def test_a_file_that_no_pattern_of_the_study_finds_is_told(tmp_path):
    from roadlog.study.settings import parse_study

    study = parse_study('[logs]\nany = ["logs/*.csv"]\n')
    r = Recorded(tmp_path, study=study).play([connected(0)]).play(drive(1, 3, speed=0))
    assert any("no pattern of [logs]" in s for s in r.said)
