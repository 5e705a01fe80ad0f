"""Fuel trims as loggers write them: percent, ratios about 1, fractions."""

import numpy as np
import pytest

from roadlog.ingest import read_log

STEP = 100 / 128


def hunting(n=400, seed=3):
    """A closed loop's short term trim [%], in the steps of the PID, zero while still open."""
    rng = np.random.default_rng(seed)
    values = np.round((1.5 * np.sin(np.arange(n) / 5) + rng.standard_normal(n)) / STEP) * STEP
    values[:30] = 0.0
    return values


def written(path, short, long, short_header="short term fuel trim", long_header="LTFT"):
    rows = [f"time [s],speed [km/h],{short_header},{long_header}"]
    rows += [
        f"{t},{30 + t % 5},{s:.6g},{g:.6g}"
        for t, (s, g) in enumerate(zip(short, long, strict=True))
    ]
    path.write_text("\n".join(rows) + "\n")
    return read_log(path)


FORMS = {
    "percent": lambda pct: pct,
    "factor": lambda pct: 1 + pct / 100,
    "fraction": lambda pct: pct / 100,
}


@pytest.mark.parametrize("unit", ["", " (ratio)", " [-]", " [%]"])
@pytest.mark.parametrize("form", list(FORMS))
def test_a_trim_is_the_same_percent_however_it_is_written(tmp_path, form, unit):
    short, long = hunting(), np.full(400, 5 * STEP)
    log = written(
        tmp_path / "a.csv", FORMS[form](short), FORMS[form](long),
        f"short term fuel trim{unit}", f"long term fuel trim{unit}",
    )  # fmt: skip
    assert log.frame["stft1_pct"].to_numpy() == pytest.approx(short, abs=0.01)
    assert log.frame["ltft1_pct"].to_numpy() == pytest.approx(long, abs=0.01)
    said = [n for n in log.notes if "read as percent" in n]
    assert bool(said) == (form != "percent" or unit in (" (ratio)", " [-]"))
    assert not said or "short term fuel trim" in said[0]


@pytest.mark.parametrize("learned", [0.78, 0.8, 1.56, 0.0, -0.78, 1.0])
def test_a_learned_trim_near_one_percent_stays_percent(tmp_path, learned):
    log = written(tmp_path / "a.csv", hunting(), np.full(400, learned))
    assert log.frame["ltft1_pct"].to_numpy() == pytest.approx(learned)


def test_few_short_readings_beside_many_long_ones_still_tell_percent(tmp_path):
    """The share of values near 1 must not be the learned trim's alone."""
    short = hunting()
    short[np.arange(400) % 20 != 0] = np.nan
    log = written(tmp_path / "a.csv", short, np.full(400, 0.78))
    assert log.frame["ltft1_pct"].iloc[0] == pytest.approx(0.78)


def test_a_learned_trim_in_percent_that_drifts_alone_stays_percent(tmp_path):
    log = written(tmp_path / "a.csv", np.full(400, np.nan), np.linspace(0.6, 1.4, 400), "x",
                  "long term fuel trim [%]")  # fmt: skip
    assert log.frame["ltft1_pct"].max() == pytest.approx(1.4)


def test_an_open_loop_of_ratios_is_no_trim(tmp_path):
    """The engine never came to closed loop: 1.0 throughout is no correction, not +1 %."""
    log = written(tmp_path / "a.csv", np.ones(400), np.full(400, 1.05),
                  "STFT (ratio)", "LTFT (ratio)")  # fmt: skip
    assert log.frame["stft1_pct"].abs().max() == pytest.approx(0)
    assert log.frame["ltft1_pct"].to_numpy() == pytest.approx(5)


def test_a_glitch_among_ratios_is_left_blank_and_told(tmp_path):
    short = FORMS["factor"](hunting())
    short[100] = 0.0
    log = written(tmp_path / "a.csv", short, FORMS["factor"](np.zeros(400)))
    assert np.isnan(log.frame["stft1_pct"].iloc[100])
    assert any("1 value far from 1 left blank" in n for n in log.notes)


def test_trims_of_a_long_log_are_read_alike(tmp_path):
    rows = ["time,signal,value,unit"]
    for t, v in enumerate(FORMS["factor"](hunting())):
        rows += [f"{t},vehicle speed,30,km/h", f"{t},short term fuel trim,{v:.6g},",
                 f"{t},long term fuel trim,1.05,"]  # fmt: skip
    (tmp_path / "a.csv").write_text("\n".join(rows) + "\n")
    log = read_log(tmp_path / "a.csv")
    assert log.frame["ltft1_pct"].iloc[0] == pytest.approx(5)
    assert any("read as percent" in n for n in log.notes)


def test_a_known_column_in_an_impossible_unit_is_named(tmp_path):
    log = written(tmp_path / "a.csv", hunting(), np.zeros(400), "MAF [V]", "LTFT")
    (said,) = [n for n in log.notes if "MAF [V]" in n]
    assert "left out" in said
    assert "voltage" in said
