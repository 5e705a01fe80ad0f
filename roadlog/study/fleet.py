"""`[fleet]` of study.toml: where many vehicles' logs lie, and how the add-on was switched."""

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field, model_validator

from roadlog.study.car import _Table

Switching = Literal["within", "vehicle", "rollout"]


class FleetRule(_Table):
    """`[fleet]`: many vehicles, one question.

    `logs` are patterns of files; the first folder or name with a `*` in it is the vehicle, else the
    part that `{vehicle}` stands for. `data` is a Parquet file or a folder of them instead, with the
    vehicle in the column `vehicle_column` or in the folders' names (`vehicle=…/month=…`).
    `vehicles` is a table kept by hand of what each vehicle is; `schedule` one with vehicle, day and
    arm; `fills` one of the fuel that was filled, with vehicle, date, time, litres and odometer.
    `switched`: `within` each vehicle by day, by `vehicle` for good, or by `rollout`: every one
    without the add-on first, each with it from its own day on. `strata` and `group` are headings
    of the table of vehicles: chance dealt within `strata`; an effect by `group` was planned.
    """

    logs: tuple[str, ...] = ()
    data: str | None = None
    vehicle_column: str | None = None
    run_column: str | None = None
    vehicles: str = "vehicles.csv"
    schedule: str | None = None
    fills: str = "fills.csv"
    switched: Switching = "within"
    randomised: bool = False
    baseline_until: dt.date | None = None
    period_days: Annotated[int, Field(ge=1, le=366)] = 7
    strata: str | None = None
    group: str | None = None

    @model_validator(mode="after")
    def _one_source(self) -> "FleetRule":
        if self.logs and self.data is not None:
            raise ValueError("give logs or data, not both")
        if self.baseline_until is not None and self.switched != "vehicle":
            raise ValueError("baseline_until belongs to vehicles in one arm for good")
        return self
