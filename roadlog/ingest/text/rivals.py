"""From columns that claim a signal to one column a signal, in range.

In come the values of every matched column; out comes one float64 column per signal in its
canonical unit. Two columns that say the same are one; two that differ are refused, never chosen
between. Values that the signal can't take are blanked and counted.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from roadlog.errors import InputError
from roadlog.ingest import shelf
from roadlog.ingest.datum import ALTITUDE, datum_of
from roadlog.ingest.facts import Repair
from roadlog.ingest.text.cells import step_of
from roadlog.ingest.text.columns import Meaning
from roadlog.quantities.arrays import Floats
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import convert


@dataclass(frozen=True)
class Claim:
    """A column's values, as written, and the signal and unit that they claim to be."""

    meaning: Meaning
    values: Floats
    column: int

    @property
    def signal(self) -> str:
        """Name of the signal."""
        assert self.meaning.signal is not None
        return self.meaning.signal

    def at(self, rows: NDArray[np.int64]) -> "Claim":
        """The same claim at these rows, in this order."""
        return replace(self, values=shelf.taken(self.values, rows))


@dataclass(frozen=True)
class Settled:
    """One claim a signal in canonical units; the columns left out, with why; notes."""

    claims: tuple[Claim, ...]
    dropped: Mapping[int, str]
    notes: tuple[Fact, ...]


def settle(claims: Sequence[Claim], path: Path) -> Settled:
    """Keep one column a signal.

    Raises
    ------
    InputError
        If two columns claim one signal and their values differ beyond rounding.
    """
    kept: list[Claim] = []
    dropped: dict[int, str] = {}
    notes: list[Fact] = []
    by_signal: dict[str, list[Claim]] = {}
    for claim in claims:
        by_signal.setdefault(claim.signal, []).append(claim)
    for signal, rivals in by_signal.items():
        if len(rivals) == 1:
            kept.append(canonical(rivals[0]))
            shelf.rest()
            continue
        ruled = [c for c in rivals if c.meaning.by_rule]
        if len(ruled) == 1 and len(rivals) > 1:
            for c in rivals:
                if c is not ruled[0]:
                    dropped[c.column] = f"[columns] gives {signal} to another column"
            rivals = ruled
        rivals = _above_sea_level(rivals, dropped)
        full = [c for c in rivals if len(rivals) == 1 or not np.isnan(c.values).all()]
        best = canonical((full or rivals)[0])
        for rival in map(canonical, full[1:]):
            fine, coarse = sorted((best, rival), key=_step)
            if not _same(fine.values, coarse.values, (_step(fine) + _step(coarse)) / 2):
                raise _conflict(signal, full, path)
            notes.append(Repair.REPEATS(coarse=coarse.meaning.header, fine=fine.meaning.header))
            dropped[coarse.column] = f"repeats '{fine.meaning.header}'"
            best = fine
        kept.append(best)
        shelf.rest()
    return Settled(tuple(kept), dropped, tuple(notes))


def _above_sea_level(rivals: list[Claim], dropped: dict[int, str]) -> list[Claim]:
    """The one altitude that says it is above sea level, if others are above something else."""
    said = [c for c in rivals if datum_of(c.meaning.header) == "sea level"]
    if len(said) != 1 or len(rivals) == 1 or said[0].signal != ALTITUDE:
        return rivals
    for c in rivals:
        if c is not said[0]:
            dropped[c.column] = f"'{said[0].meaning.header}' is above sea level"
    return said


def canonical(claim: Claim) -> Claim:
    """The claim with its values in the signal's canonical unit."""
    unit, own = claim.meaning.unit, SIGNALS[claim.signal].unit
    if unit is None or unit == own:
        return claim
    return replace(claim, values=shelf.kept(convert(claim.values, unit, own)))


def clean(frame: Mapping[str, Floats], path: Path, notes: list[Fact]) -> dict[str, Floats]:
    """Blank what a signal can't be; refuse swapped or impossible positions.

    Raises
    ------
    InputError
        If latitude and longitude are swapped, or latitudes are impossible.
    """
    out = dict(frame)
    if "lat_deg" in out and "lon_deg" in out:
        _check_positions(out["lat_deg"], out["lon_deg"], path)
        nowhere = np.zeros(len(out["lat_deg"]), bool)
        for part in shelf.parts(len(nowhere)):
            nowhere[part] = (out["lat_deg"][part] == 0) & (out["lon_deg"][part] == 0)
        if nowhere.any():
            notes.append(Repair.NULL_ISLAND(fixes=int(nowhere.sum()), all=len(nowhere)))
            for name in ("lat_deg", "lon_deg"):
                out[name] = shelf.kept(np.where(nowhere, np.nan, out[name]))
    for name, values in out.items():
        signal = SIGNALS[name]
        if not len(values):
            continue
        least, most = shelf.span(values)
        if not (least < signal.low or most > signal.high):
            continue
        wrong = (values < signal.low) | (values > signal.high)
        notes.append(
            Repair.OUT_OF_RANGE(
                signal=name, n=int(wrong.sum()), low=signal.low, high=signal.high, unit=signal.unit
            )
        )
        out[name] = shelf.kept(np.where(wrong, np.nan, values))
    return out


def _check_positions(lat: Floats, lon: Floats, path: Path) -> None:
    both, over = np.zeros((2, len(lat)), bool)
    for part in shelf.parts(len(lat)):
        both[part] = ~np.isnan(lat[part]) & ~np.isnan(lon[part])
        over[part] = both[part] & (np.abs(lat[part]) > 90)
    if not both.any():
        return
    if over.sum() <= 0.01 * both.sum():
        return
    value = float(lat[over][0])
    if (np.abs(lat[over]) <= 180).mean() > 0.9 and (np.abs(lon[over]) <= 90).mean() > 0.9:
        raise InputError(
            f"{path}: latitude and longitude look swapped (a latitude of {value:g}): exchange the "
            "two in study.toml under [columns]"
        )
    raise InputError(
        f"{path}: latitudes such as {value:g} are impossible: log positions in decimal degrees"
    )


def _step(claim: Claim) -> float:
    step = step_of(claim.values)
    return step if np.isfinite(step) else np.inf


def _same(a: Floats, b: Floats, tolerance: float) -> bool:
    both = ~np.isnan(a) & ~np.isnan(b)
    if both.sum() < 0.5 * min((~np.isnan(a)).sum(), (~np.isnan(b)).sum()) or not both.any():
        return False
    return bool(np.all(np.abs(a[both] - b[both]) <= tolerance * 1.01 + 1e-9))


def _conflict(signal: str, rivals: Sequence[Claim], path: Path) -> InputError:
    headers = [c.meaning.header for c in rivals]
    listed = " and ".join(f"'{h}'" for h in headers)
    if len(set(headers)) < len(headers):
        return InputError(
            f"{path}: two columns are both called '{headers[0]}' and differ: rename or "
            "remove one in the logger"
        )
    return InputError(
        f"{path}: columns {listed} both claim {signal} and differ: settle it in study.toml under "
        f'[columns], as "{headers[-1]}" = "ignore"'
    )
