"""The run-outs of the demonstration: an invented small generator on a weighed amount of fuel.

A true change of fuel use goes in; `runout.csv` and the load readings of each trial come out, with
the truth behind them. It feeds the generator behind `roadlog demo --trials` and implements no part
of the method.
"""

import numpy as np

from roadlog.demo.driver import smooth_noise
from roadlog.demo.files import csv_text
from roadlog.demo.schedule import LABELS
from roadlog.quantities.arms import ARMS, Arm

FUEL_PCT = 0.6  # the collar's true change of fuel at equal load: a slight restriction here too
CLAIM_FUEL_PCT = 10.0
BLOCKS = 5
FUEL_G, SCALE_SD_G = 250.0, 0.5
NO_LOAD_G_S, LOAD_G_S_KW = 0.10, 0.15  # fuel of the invented engine: a straight line over load
TRIAL_SD_PCT = 0.9
RESISTANCE_OHM, VOLTS, VOLTS_SD_SHARE = 52.9, 230.0, 0.006
FIRST_READING_S, AFTER_END_S = 4, 12
SPLUTTER_S, RUNDOWN_S = 4.0, 0.8


def run_outs(
    rng: np.random.Generator, *, fuel_pct: float = FUEL_PCT
) -> tuple[dict[str, str], dict[str, object]]:
    """`runout.csv` and the load logs, both arms in each block in random order, and the truth.

    Parameters
    ----------
    rng : Generator
    fuel_pct : float [%]
        True change of fuel flow at equal load, fitted against baseline.

    Returns
    -------
    file name -> text, truth for JSON
    """
    rows, files = list[tuple[object, ...]](), dict[str, str]()
    for block in range(1, BLOCKS + 1):
        arms: tuple[Arm, Arm] = ARMS if rng.integers(0, 2) else (ARMS[1], ARMS[0])
        for arm in arms:
            trial = len(rows) + 1
            name = f"runout/synthetic_load_{trial:02d}.csv"
            change = 1 + fuel_pct / 100 if arm == "fitted" else 1.0
            weighed, files[name] = _trial(change, rng)
            rows.append((trial, LABELS[arm], block, f"{weighed:.1f}", name))
    header = ("trial", "arm", "block", "fuel_g", "load_file")
    return {"runout.csv": csv_text(header, rows), **files}, {"fuel_at_equal_load_pct": fuel_pct}


def _trial(change: float, rng: np.random.Generator) -> tuple[float, str]:
    """Fuel as weighed [g] and the load readings of one trial, one a second, as text."""
    volts = VOLTS * (1 + VOLTS_SD_SHARE * rng.standard_normal())
    flow = NO_LOAD_G_S + LOAD_G_S_KW * volts**2 / RESISTANCE_OHM / 1000
    flow *= change * float(np.exp(TRIAL_SD_PCT / 100 * rng.standard_normal()))
    end = FUEL_G / flow
    t = np.arange(0.0, np.ceil(end + AFTER_END_S + FIRST_READING_S))
    since = t - FIRST_READING_S + rng.uniform(0, 1)
    v = volts * (1 + 0.002 * smooth_noise(rng, t.size, 20))
    splutter = np.clip((since - end + SPLUTTER_S) / SPLUTTER_S, 0, 1)
    v *= 1 - 0.04 * splutter * rng.uniform(0, 1, t.size)
    v *= np.where(since > end, np.exp(-np.maximum(since - end, 0) / RUNDOWN_S), 1.0)
    v = np.where(since < 0, 0.0, v)
    rows = [
        (f"{s:.0f}", f"{u:.1f}", f"{u / RESISTANCE_OHM:.3f}") for s, u in zip(t, v, strict=True)
    ]
    weighed = FUEL_G + SCALE_SD_G * float(rng.standard_normal())
    return weighed, csv_text(("time_s", "voltage_v", "current_a"), rows)
