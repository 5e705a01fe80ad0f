"""What stands under the answer: how much was driven, when, who switched, what was agreed before.

An `Analysed` goes in, labels with one short line each come out, without statistics.
"""

from roadlog.analysis.result import Analysed
from roadlog.quantities.arms import ARMS
from roadlog.quantities.fuelnames import FUEL_NAMES
from roadlog.study.car import Vehicle
from roadlog.wording.numbers import number
from roadlog.wording.units import told

_UNITS = {"day": ("day", "days"), "run": ("drive", "drives"), "stretch": ("stretch", "stretches")}
_FUELS = {name: f"petrol {name}" for name in FUEL_NAMES} | {
    "diesel": "diesel", "E0": "petrol without ethanol", "E85": "E85"
}  # fmt: skip


def first_lines(analysed: Analysed) -> list[tuple[str, str]]:
    """Driven, distance, car, dates, switching, what the driver knew, what was agreed."""
    a = analysed
    lines = [
        ("Driven", _driven(a)),
        ("Distance", _distance(a)),
        ("Car", car(a.study.vehicle)),
        ("Beside it", _control(a)),
        ("Dates", period(a) or "not known: the logs hold none"),
        ("Switched", _switched(a)),
        ("Driver", driver_knew(a)),
        ("Agreed first", _agreed(a)),
    ]
    return [(label, text) for label, text in lines if text]


def period(analysed: Analysed) -> str | None:
    """First and last day driven; None without dates."""
    starts = analysed.runs["start"].dropna()
    if starts.empty:
        return None
    first, last = f"{starts.min():%Y-%m-%d}", f"{starts.max():%Y-%m-%d}"
    return first if first == last else f"{first} to {last}"


def car(vehicle: Vehicle) -> str:
    """The car as it was declared.

    >>> car(Vehicle(displacement_l=1.8, cylinders=4, mass_kg=1310))
    '1.8 L, 4 cylinders, petrol E10, 1,310 kg with load'
    """
    parts = []
    if vehicle.displacement_l is not None:
        parts.append(f"{vehicle.displacement_l:g} L")
    if vehicle.cylinders is not None:
        parts.append(f"{vehicle.cylinders} cylinder{'s' * (vehicle.cylinders > 1)}")
    if vehicle.aspiration == "turbo":
        parts.append("turbo")
    return ", ".join((*parts, _FUELS[vehicle.fuel], f"{vehicle.mass_kg:,.0f} kg with load"))


def driver_knew(analysed: Analysed) -> str:
    """Whether the driver knew when the add-on was in: 'blind' only where a seal shows it."""
    blinding, knew = analysed.blinding, analysed.study.analysis.driver_knew_arm
    if blinding is not None and blinding.blind:
        return "Blind: the order was sealed before the first drive and opened after the last."
    if blinding is not None and blinding.kept != "not sealed":
        return "Not shown to be blind, though the order was sealed; the annex says why."
    if knew is None:
        return "The study doesn't say whether the driver knew when the add-on was in."
    if knew:
        return "The driver knew when the add-on was in."
    return "By the study's word the driver didn't know when the add-on was in; nothing shows it."


def counted_units(analysed: Analysed, arm: str) -> str:
    """'6 days' of an arm, in the word for what was switched."""
    totals = analysed.baseline if arm == "baseline" else analysed.fitted
    one, many = _UNITS.get(analysed.switched_by, ("switch unit", "switch units"))
    return f"{totals.switch_units} {one if totals.switch_units == 1 else many}"


def unit_words(analysed: Analysed) -> str:
    """'days', or whatever was switched."""
    return _UNITS.get(analysed.switched_by, ("", "switch units"))[1]


def _driven(a: Analysed) -> str:
    each = " and ".join(f"{counted_units(a, arm)} {a.study.label(arm)}" for arm in ARMS)
    if a.fuel_estimator == "ledger":
        return f"{each}, fuel and distance only"
    used = int(a.runs["used"].astype(bool).sum())
    return f"{each}, {used} drives" if a.switched_by != "run" else each


def _distance(a: Analysed) -> str:
    used = a.baseline.km + a.fitted.km
    if a.road_use is None:
        return f"{number(used, 0)} km"
    driven = sum(mine.driven_km for mine in a.road_use.arms.values())
    return f"{told(driven, 'km')}, of which {told(used, 'km')} could be compared"


def _switched(a: Analysed) -> str:
    how = {"day": "by the day", "run": "by the drive", "stretch": "stretch by stretch"}
    d = None if a.control is None else a.control.difference
    if d is not None and d.design != "switched":
        first = d.pairs["arm"].iloc[0] == "baseline"
        order = "first without, then with it" if first else "first with it, then without"
        back = ", then as at first" if d.design == "baseline-device-baseline" else ""
        return f"Not by the day: {order}{back}; chance did not draw the order"
    by = " by somebody else" if a.study.plan.switched_by_other else ""
    what = how.get(a.switched_by, f"by {a.switched_by}")
    order = "chance drew the order" if a.study.randomised else "chance did not draw the order"
    return f"{what[0].upper()}{what[1:]}{by}; {order}"


def _control(a: Analysed) -> str:
    """The control car, where one is declared."""
    c = a.control
    if c is None:
        return ""
    if c.difference is None:
        return f"{c.name}, a control car, which can't be used: see below"
    n = len(c.difference.pairs)
    unit = "day" if c.difference.design != "switched" else a.switched_by
    return (
        f"{c.name}, a control car without it, on {n} {unit}{'' if n == 1 else 's'}; the answer is "
        "what the test car did beyond it"
    )


def _agreed(a: Analysed) -> str:
    o = a.oversight
    if o is None or o.registered_at is None:
        return "Nothing was put on record before the test."
    day = o.registered_at[:10]
    if o.registered_late:
        return f"The analysis was put on record only on {day}, after the add-on's first drive."
    said = f"How to analyse was put on record on {day}, before the add-on's first drive"
    return f"{said}; what was changed since is in the annex." if o.changes else f"{said}."
