"""What is asked of one car before a word is asked of every vehicle of a fleet, on its own logs."""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from roadlog.fleet.doubts import accessory_differed
from roadlog.fleet.vehicles import Arms, Assigned
from roadlog.quantities.against import Against
from roadlog.stats.interval import Interval
from tests.fleet.of_logs import tables_of


def test_a_vehicle_whose_logs_cant_carry_a_word_is_in_doubt_and_no_other_is(
    fleet_maker: Callable[..., Path], tmp_path: Path
) -> None:
    root = fleet_maker(vehicles=4, days=6)
    table = pd.read_csv(root / "schedule.csv")
    schedule = table.set_index(["vehicle", "day"])["arm"]
    late = table["vehicle"] == "car 3"
    earlier = (pd.to_datetime(table["day"]) - pd.Timedelta(days=1)).dt.strftime("%F")
    table.assign(day=table["day"].where(~late, earlier)).to_csv(root / "schedule.csv", index=False)
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
    assert "a day earlier: its clock or its zone seems a day off" in records["car 3"].why_not


def test_an_accessory_that_took_more_of_the_fuel_in_one_arm_forbids_a_word() -> None:
    (more,) = accessory_differed(Interval(1.2, 0.4, 2.0))
    assert more.plain == Against.COOLING_MORE()
    (less,) = accessory_differed(Interval(-1.2, -2.0, -0.4))
    assert less.plain == Against.COOLING_LESS()
    for harmless in (Interval(0.2, 0.1, 0.3), Interval(1.2, -0.1, 2.5), Interval(1.2, None, None)):
        assert accessory_differed(harmless) == []


def test_drives_that_are_all_there_a_day_earlier_have_a_clock_that_is_a_day_off() -> None:
    planned = [f"{d:%F}" for d in pd.bdate_range("2026-03-02", periods=15)]
    arms = Arms(days={d: Assigned("baseline", d) for d in planned})

    def read(late: int, days: Sequence[str] = planned) -> int:
        return arms.shifted({f"{pd.Timestamp(d) + pd.Timedelta(days=late):%F}" for d in days})

    assert [read(0), read(1), read(-1), read(3)] == [0, 1, -1, 0]
    assert read(0, planned[::2]) == 0
    saturdays = ["2026-03-07", "2026-03-14", "2026-03-21"]
    assert read(0, [*planned, *saturdays]) == 0
    assert Arms(fitted_from="2026-03-09").shifted({"2026-03-02"}) == 0
