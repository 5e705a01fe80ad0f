"""The car, the add-on and the claim, as `study.toml` names them."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from roadlog.physics.roadload import CLASSES, RoadLoad, VehicleClass, road_load_of
from roadlog.quantities.fuelnames import FuelName

Estimator = Literal[
    "rate", "injection", "maf", "maf-trims", "absolute-load", "speed-density",
    "speed-density-trims", "ledger",
]  # fmt: skip

Place = Literal["intake", "fuel", "oxygen-sensor", "electrical", "aero-or-rolling", "other"]
Positive = Annotated[float, Field(gt=0)]

POSSIBLE = {  # of [vehicle]: lowest, highest, unit, why; common practice, no source
    "mass_kg": (100.0, 60_000.0, "kg", "a moped with its rider weighs more, a road train less"),
    "displacement_l": (
        0.02,
        30.0,
        "litres, as 1.8, not cubic centimetres,",
        "the smallest petrol engines have 0.02 litres, the largest on roads under 30",
    ),
    "cylinders": (1, 18, "cylinders", "no engine on a road has more"),
    "cda_m2": (0.1, 15.0, "m²", "a rider lying down has more, the bluffest lorry less"),
    "crr": (0.002, 0.1, "the coefficient", "a steel wheel on a rail rolls as easily as 0.002"),
    "tank_l": (0.2, 3000.0, "litres", "a model engine's tank holds less, a road train's too"),
}


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Vehicle(_Table):
    """`[vehicle]`: declared before data; defaults are a mid-size petrol car.

    `class` takes mass and road load of `roadload.CLASSES` where they aren't given. `road_load` is
    A [N], B [N s/m], C [N s²/m²] at 20 °C and 98.21 kPa, in place of `cda_m2` and `crr`;
    `coastdown` names a log from which it is fitted.
    """

    model_config = ConfigDict(populate_by_name=True)

    fuel: FuelName = "E10"
    displacement_l: Positive | None = None
    cylinders: Annotated[int, Field(gt=0)] | None = None
    mass_kg: Positive = 1500.0
    cda_m2: Positive = 0.68
    crr: Positive = 0.010
    aspiration: Literal["natural", "turbo"] = "natural"
    vehicle_class: VehicleClass | None = Field(default=None, alias="class")
    road_load: tuple[Positive, float, Positive] | None = None
    coastdown: str | None = None
    tank_l: Positive | None = None
    fuel_scale: Annotated[float, Field(ge=0.5, le=2)] = 1.0

    @property
    def resistance(self) -> RoadLoad:
        """Mass and road load as numbers, for `roadlog.physics`."""
        if self.road_load is None:
            return road_load_of(self.mass_kg, self.crr, self.cda_m2)
        return RoadLoad(self.mass_kg, *self.road_load)

    @model_validator(mode="before")
    @classmethod
    def _of_class(cls, data: Any) -> Any:
        name = data.get("class", data.get("vehicle_class")) if isinstance(data, dict) else None
        if not isinstance(name, str) or name not in CLASSES:
            return data
        usual = CLASSES[name]
        filled = {"mass_kg": usual.mass_kg, **data}
        if not {"cda_m2", "crr", "road_load"} & set(data):
            filled["road_load"] = tuple(usual[1:])
        return filled

    @model_validator(mode="after")
    def _one_road_load(self) -> "Vehicle":
        if (
            self.coastdown is not None
            and self.road_load is not None
            and (self.vehicle_class is None)
        ):
            raise ValueError("give road_load or coastdown, not both")
        return self

    @model_validator(mode="after")
    def _possible(self) -> "Vehicle":
        for name, (low, high, unit, why) in POSSIBLE.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise ValueError(
                    f"{name} = {value:g} is no vehicle on a road: {why}; give {unit} between "
                    f"{low:g} and {high:g}"
                )
        return self


class Control(_Table):
    """`[control]`: a second car, on the same days and road, that never has the add-on.

    `logs` are patterns as in `[logs]`; a log that they name is no run of the test car. `notes` is
    its own table of notes, as notes.csv is the test car's. `vehicle` is by default the test car's:
    two of one kind.
    """

    name: str = "control car"
    logs: tuple[str, ...] = ("logs/control/*",)
    notes: str = "control_notes.csv"
    vehicle: Vehicle | None = None

    @field_validator("logs")
    @classmethod
    def _named(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        if not patterns:
            raise ValueError('name the control car\'s logs, as ["logs/control/*"]')
        return patterns


class Device(_Table):
    """`[device]`: the add-on under test and where it acts.

    `acts_on` decides which fuel figure it can't bend (`roadlog.fuel.sight`). `other` is a place
    that touches neither intake nor fuel nor sensors; None means that nobody said.
    """

    name: str = "add-on"
    acts_on: Place | None = None
    carry_over: Literal["none", "washes out", "permanent"] = "none"
    washout_km: Annotated[float, Field(ge=0)] = 0.0


class Claim(_Table):
    """`[claim]`: what the seller promises, in the seller's own quantity, as a positive number.

    `economy_pct = 12` is 12 % more distance per fuel; `fuel_pct = 10` is 10 % less fuel.
    """

    economy_pct: Annotated[float, Field(ge=-90, le=1000)] | None = None
    fuel_pct: Annotated[float, Field(ge=-900, le=99)] | None = None

    @model_validator(mode="after")
    def _one_quantity(self) -> "Claim":
        if (self.economy_pct is None) == (self.fuel_pct is None):
            raise ValueError("give exactly one of economy_pct and fuel_pct")
        return self

    @property
    def fuel_use_change_pct(self) -> float:
        """The claim as a change of fuel use [%], negative = less fuel."""
        if self.economy_pct is not None:
            return 0.0 - 100 * self.economy_pct / (100 + self.economy_pct)
        assert self.fuel_pct is not None
        return 0.0 - self.fuel_pct

    @property
    def words(self) -> str:
        """The claim in the seller's quantity and, where that isn't fuel, in fuel too.

        >>> Claim(economy_pct=12).words
        '12 % more distance per fuel (10.7 % less fuel)'
        """
        in_fuel = fuel_words(self.fuel_use_change_pct)
        if self.economy_pct is None:
            return in_fuel
        return f"{_more_or_less(self.economy_pct)} distance per fuel ({in_fuel})"

    @property
    def as_change(self) -> str:
        """The claim as a signed change.

        >>> Claim(economy_pct=12).as_change
        '+12 % fuel economy, which is -10.7 % fuel use'
        """
        c = self.fuel_use_change_pct
        if self.economy_pct is not None:
            return f"{self.economy_pct:+g} % fuel economy, which is {c:+.1f} % fuel use"
        return f"{c:+g} % fuel use"


NO_CHANGE = Claim(fuel_pct=0)  # what a change of either sign is held against


def fuel_words(change_pct: float) -> str:
    """A claimed change of fuel as a seller says it.

    >>> fuel_words(-10.0), fuel_words(-10.714)
    ('10 % less fuel', '10.7 % less fuel')
    """
    return f"{_more_or_less(change_pct)} fuel"


def _more_or_less(pct: float) -> str:
    return f"{round(abs(pct), 1):g} % {'more' if pct > 0 else 'less'}"
