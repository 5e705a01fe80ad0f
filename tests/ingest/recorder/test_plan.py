"""Which signal gets how many turns, and what ignition, clock and answers make of what comes."""

import itertools
from collections import Counter

import numpy as np
import pytest

from roadlog.ingest.journal.clock import boot_id, fit_clock, now_s
from roadlog.quantities.signals import SIGNALS
from roadlog.recorder import runs
from roadlog.recorder.answers import checksum_holds, split
from roadlog.recorder.ignition import Wake
from roadlog.recorder.pids import ASKED, OWN_DECODERS, supported_by
from roadlog.recorder.polling import RateMeter, choose_plan, requests, too_slow

OLD_CAR = ("speed_kmh", "maf_g_s", "rpm", "fuel_status", "stft1_pct", "ltft1_pct",
           "coolant_temp_c", "intake_air_temp_c", "throttle_pct", "engine_load_pct")  # fmt: skip


def turns(plan, n):
    return Counter(name for r in itertools.islice(requests(plan), n) for name in r)


def test_old_car_gives_fuel_and_speed_most_turns_and_slow_signals_one_now_and_then():
    plan = choose_plan(OLD_CAR, can=False)
    seen = turns(plan, 3 * 600)  # ten minutes at three answers a second
    assert seen["maf_g_s"] / 600 > 1
    assert seen["speed_kmh"] / 600 > 1
    assert 600 / seen["rpm"] < 10  # the time base carries rpm over 10 s
    for slow in ("fuel_status", "stft1_pct", "ltft1_pct", "coolant_temp_c", "intake_air_temp_c"):
        assert 600 / seen[slow] < 60, slow  # and these over 60 s
    assert "throttle_pct" not in seen


def test_everything_that_a_full_old_car_offers_still_fits():
    plan = choose_plan(list(ASKED), can=False)
    seen = turns(plan, 3 * 600)
    for name in plan.slow:
        assert 600 / seen[name] < 60, name


def test_one_request_of_six_carries_fuel_speed_and_four_others_on_can():
    plan = choose_plan(list(ASKED), can=True, per_request=6)
    for request in itertools.islice(requests(plan), 200):
        assert request[:2] == ("fuel_rate_g_s", "speed_kmh")
        assert len(request) == len(set(request)) <= 6
    assert set(turns(plan, 400)) == set(plan.signals)


def test_only_can_takes_several_pids_in_a_request():
    assert choose_plan(OLD_CAR, can=False, per_request=6).per_request == 1


@pytest.mark.parametrize(
    ("offers", "fuel"),
    [
        ({"fuel_rate_l_h", "maf_g_s"}, ("fuel_rate_l_h",)),
        ({"maf_g_s", "map_kpa", "rpm"}, ("maf_g_s",)),
        ({"map_kpa", "rpm"}, ("map_kpa", "rpm")),
        ({"absolute_load_pct", "rpm", "map_kpa"}, ("absolute_load_pct", "rpm")),
        ({"coolant_temp_c"}, ()),
    ],
)
def test_best_fuel_signal_is_polled_fastest(offers, fuel):
    assert choose_plan({*offers, "speed_kmh"}, can=False).fast == (*fuel, "speed_kmh")


def test_car_with_nothing_to_ask_gives_no_turns():
    assert list(itertools.islice(requests(choose_plan([], can=False)), 3)) == []


def test_slow_speed_polling_is_too_slow_for_a_standing_start():
    plan = choose_plan(["speed_kmh", "rpm"], can=True, purpose="standing-start")
    assert plan.signals == ("speed_kmh",)
    assert len(too_slow({"speed_kmh": 3.0}, plan, "standing-start")) == 1
    assert too_slow({"speed_kmh": 12.0}, plan, "standing-start") == []


def test_rate_meter_counts_what_came():
    meter = RateMeter()
    for i in range(100):
        meter.add(["speed_kmh"], i * 0.25)
    assert meter.rates(24.75)["speed_kmh"] == pytest.approx(4.0, rel=0.05)


def test_every_pid_of_the_table_can_be_asked_and_its_length_fits_its_range():
    assert set(ASKED) == {s.name for s in SIGNALS.values() if s.pid}
    for name, decode in OWN_DECODERS.items():
        top = decode(b"\xff" * ASKED[name].length)
        assert top >= 0.9 * min(SIGNALS[name].high, top)


@pytest.mark.parametrize(
    ("signal", "data", "value"),
    [
        ("mil_on", "83076500", 1.0),
        ("dtc_count", "83076500", 3.0),
        ("fuel_status", "0200", 2.0),
        ("lambda_measured", "80000000", 1.0),
        ("fuel_rate_g_s", "00640064", 2.0),
        ("odometer_km", "000F4240", 100000.0),
    ],
)
def test_own_decoders(signal, data, value):
    """SAE J1979-DA scalings, worked by hand (from memory of the table)."""
    assert OWN_DECODERS[signal](bytes.fromhex(data)) == value


def test_support_bits():
    """SAE J1979: byte A bit 7 is the first PID after the one asked; python-OBD's own example."""
    assert supported_by(0, bytes.fromhex("BE7FB813")) >= {1, 3, 4, 5, 6, 7, 0x10, 0x20}
    assert 2 not in supported_by(0, bytes.fromhex("BE7FB813"))


def test_answer_of_another_or_a_repeated_pid_is_refused_whole():
    assert split(bytes.fromhex("410D32 0C1AF8"), (0x0D,)).trouble == "damaged"
    assert split(bytes.fromhex("410D32 0D33"), (0x0D,)).data == {}
    assert split(bytes.fromhex("7F0112"), (0x0D,)).trouble == "damaged"


def test_j1850_checksum():
    """CRC-8/SAE-J1850 check value 0x4B of `123456789`: catalogue of parametrised CRC algorithms."""
    assert checksum_holds(b"123456789\x4b", "crc")
    assert not checksum_holds(b"123456789\x4c", "crc")


def test_wake_by_alternator_or_by_the_load_of_the_key():
    for after in (13.9, 12.1):
        wake = Wake()
        assert not any(wake.supplied(v) for v in (12.8, 12.7, 12.7, 12.6, 12.6))
        assert wake.supplied(after)


def test_clock_map_finds_offset_and_drift_despite_late_and_stale_fixes():
    rng = np.random.default_rng(1)
    t = np.arange(100.0, 20000.0)
    utc = 1.8e9 + t * (1 + 3e-5) - rng.uniform(0.05, 0.45, len(t))
    utc[:5] -= 3600  # a receiver's stored time before its first fix
    map_ = fit_clock(t, utc)
    back = map_.utc(np.array([0.0, 36000.0]))
    assert back[0] == pytest.approx(1.8e9 - 0.25, abs=0.1)
    assert back[1] == pytest.approx(1.8e9 + 36000 * (1 + 3e-5) - 0.25, abs=0.1)


def test_fix_with_an_impossible_date_gives_no_clock():
    assert fit_clock(np.array([1.0]), np.array([315964800.0])) is None


def test_one_boot_has_one_id_and_the_clock_runs_forward(tmp_path):
    assert boot_id() == boot_id()
    assert boot_id(tmp_path / "none") != boot_id(tmp_path / "none")
    assert now_s() <= now_s()


def test_undated_runs_are_numbered(tmp_path):
    first = runs.new_path(tmp_path, 0.0)
    first.touch()
    assert (first.name, runs.new_path(tmp_path, 0.0).name) == (
        "run_undated.log", "run_undated_2.log",
    )  # fmt: skip
