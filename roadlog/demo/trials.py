"""The trials beside the road test, for the demonstration: what each needs, with known truth.

The planned days and a seed go in; the files of standing starts, run-outs, pictures and readings
come out, with the tables of `study.toml` that name them and the truth behind them. It feeds the
generator behind `roadlog demo --trials` and implements no part of the method.
"""

import datetime as dt
from dataclasses import dataclass, field, replace

import numpy as np

from roadlog.demo import cell, photos, runouts, starts
from roadlog.demo.schedule import Day

PRICE, CURRENCY, KM_PER_YEAR, CLAIM_YEARS = 89, "EUR", 14_000, 1
CELL_FILE, CELL_FUEL_L_H, CELL_CLAIM_PCT, CELLS_IN_SERIES = "cell_readings.csv", 3, 20, 6
SATURDAY = 5


@dataclass(frozen=True)
class Trials:
    """What the trials add to the study's folder; nothing by default.

    `files` by name; `toml` further tables of `study.toml`; `days` on which starts were driven,
    for the weather; `truth` for `truth.json`; `readme` further lines.
    """

    files: dict[str, bytes] = field(default_factory=dict)
    toml: str = ""
    days: tuple[Day, ...] = ()
    truth: dict[str, object] = field(default_factory=dict)
    readme: str = ""


def make_trials(
    planned: list[Day],
    seed: int,
    *,
    power_pct: float = starts.POWER_PCT,
    fuel_pct: float = runouts.FUEL_PCT,
    gps: bool = True,
) -> Trials:
    """Standing starts, run-outs, pictures, readings and a price, all invented.

    Parameters
    ----------
    planned : list of Day
        The days of the road test; the starts are driven on the Saturday after the last.
    seed : int
        Random numbers of its own, so that the road test is the same with and without trials.
    power_pct : float [%]
        True change of full-throttle power.
    fuel_pct : float [%]
        True change of the small engine's fuel at equal load.
    gps : bool
        Whether the starts' logs hold positions.
    """
    rngs = [np.random.default_rng(s) for s in np.random.SeedSequence([seed, 1]).spawn(5)]
    day = _saturday(planned[-1], rngs[0])
    start_logs, start_truth = starts.starts_of_a_morning(day, rngs[1], power_pct=power_pct, gps=gps)
    run_outs, run_out_truth = runouts.run_outs(rngs[2], fuel_pct=fuel_pct)
    pictures, picture_truth = photos.pictures(rngs[3])
    readings, cell_truth = cell.cell_readings(rngs[4])
    texts = {f"starts/{name}": text for name, text in start_logs.items()}
    texts |= {**run_outs, CELL_FILE: readings}
    return Trials(
        files={**{name: text.encode() for name, text in texts.items()}, **pictures},
        toml=_tables(gps=gps),
        days=(day,),
        truth={
            "standing_start": start_truth,
            "runout": run_out_truth,
            "inspection": picture_truth,
            "ceiling_of_the_cell": cell_truth,
            "payback": "follows from the road test's effect",
        },
        readme=README,
    )


def commands(folder: str) -> list[str]:
    """What to run, in this order, to see the whole claim."""
    return [
        f"roadlog analyze {folder}",
        f"roadlog standing-start {folder}",
        f"roadlog runout {folder}",
        f"roadlog inspect prepare {folder}/photos/pairs.csv --out {folder}/blind --seed 1",
        f"roadlog inspect unblind {folder}/blind --scores {folder}/scores/*.csv "
        f"--meaning 'more deposit' --claim 'cleans the valves' --study {folder}",
        f"roadlog payback {folder}",
        f"roadlog engine-signals {folder}",
        f"roadlog analyze {folder}",
    ]


def cell_command(folder: str) -> str:
    """The energy ceiling of the other invented add-on."""
    return (
        f"roadlog ceiling --readings {folder}/{CELL_FILE} --cells {CELLS_IN_SERIES} "
        f"--fuel-l-h {CELL_FUEL_L_H} --claim-economy {CELL_CLAIM_PCT}"
    )


def _saturday(last: Day, rng: np.random.Generator) -> Day:
    ahead = (SATURDAY - last.date.weekday()) % 7
    warmer, wind, veer = rng.standard_normal(3)
    return replace(
        last,
        date=last.date + dt.timedelta(days=ahead),
        morning_c=last.morning_c + warmer,
        wind_m_s=abs(1.8 + 0.8 * wind),
        wind_from_deg=(255 + 60 * veer) % 360,
    )


def _tables(*, gps: bool) -> str:
    return f"""
[standing_start]
target_kmh = {starts.TARGET_KMH:.0f}
baseline = ["starts/*_baseline.csv"]
fitted = ["starts/*_fitted.csv"]
switched_by = "run"
randomised = true
{"" if gps else "alternating = true" + chr(10)}claim_power_pct = {starts.CLAIM_POWER_PCT:g}

[runout]
randomised = true
fixed_end_state = true
claim_fuel_pct = {runouts.CLAIM_FUEL_PCT:g}

[payback]
price = {PRICE}
currency = "{CURRENCY}"
km_per_year = {KM_PER_YEAR}
claim_years = {CLAIM_YEARS}
"""


README = f"""
starts/       standing starts on an invented airstrip: four each time that the collar was put in or
              taken out, there and back in turn; their weather is in weather.csv
runout.csv    run-outs of an invented small generator, a row a trial; runout/ has the load readings
photos/       drawn pictures of invented valves; a pair shows the same deposit twice
scores/       score sheets of two invented scorers, by chance: they fit any shuffle. Better: copy
              the empty sheet and score the pictures yourself
{CELL_FILE}   volts and amperes of another invented add-on, a cell that splits water. The
              collar has no wire: an energy ceiling has nothing to ask of it
"""
