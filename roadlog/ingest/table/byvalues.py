"""The unit of a column that names none, from its values, where physics leaves one.

In come a log's claims and its clock; out come the same claims, those in another unit than the
signal's own said so and noted, and for each what its values allow. A unit is ruled out only by
what no car can do; where the own unit is ruled out and several others are left, it is asked for.
`roadlog.ingest.alike` holds the findings of all logs of a study together. The bounds are common
practice without a source unless one stands beside them; docs/logs.md lists them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from roadlog.ingest.facts import LeftOpen, Repair, Unclear
from roadlog.ingest.log import ColumnMatch, UnitEvidence, shown
from roadlog.ingest.text.rivals import Claim
from roadlog.physics.atmosphere import standard_pressure
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import UNITS, convert, unit_symbol

_LEAST_VALUES = 30
_LEAST_COLD_S = 1200.0  # an engine that was driven for twenty minutes is warm
_DRIVEN_KMH = 40.0
_OUTLIERS = 0.005  # of the values at either end, for glitches

# In the signal's own unit: what its bulk can lie between over a log, (least, most).
_COOLANT_C = (-45.0, 132.0)  # under its cap it boils near there
_OIL_C = (-45.0, 170.0)
_INTAKE_C = (-50.0, 110.0)
_OUTSIDE_C = (-60.0, 58.0)  # WMO archive of extremes: 56.7 °C at the highest, 1913
_DRIVEN_COOLANT_C = 50.0
_MANIFOLD_KPA = (12.0, 400.0)
_DRIVEN_MANIFOLD_KPA = 40.0  # what pulling away takes at the least
_BARO_KPA = (56.0, 108.0)  # 4,700 m to 1,080 hPa
_RPM = (250.0, 12000.0)
_VOLTS = (5.0, 65.0)
_HIGHEST_ROAD_M = 6000.0
_PRESSURE_SLACK_KPA = 7.0  # weather moves it by 4 on most days, and sensors differ by 2
_LEAST_FRACTIONS = 8  # values in 0 … 1: SAE J1979 writes percent in steps of 100/255
_LEAST_FRACTIONS_SLOW = 5
_LEAST_LATTICE = 20  # of distinct values: by chance once in 10⁵ columns of °C
_MOST_RESIDUES = 7
_LATTICES = ({0, 2, 4, 5, 7}, {0, 1, 3, 5, 7}, {0, 2, 4, 6, 8})  # of °F from whole °C, modulo 9

_TEMPERATURES = {
    "coolant_temp_c": _COOLANT_C,
    "oil_temp_c": _OIL_C,
    "intake_air_temp_c": _INTAKE_C,
    "ambient_temp_c": _OUTSIDE_C,
}
_SHARES = {
    "throttle_pct": _LEAST_FRACTIONS,
    "pedal_pct": _LEAST_FRACTIONS,
    "engine_load_pct": _LEAST_FRACTIONS,
    "fuel_level_pct": _LEAST_FRACTIONS_SLOW,
    "humidity_pct": _LEAST_FRACTIONS_SLOW,
}
_PRESSURES = ("psi", "inhg", "bar", "hpa", "pa")
_ANGLES = ("lat_deg", "lon_deg")


@dataclass(frozen=True)
class _Drive:
    """What the bounds need to know of the log: how long, and whether it was driven."""

    seconds: float
    driven: bool


def units_by_values(
    claims: Sequence[Claim], t_s: Floats, notes: list[Fact]
) -> tuple[list[Claim], tuple[UnitEvidence, ...]]:
    """Claims in the units that their values allow, and what those allow.

    Parameters
    ----------
    claims : sequence of Claim
        Values as written; only columns whose header gives no unit are looked at.
    t_s : array, shape (rows,) [s]

    Returns
    -------
    claims : list of Claim
        One whose values allow a single unit, and not the signal's own, is in that unit.
    evidence : tuple of UnitEvidence
        For each column that was looked at. Where more units than one are left and the own isn't
        among them, the column stays as it is and must be asked for (`ask_for_units`).
    """
    drive = _drive(claims, t_s)
    allowed = {i: _allowed(c, drive) for i, c in enumerate(claims) if _open(c)}
    alone = dict(allowed)
    _one_system(claims, allowed)
    _not_seconds(claims, allowed)
    _radians(claims, allowed)
    _feet(claims, allowed)
    out, evidence = list(claims), []
    for i, units in allowed.items():
        claim, own = claims[i], SIGNALS[claims[i].signal].unit
        unit = next(iter(units)) if len(units) == 1 else own
        span = _range(claim.values) if np.isfinite(claim.values).any() else (np.nan, np.nan)
        evidence.append(UnitEvidence(claim.meaning.header, claim.signal, unit, units, span))
        if unit != own:
            name, read = shown(claim.meaning.header), unit_name(unit)
            notes.append(
                Repair.UNIT_AS_OTHERS(header=name, unit=read)
                if own in alone[i]
                else Repair.UNIT_BY_VALUES(
                    header=name, low=span[0], high=span[1], own=unit_name(own), unit=read
                )
            )
            out[i] = replace(claim, meaning=replace(claim.meaning, unit=unit, assumed=False))
    return out, tuple(evidence)


def in_read_units(
    matches: Sequence[ColumnMatch], evidence: Sequence[UnitEvidence]
) -> tuple[ColumnMatch, ...]:
    """Column matches that show the units which the values told."""
    read = {(e.header, e.signal): e.read_as for e in evidence}
    out = []
    for m in matches:
        unit = read.get((m.header, m.signal or ""), m.unit)
        out.append(
            m if unit == m.unit else replace(m, unit=unit, note="unit by its values", assumed=False)
        )
    return tuple(out)


def ask_for_units(evidence: Sequence[UnitEvidence], path: Path) -> None:
    """Raise where a column can't be in its signal's own unit and several others are possible.

    Raises
    ------
    InputError
    """
    for e in evidence:
        own = SIGNALS[e.signal].unit if e.signal in SIGNALS else e.read_as
        if len(e.allowed) > 1 and own not in e.allowed:
            order = [u for u in UNITS if u in e.allowed]
            low, high = (f"{end:.4g}" for end in e.span)
            fault = Unclear.NO_UNIT(
                header=e.header, low=low, high=high, own=unit_name(own),
                units=" or ".join(map(unit_name, order)),
            )  # fmt: skip
            raise LeftOpen(f"{path}", fault, f": name it, as {how_to_name(e, order[0])}")


def unit_name(unit: str) -> str:
    """A unit as a sentence names it."""
    return "fractions of 1" if unit == "fraction" else unit_symbol(unit)


def how_to_name(evidence: UnitEvidence, unit: str) -> str:
    """The line that settles a unit, for a study and for the command line."""
    header, signal = evidence.header, evidence.signal
    return (
        f'"{header}" = {{signal = "{signal}", unit = "{unit}"}} under [columns] in study.toml, or '
        f"--column '{header}={signal}[{unit}]'"
    )


def _open(claim: Claim) -> bool:
    m = claim.meaning
    looked_at = claim.signal in (*_TEMPERATURES, *_SHARES, *_TESTS, *_ANGLES)
    named = m.header == m.signal and m.header != "rpm"  # the canonical names hold their unit
    return looked_at and m.assumed and not m.by_rule and not named


def _drive(claims: Sequence[Claim], t_s: Floats) -> _Drive:
    speeds = [c.values for c in claims if c.signal in ("speed_kmh", "gps_speed_kmh")]
    fast = any(len(v) and float(np.mean(v > _DRIVEN_KMH)) > 0.02 for v in speeds)
    return _Drive(float(t_s[-1] - t_s[0]) if len(t_s) else 0.0, fast)


def _range(values: Floats) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    low, high = np.quantile(known, [_OUTLIERS, 1 - _OUTLIERS])
    return float(low), float(high)


def _allowed(claim: Claim, drive: _Drive) -> frozenset[str]:
    """Units that a column's values may be in; none if they tell nothing."""
    if np.isfinite(claim.values).sum() < _LEAST_VALUES:
        return frozenset()
    test: Callable[[Floats, _Drive], frozenset[str]] | None = None
    if claim.signal in _TEMPERATURES:
        test = partial(_temperature, bounds=_TEMPERATURES[claim.signal], name=claim.signal)
    elif claim.signal in _SHARES:
        test = partial(_share, least=_SHARES[claim.signal])
    else:
        test = _TESTS.get(claim.signal)
    return frozenset({"°", "rad"}) if test is None else test(claim.values, drive)


def _temperature(
    values: Floats, drive: _Drive, *, bounds: tuple[float, float], name: str
) -> frozenset[str]:
    low, high = _range(values)
    fits = set()
    for unit in ("°c", "°f", "k"):
        least, most = convert(low, unit, "°c"), convert(high, unit, "°c")
        cold = name == "coolant_temp_c" and drive.driven and drive.seconds >= _LEAST_COLD_S
        if bounds[0] <= least and most <= bounds[1] and not (cold and most < _DRIVEN_COOLANT_C):
            fits.add(unit)
    lattice = _fahrenheit_steps(values)
    if lattice and "°f" in fits:
        fits.discard("°c")
    if lattice is False and "°c" in fits:
        fits.discard("°f")
    return frozenset(fits)


def _fahrenheit_steps(values: Floats) -> bool | None:
    """Whether whole values take only the steps that whole °C make in °F; None if it can't be told.

    SAE J1979 carries temperatures in whole °C, nine of which are five in a span of nine °F.
    """
    distinct = np.unique(values[np.isfinite(values)])
    if len(distinct) < 10 or not np.array_equal(distinct, np.round(distinct)):
        return None
    residues = set(((distinct - 32) % 9).astype(int).tolist())
    if any(residues <= lattice for lattice in _LATTICES):
        return True if len(distinct) >= _LEAST_LATTICE else None
    return False if len(residues) >= _MOST_RESIDUES else None


def _share(values: Floats, _: _Drive, *, least: int) -> frozenset[str]:
    low, high = _range(values)
    if low < 0 or high > 1.0:
        return frozenset({"%"})
    known = values[np.isfinite(values)]
    inside = np.unique(np.round(known[(known > 0) & (known <= 1)], 6))
    if len(inside) >= least:
        return frozenset({"fraction"})
    return frozenset({"%", "fraction"})


def _manifold(values: Floats, drive: _Drive) -> frozenset[str]:
    low, high = _range(values)
    fits = set()
    for unit in ("kpa", *_PRESSURES):
        least, most = convert(low, unit, "kpa"), convert(high, unit, "kpa")
        pulled = not drive.driven or most >= _DRIVEN_MANIFOLD_KPA
        if most >= _MANIFOLD_KPA[0] and most <= _MANIFOLD_KPA[1] and pulled and least >= 0:
            fits.add(unit)
    return frozenset(fits)


def _baro(values: Floats, _: _Drive) -> frozenset[str]:
    middle = float(np.nanmedian(values))
    return frozenset(
        u
        for u in ("kpa", "mmhg", *_PRESSURES)
        if _BARO_KPA[0] <= convert(middle, u, "kpa") <= _BARO_KPA[1]
    )


def _rpm(values: Floats, _: _Drive) -> frozenset[str]:
    turning = values[np.isfinite(values) & (values > 0)]
    if len(turning) < _LEAST_VALUES:
        return frozenset()
    middle, high = float(np.median(turning)), float(np.quantile(turning, 1 - _OUTLIERS))
    return frozenset(
        u
        for u in ("rpm", "1000 rpm", "rev/s")
        if convert(middle, u, "rpm") >= _RPM[0] and convert(high, u, "rpm") <= _RPM[1]
    )


def _volts(values: Floats, _: _Drive) -> frozenset[str]:
    middle = float(np.nanmedian(values))
    return frozenset(u for u in ("v", "mv") if _VOLTS[0] <= convert(middle, u, "v") <= _VOLTS[1])


def _altitude(values: Floats, _: _Drive) -> frozenset[str]:
    high = _range(values)[1]
    return frozenset({"m", "ft"} if high <= _HIGHEST_ROAD_M else {"ft"})


_TESTS: Mapping[str, Callable[[Floats, _Drive], frozenset[str]]] = {
    "map_kpa": _manifold,
    "baro_kpa": _baro,
    "rpm": _rpm,
    "supply_voltage_v": _volts,
    "altitude_m": _altitude,
}


def _one_system(claims: Sequence[Claim], allowed: dict[int, frozenset[str]]) -> None:
    """Temperatures without a unit are in one unit, if all of them allow one.

    So are pressures where the manifold's can't be in kPa; else each is judged alone, because an
    engine under boost allows too much.
    """
    for group in (tuple(_TEMPERATURES), ("map_kpa", "baro_kpa")):
        alike = [i for i in allowed if claims[i].signal in group and allowed[i]]
        common = frozenset.intersection(*(allowed[i] for i in alike)) if alike else frozenset()
        boosted = any(claims[i].signal == "map_kpa" and "kpa" in allowed[i] for i in alike)
        if common and not boosted:
            for i in alike:
                allowed[i] = common


def _not_seconds(claims: Sequence[Claim], allowed: dict[int, frozenset[str]]) -> None:
    """A header that says "rpm" may leave out the thousand, but counts no revolutions a second."""
    for i in allowed:
        if claims[i].signal == "rpm" and "rpm" in claims[i].meaning.header.lower():
            allowed[i] -= {"rev/s"}


def _radians(claims: Sequence[Claim], allowed: dict[int, frozenset[str]]) -> None:
    """Positions within 90° and 180° as radians lie at sea off Africa as degrees."""
    both = [i for i, c in enumerate(claims) if c.signal in _ANGLES and i in allowed]
    if {claims[i].signal for i in both} != set(_ANGLES):
        return
    if not all(allowed[i] for i in both):
        return
    inside = True
    for i in both:
        values = claims[i].values[np.isfinite(claims[i].values) & (claims[i].values != 0)]
        most = np.pi / 2 if claims[i].signal == "lat_deg" else np.pi
        inside &= len(values) > 0 and bool(np.quantile(np.abs(values), 1 - _OUTLIERS) <= most)
    for i in both:
        allowed[i] = frozenset({"rad"} if inside else {"°"})


def _feet(claims: Sequence[Claim], allowed: dict[int, frozenset[str]]) -> None:
    """Altitudes that the log's own air pressure rules out in one unit."""
    heights = [i for i in allowed if claims[i].signal == "altitude_m"]
    baros = [c for c in claims if c.signal == "baro_kpa" and np.isfinite(c.values).any()]
    if len(heights) != 1 or len(baros) != 1:
        return
    i = heights[0]
    unit = baros[0].meaning.unit or "kpa"
    known = next((allowed[j] for j in allowed if claims[j] is baros[0]), frozenset({unit}))
    if len(known) != 1:
        return
    pressure = convert(float(np.nanmedian(baros[0].values)), next(iter(known)), "kpa")
    middle = float(np.nanmedian(claims[i].values))
    fits = frozenset(
        u
        for u in allowed[i]
        if abs(float(standard_pressure(convert(middle, u, "m"))) - pressure) <= _PRESSURE_SLACK_KPA
    )
    allowed[i] = fits or allowed[i]
