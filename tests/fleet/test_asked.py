"""What is asked of one car before a word is asked of every vehicle of a fleet, on its own logs."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.fleet.doubts import accessory_differed
from roadlog.quantities.against import Against
from roadlog.stats.interval import Interval
from tests.fleet.of_logs import tables_of


def test_a_vehicle_whose_logs_cant_carry_a_word_is_in_doubt_and_no_other_is(
    fleet_maker: Callable[..., Path], tmp_path: Path
) -> None:
    root = fleet_maker(vehicles=3, days=8)
    schedule = pd.read_csv(root / "schedule.csv").set_index(["vehicle", "day"])["arm"]
    one, other = sorted((root / "cars" / "car 1" / "logs").glob("*.csv"))[:2]
    air = next(c for c in pd.read_csv(one).columns if "mass" in c.lower() or "maf" in c.lower())
    pasted = pd.read_csv(other)
    pasted[air] = pd.read_csv(one)[air]
    pasted.to_csv(other, index=False)
    for log in (root / "cars" / "car 2" / "logs").glob("*.csv"):
        if schedule["car 2", log.stem] == "fitted":
            drive = pd.read_csv(log)
            places = [c for c in drive.columns if "latitude" in c or "longitude" in c]
            drive.loc[100:330, places] = np.nan
            drive.to_csv(log, index=False)
    records = {r.vehicle: r for r in tables_of(root, tmp_path).records}
    codes = {v: {code for _, code in r.doubts} for v, r in records.items()}
    assert codes["car 0"] == set()
    assert codes["car 1"] == {"COPIED"}
    assert codes["car 2"] == {"LITTLE_ROAD"}


def test_an_accessory_that_took_more_of_the_fuel_in_one_arm_forbids_a_word() -> None:
    (more,) = accessory_differed(Interval(1.2, 0.4, 2.0))
    assert more.plain == Against.COOLING_MORE()
    (less,) = accessory_differed(Interval(-1.2, -2.0, -0.4))
    assert less.plain == Against.COOLING_LESS()
    for harmless in (Interval(0.2, 0.1, 0.3), Interval(1.2, -0.1, 2.5), Interval(1.2, None, None)):
        assert accessory_differed(harmless) == []
