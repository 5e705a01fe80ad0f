"""The study: what `study.toml` may say, where the logs lie, and how results are written.

A study is a folder with `study.toml`, the raw logs, an optional `notes.csv`, and `computed/`.
`load_study` reads it; `roadlog.study.durable.atomic_write` is the one way that any file comes to
be.
"""

import datetime as dt
import difflib
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError, field_validator, model_validator

from roadlog.errors import InputError
from roadlog.physics.geodesic import place_fault
from roadlog.quantities.arms import Arm
from roadlog.quantities.fuelnames import FuelName
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import UnitChoice
from roadlog.study.car import Claim, Control, Device, Estimator, Positive, Vehicle, _Table
from roadlog.study.faults import first_fault, toml_fault
from roadlog.study.fleet import FleetRule

SwitchedBy = Literal["day", "run", "stretch"]
Order = Literal["lots", "pairs", "blocks", "turns", "none"]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
RoadType = Literal["motorway", "mixed", "town"]
T = TypeVar("T", bound=BaseModel)


class ScheduleUnit(_Table):
    """One switch unit of the schedule: a day (or a run file) and the arm it was given.

    `arm` is None as long as the schedule is sealed.
    """

    unit: dt.date | str
    arm: Arm | None = None
    block: int | None = None
    also: tuple[dt.date, ...] = ()  # later days in the same state, not units of their own


class Schedule(_Table):
    """`[schedule]`: what was switched, and whether chance decided the order.

    Within each block chance decides which units are fitted, among the orders in which no weekday
    has more than `weekday_limit` units more in one arm than in the other. `spending` lets an
    analysis before the last day decide, at the price of a wider interval. `sealed` is the SHA-256
    of the sealed schedule (`roadlog.plan.seal`), whose arms stand here only once it is opened;
    `dummy_days` of its baseline units are handled as if the add-on were switched.
    """

    switched_by: SwitchedBy = "day"
    randomised: bool = False
    seed: int | None = None
    weekday_limit: Annotated[int, Field(ge=0)] | None = None
    spending: Literal["none", "obrien-fleming"] = "none"
    sealed: Annotated[str, Field(pattern="^[0-9a-f]{64}$")] | None = None
    dummy_days: Annotated[int, Field(ge=0)] = 0
    unit: tuple[ScheduleUnit, ...] = ()

    @model_validator(mode="after")
    def _arms_all_or_sealed(self) -> "Schedule":
        bare = [u.unit for u in self.unit if u.arm is None]
        if bare and self.sealed is None:
            raise ValueError(f"switch unit {bare[0]} has no arm: write baseline or fitted")
        if bare and len(bare) < len(self.unit):
            raise ValueError(
                f"switch unit {bare[0]} has no arm though others have: a sealed schedule is opened "
                "as a whole, with roadlog unseal"
            )
        return self

    @property
    def shut(self) -> bool:
        """Whether its arms are still sealed."""
        return any(u.arm is None for u in self.unit)

    @model_validator(mode="after")
    def _no_unit_twice(self) -> "Schedule":
        seen = set[str]()
        for u in self.unit:
            for day in (u.unit, *u.also):
                if str(day) in seen:
                    raise ValueError(f"switch unit {day} is scheduled twice")
                seen.add(str(day))
        return self

    @property
    def days(self) -> list[dt.date]:
        """Every scheduled day; none if the units aren't days."""
        return sorted(d for u in self.unit for d in (u.unit, *u.also) if isinstance(d, dt.date))

    @property
    def stop_date(self) -> dt.date | None:
        """The last scheduled day, None if the units aren't days."""
        return max(self.days, default=None)


class Plan(_Table):
    """`[plan]`: what `roadlog plan` may use; the analysis never reads it.

    `no_switch` names weekdays or dates on which the car is driven but nobody can switch the
    add-on; on `closed` dates it isn't driven at all. On `dummy_days` baseline units of a sealed
    schedule the switcher handles the add-on as if to fit it, and leaves it out. `order` is drawn by
    chance, or "there-and-back" beside a control car: baseline, device, baseline, for an add-on that
    takes too long to switch by the day and can be taken out again.
    """

    start: dt.date | None = None
    days: Annotated[int, Field(ge=1, le=400)] = 20
    weekdays: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri")
    closed: tuple[dt.date, ...] = ()
    no_switch: tuple[Weekday | dt.date, ...] = ()
    runs_per_day: Annotated[int, Field(ge=1, le=50)] = 2
    km_per_run: Positive = 15.0
    road: RoadType = "mixed"
    block_size: Literal[2, 4] = 4
    days_per_unit: Annotated[int, Field(ge=1, le=14)] = 1
    switched_by_other: bool = False
    dummy_days: Annotated[int, Field(ge=0, le=200)] = 0
    order: Literal["chance", "there-and-back"] = "chance"


class ColumnRule(_Table):
    """One entry of `[columns]`: what a header of the log means, where it isn't plain."""

    signal: str
    unit: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _short_form(cls, value: Any) -> Any:
        return {"signal": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _known_signal(self) -> "ColumnRule":
        allowed = {*SIGNALS, "time", "date", "signal", "value", "unit", "ignore"}
        if self.signal not in allowed:
            near = difflib.get_close_matches(self.signal, allowed, n=1)
            hint = f": did you mean '{near[0]}'?" if near else ""
            raise ValueError(f"'{self.signal}' is no signal{hint}")
        return self


class TimeRule(_Table):
    """`[time]`: how the logs' clocks are to be read where the data can't tell."""

    zone: str | None = None
    day_first: bool | None = None
    column: str | None = None


class Logs(_Table):
    """`[logs]`: glob patterns, relative to the study's folder.

    `any` logs get their arm from the schedule by date; where neither arm's logs are named, those in
    `logs/baseline` and `logs/fitted` count beside them, with their folder's arm. `positions` are
    GPX tracks (or position logs) that supply latitude and longitude to runs whose own log has none.
    """

    baseline: tuple[str, ...] = ()
    fitted: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()


class Batch(_Table):
    """`[[batches]]`: one delivery of fuel, where it differs from the vehicle's declared fuel.

    What isn't given is taken from `fuel` or from the blend with `ethanol_pct`, else from the
    declared fuel.
    """

    name: str
    fuel: FuelName | None = None
    ethanol_pct: Annotated[float, Field(ge=0, le=100)] | None = None
    lhv_mj_kg: Annotated[float, Field(ge=20, le=50)] | None = None
    density_kg_m3: Annotated[float, Field(ge=600, le=1000)] | None = None

    @model_validator(mode="after")
    def _one_composition(self) -> "Batch":
        if self.fuel is not None and self.ethanol_pct is not None:
            raise ValueError(f"batch '{self.name}': give fuel or ethanol_pct, not both")
        return self


class Fill(_Table):
    """`[[fills]]` or a row of `fills.csv`: fuel pumped into the tank.

    `full` says whether the tank was filled to the same level as always. `price_per_l` serves
    `roadlog payback`. `unit` and `arm` are for
    cars without usable logs: the switch unit and arm whose fuel this full fill replaced.
    """

    time: dt.datetime | dt.date
    litres: Positive
    odometer_km: Annotated[float, Field(ge=0)] | None = None
    full: bool = True
    price_per_l: Positive | None = None
    batch: str | None = None
    temp_c: Annotated[float, Field(ge=-40, le=60)] | None = None
    unit: dt.date | str | None = None
    arm: Arm | None = None

    @field_validator("time", mode="before")
    @classmethod
    def _no_bare_number(cls, value: Any) -> Any:
        if isinstance(value, int | float):
            raise ValueError(f"{value} is no date: write 2026-03-02, or 2026-03-02T08:00")
        return value


class Can(_Table):
    """`[[cans]]` or a row of `cans.csv`: a can weighed before and after, for one run or unit."""

    before_kg: Positive
    after_kg: Annotated[float, Field(ge=0)]
    run: str | None = None
    unit: dt.date | str | None = None
    arm: Arm | None = None
    km: Positive | None = None
    batch: str | None = None

    @model_validator(mode="after")
    def _fuel_left_the_can(self) -> "Can":
        if self.after_kg >= self.before_kg:
            raise ValueError(
                f"a can that weighs {self.before_kg:g} kg before and {self.after_kg:g} kg after "
                "gave no fuel: swap or correct the two masses"
            )
        if (self.run is None) == (self.unit is None):
            raise ValueError("give exactly one of run and unit for each weighed can")
        return self


class LedgerRule(_Table):
    """`[ledger]`: how well fuel is measured outside the car.

    `pump_pct` is the pump meter's permitted error; `fill_repeatability_l` the standard deviation
    of the level that "full" means, by default what the tanks themselves show; `scale_error_kg` the
    standard deviation of one weighing.
    """

    pump_pct: Annotated[float, Field(ge=0, le=5)] = 0.5
    fill_repeatability_l: Annotated[float, Field(gt=0, le=20)] | None = None
    scale_error_kg: Annotated[float, Field(gt=0, le=1)] = 0.005


class RoadRule(_Table):
    """`[road]`: files, relative to the study's folder, that say more of the road than drives do.

    `altitude` is the surface that altitudes are above in logs that don't say; `geoid_height_m`, the
    geoid's height above the ellipsoid on the route, carries those above the ellipsoid to sea level.
    `same_route` says that runs without positions drive one route, or which logs drive which:
    route -> patterns of file names.
    """

    gates: str | None = None
    elevation: str | None = None
    altitude: Literal["sea level", "ellipsoid"] | None = None
    geoid_height_m: Annotated[float, Field(ge=-120, le=120)] | None = None
    same_route: bool | dict[str, tuple[str, ...]] = False

    @field_validator("same_route", mode="before")
    @classmethod
    def _one_pattern_or_more(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        if not value or any(not str(name).strip() for name in value):
            raise ValueError('name the routes, as { out = "*_out.csv", back = "*_back.csv" }')
        return {k: (v,) if isinstance(v, str) else v for k, v in value.items()}


class WeatherRule(_Table):
    """`[weather]`: where the weather comes from and what its station is like.

    `shelter` is what stands beside the route: `open` country, `hedges` and scattered trees, or
    `built-up` (houses or forest, where a station's wind says nothing of the car's). `station` is
    its latitude and longitude [°].
    """

    metar: str | None = None
    station: tuple[float, float] | None = None
    station_elevation_m: Annotated[float, Field(ge=-450, le=5500)] | None = None
    pressure: Literal["station", "sea level"] = "station"
    wind_height_m: Annotated[float, Field(ge=2, le=100)] = 10.0
    shelter: Literal["open", "hedges", "built-up"] = "open"

    @model_validator(mode="after")
    def _station_on_earth(self) -> "WeatherRule":
        if self.station is not None and (fault := place_fault(*self.station)):
            raise ValueError(f"{fault}: write station = [latitude, longitude], as [52.5, 13.4]")
        return self


class Circle(_Table):
    """One circle of `[privacy]`: all within `radius_m` [m] of a place [°] stays out of the public.

    What is published leaves out a larger disc about a drawn centre.
    """

    lat: float
    lon: float
    radius_m: Annotated[float, Field(ge=50, le=20_000)]

    @model_validator(mode="after")
    def _on_earth(self) -> "Circle":
        if fault := place_fault(self.lat, self.lon):
            raise ValueError(f"{fault}: write {{ lat = 52.5, lon = 13.4, radius_m = 500 }}")
        return self


class Privacy(_Table):
    """`[privacy]`: what `roadlog publish` has to leave out beside the ends of runs."""

    circles: tuple[Circle, ...] = ()


class Analysis(_Table):
    """`[analysis]`: choices fixed before the effect is computed.

    `exclude_if` are the words, agreed before the data, by which a noted deviation sets a run aside;
    `noted_covariates` the columns of notes.csv that may enter the model, none by default.
    """

    estimator: Estimator | None = None
    min_coverage: Annotated[float, Field(gt=0, le=1)] = 0.9
    segment_length_km: Annotated[float, Field(ge=0.2, le=5)] = 1.0
    min_runs_per_arm: Annotated[int, Field(ge=1)] = 2
    covariates: tuple[str, ...] | None = None
    noted_covariates: tuple[str, ...] = ()
    exclude_if: tuple[str, ...] = ()
    driver_knew_arm: bool | None = None

    @field_validator("exclude_if", "noted_covariates")
    @classmethod
    def _words_that_say_something(cls, words: tuple[str, ...]) -> tuple[str, ...]:
        plain = tuple(dict.fromkeys(" ".join(w.split()) for w in words))
        if any(not re.search(r"\w", w) for w in plain):
            raise ValueError('a blank word would fit nothing: write words, as ["trailer"]')
        return plain


class StandingStart(_Table):
    """`[standing_start]`: full-throttle starts; logs as in `[logs]` where none are named."""

    target_kmh: Annotated[float, Field(ge=30, le=250)] = 100.0
    baseline: tuple[str, ...] = ()
    fitted: tuple[str, ...] = ()
    any: tuple[str, ...] = ()
    switched_by: SwitchedBy | None = None
    randomised: bool | None = None
    grade_out_pct: Annotated[float, Field(ge=-10, le=10)] = 0.0
    alternating: bool = False
    starts_file: str | None = None
    only_starts: bool = False
    claim_quicker_pct: Positive | None = None
    claim_quicker_s: Positive | None = None
    claim_power_pct: Positive | None = None


class RunOuts(_Table):
    """`[runout]`: fixed-volume trials of a small engine."""

    file: str = "runout.csv"
    fuel: FuelName = "E10"
    randomised: bool = False
    fixed_end_state: bool = False
    claim_fuel_pct: Annotated[float, Field(gt=0, lt=100)] | None = None


class AddOnPower(_Table):
    """`[ceiling]`: what the add-on draws while it runs, and how it splits water if it does."""

    voltage_v: Positive | None = None
    current_a: Positive | None = None
    power_w: Positive | None = None
    in_series: Annotated[int, Field(gt=0)] = 1
    current_efficiency: Annotated[float, Field(gt=0, le=1)] = 0.9
    gas_ml_min: Positive | None = None
    gas_temp_c: float = 25.0
    gas_pressure_kpa: Positive = 101.325
    splits_water: bool = True


class Payback(_Table):
    """`[payback]`: what the add-on costs and how far the car goes.

    Without `fuel_price` (a litre) the latest fill with a price gives it.
    """

    price: Positive | None = None
    fuel_price: Positive | None = None
    km_per_year: Positive | None = None
    currency: str = ""
    claim_years: Positive | None = None


class Study(_Table):
    """The whole of `study.toml`.

    `units` are those of pages, screens and questions; results.json and passes.csv stay metric.
    """

    name: str = "study"
    synthetic: bool = False
    units: UnitChoice = "metric"
    labels: dict[Arm, str] = Field(default_factory=dict)
    vehicle: Vehicle = Vehicle()
    device: Device = Device()
    control: Control | None = None
    claim: Claim | None = None
    plan: Plan = Plan()
    schedule: Schedule | None = None
    logs: Logs = Logs()
    columns: dict[str, ColumnRule] = Field(default_factory=dict)
    time: TimeRule = TimeRule()
    road: RoadRule = RoadRule()
    weather: WeatherRule = WeatherRule()
    privacy: Privacy = Privacy()
    analysis: Analysis = Analysis()
    batches: tuple[Batch, ...] = ()
    fills: tuple[Fill, ...] = ()
    cans: tuple[Can, ...] = ()
    ledger: LedgerRule = LedgerRule()
    standing_start: StandingStart = StandingStart()
    runout: RunOuts = RunOuts()
    ceiling: AddOnPower = AddOnPower()
    payback: Payback = Payback()
    fleet: FleetRule | None = None

    @property
    def randomised(self) -> bool:
        """Whether the schedule says that chance decided the order of arms."""
        return bool(self.schedule and self.schedule.randomised)

    @property
    def shut(self) -> bool:
        """Whether the schedule's arms are still sealed."""
        return self.schedule is not None and self.schedule.shut

    @property
    def seed(self) -> int:
        """The schedule's seed, for the draws of the randomisation test; 1 without one."""
        return (self.schedule.seed if self.schedule else None) or 1

    def of_control_car(self) -> "Study":
        """The study as its control car sees it: its own car, no add-on, no arms, no fuel book."""
        vehicle = (self.control and self.control.vehicle) or self.vehicle
        device = self.device.model_copy(update={"washout_km": 0.0, "carry_over": "none"})
        bare = {"schedule": None, "claim": None, "control": None, "fills": (), "cans": ()}
        return self.model_copy(update={"vehicle": vehicle, "device": device, **bare})

    @model_validator(mode="after")
    def _no_batch_twice(self) -> "Study":
        names = [b.name for b in self.batches]
        twice = [n for n in names if names.count(n) > 1]
        if twice:
            raise ValueError(f"batch '{twice[0]}' is described twice in [[batches]]: keep one")
        return self

    def label(self, arm: str | None) -> str:
        """The user's word for an arm; nothing for one that is sealed."""
        return {str(k): v for k, v in self.labels.items()}.get(arm or "", arm or "")


def parse_study(given: str | Mapping[str, object], where: str = "study.toml") -> Study:
    """A study from the text of a `study.toml`, or from a dictionary of the same shape.

    Raises
    ------
    InputError
        On TOML that can't be read, an unknown key (with the nearest known one) or a bad value.

    >>> parse_study('name = "collar"').name
    'collar'
    >>> parse_study({"vehicle": {"fuel": "E10"}, "claim": {"economy_pct": 12}}).vehicle.fuel
    'E10'
    """
    try:
        data = tomllib.loads(given) if isinstance(given, str) else dict(given)
    except RecursionError as e:
        raise InputError(f"{where}: tables or lists nested too deeply: write it flat") from e
    except ValueError as e:  # also of a number with thousands of digits
        raise InputError(f"{where}: {toml_fault(e, str(given))}") from e
    try:
        return Study.model_validate(data)
    except ValidationError as e:
        raise InputError(f"{where}: {first_fault(e, Study)}") from e


def override(
    study: Study,
    *,
    vehicle: Mapping[str, object],
    device: Mapping[str, object],
    claim: Mapping[str, float] | None = None,
) -> Study:
    """The study with vehicle, device and claim of the command line in place of its own.

    Raises
    ------
    InputError
        If a value is impossible.
    """
    try:
        changes: dict[str, object] = {
            "vehicle": Vehicle.model_validate({**study.vehicle.model_dump(), **vehicle}),
            "device": Device.model_validate({**study.device.model_dump(), **device}),
        }
        if claim is not None:
            changes["claim"] = Claim.model_validate(dict(claim))
    except ValidationError as e:
        raise InputError(f"command line: {first_fault(e, Study)}") from e
    return study.model_copy(update=changes)


def column_rules(given: Sequence[str]) -> dict[str, ColumnRule]:
    """Rules of `--column 'HEADER=signal[unit]'`, as `[columns]` of study.toml holds them.

    Raises
    ------
    InputError
        If one isn't of that form, names no signal, or names a header twice.

    >>> column_rules(["V=speed_kmh[mph]"])["V"].unit
    'mph'
    """
    rules: dict[str, ColumnRule] = {}
    for text in given:
        header, _, meant = text.rpartition("=")
        found = re.fullmatch(r"\s*([\w ]+?)\s*(?:\[\s*([^\[\]]+?)\s*\])?\s*", meant)
        if not header.strip() or not found:
            raise InputError(
                f"--column '{text}': write it as 'HEADER=signal[unit]', such as "
                "'Speed 2=speed_kmh[mph]' or 'Speed 2=ignore'"
            )
        if header.strip() in rules:
            raise InputError(f"--column: '{header.strip()}' is named twice: name it once")
        try:
            rule = ColumnRule.model_validate({"signal": found[1], "unit": found[2]})
        except ValidationError as e:
            raise InputError(f"--column '{text}': {first_fault(e, ColumnRule)}") from e
        rules[header.strip()] = rule
    return rules
