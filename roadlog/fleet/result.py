"""What a fleet's test found, as frozen data classes that become JSON by themselves."""

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from roadlog.effect.result import HeldEqual
from roadlog.fleet.closed import FilledFuel
from roadlog.quantities.facts import Fact, Warned
from roadlog.stats.interval import Finding, Interval, NamedInterval, Randomisation
from roadlog.wording.forest import said_rows
from roadlog.wording.shown import Said, Shown


@dataclass(frozen=True)
class GroupEffect:
    """The fleet's effect within one planned group [% fuel use], and how many vehicles it has."""

    group: str
    vehicles: int
    effect: Interval


@dataclass(frozen=True)
class ArmUse:
    """What one arm burned over the road that is compared: sums over vehicles."""

    l_per_100km: float
    km: float
    vehicles: int
    switch_units: int


@dataclass(frozen=True, repr=False)
class FleetResult(Shown):
    """The fleet's effect, its spread between vehicles, and what the next vehicle may get.

    All intervals are percent of fuel use unless they say otherwise; negative is less fuel.

    Attributes
    ----------
    design : str
        `within`, `vehicle` or `rollout`.
    effect : Interval
        Mean over vehicles, at equal driving.
    total : Interval
        The same with the driving as it was.
    spread : Interval or None
        Standard deviation of the vehicles' own effects [% fuel use]; None where the design
        can't tell it.
    next_vehicle : Interval or None
        Where the own effect of the next vehicle of this kind lies.
    next_reading : Interval or None
        Where its figure would lie, were it tested like these.
    vehicles : DataFrame
        A row a vehicle: `vehicle`, `group`, `switch_units`, `fitted_units`, `estimate`, `low`,
        `high` (its own effect, drawn to the fleet's by as much as its noise asks), `raw` (its
        contrast alone), `weight`, `without`, `without_low`, `without_high` (the fleet's effect if
        it is left out), `outlying`, `l_per_100km_change`, `mpg_us_change`.
    left_out : DataFrame
        `vehicle`, `why`: what said nothing.
    exposure : DataFrame
        Of a roll-out: `periods` since the add-on came, `estimate`, `low`, `high`, `vehicles`.
    filled : FilledFuel or None
        The computed fuel held against fills; None without any.
    against_change : tuple
        What forbids to say that fuel use changed, as clauses, beside what the vehicles show.
    """

    design: str
    effect: Interval
    total: Interval
    spread: Interval | None
    next_vehicle: Interval | None
    next_reading: Interval | None
    baseline: ArmUse
    fitted: ArmUse
    economy_pct: Interval
    economy_mpg_us: Interval
    l_per_100km: Interval
    vehicles: pd.DataFrame
    left_out: pd.DataFrame
    forest: tuple[NamedInterval, ...]
    randomisation: Randomisation | None
    held: HeldEqual
    finding: Finding
    smallest_detectable_pct: float
    n_vehicles: int
    n_units: int
    n_passes: int
    by_group: tuple[GroupEffect, ...] = ()
    exposure: pd.DataFrame = field(default_factory=pd.DataFrame)
    warnings: tuple[Warned, ...] = ()
    against_change: tuple[Fact | str, ...] = ()
    filled: FilledFuel | None = None

    def to_json(self) -> dict[str, Any]:
        """Everything as plain dictionaries, lists, numbers and None."""
        return {f.name: _plain(getattr(self, f.name)) for f in dataclasses.fields(self)}

    def rows(self) -> list[NamedInterval]:
        """Rows of the interval plot, the fleet's effect first."""
        return list(self.forest)

    def _said(self) -> Said:
        title = f"Change of fuel use, %: {self.n_vehicles} vehicles"
        return said_rows(title, self.rows(), self.finding.reasons)


def _plain(value: Any) -> Any:
    if isinstance(value, Fact):
        return str(value)
    if isinstance(value, pd.DataFrame):
        return [_plain(row) for row in value.to_dict(orient="records")]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, bool | int) else str(value)
