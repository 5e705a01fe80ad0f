"""Synthetic studies whose signals are bent after the drive: real fuel stays, the log says more.

A study of `roadlog.demo` is copied; columns are multiplied, dropped, added or renamed in one arm or
both, and `study.toml` is told where the add-on acts.
"""

import re
import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

MAF = "MAF air flow rate [g/s]"
STFT = "short term fuel trim [%]"
LTFT = "long term fuel trim [%]"
MAP = "manifold absolute pressure [kPa]"
LOAD = "absolute load [%]"
LAMBDA = "commanded equivalence ratio [-]"
STATUS = "fuel system status [-]"
RATE = "engine fuel rate [L/h]"
AIR_PER_LITRE = 14.01 * 746.0  # g of air for a litre of E10, near enough

Change = Callable[[pd.DataFrame, bool], pd.DataFrame]


def arms_by_day(folder: Path) -> dict[str, str]:
    schedule = tomllib.loads((folder / "study.toml").read_text())["schedule"]["unit"]
    return {str(u["unit"]): u["arm"] for u in schedule}


def bent(source: Path, target: Path, *changes: Change, acts_on: str | None, claim=None) -> Path:
    """A copy of a study with each log changed by `changes(frame, fitted)`.

    `acts_on` None leaves the place undeclared; `claim` replaces the claimed gain in percent.
    """
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("computed", "results"))
    arms = arms_by_day(target)
    for path in sorted((target / "logs").glob("*.csv")):
        fitted = arms[re.search(r"\d{4}-\d\d-\d\d", path.name)[0]] == "fitted"
        frame = pd.read_csv(path, dtype=str, keep_default_na=False)
        for change in changes:
            frame = change(frame, fitted)
        frame.to_csv(path, index=False)
    toml = (target / "study.toml").read_text()
    place = "" if acts_on is None else f'acts_on = "{acts_on}"'
    toml = toml.replace('acts_on = "intake"', place)
    if claim is not None:
        toml = re.sub(r"economy_pct = .*", f"economy_pct = {claim}", toml)
    (target / "study.toml").write_text(toml)
    (target / "fills.csv").unlink(missing_ok=True)
    return target


def times(header: str, factor: float, *, both: bool = False) -> Change:
    """The fitted arm's readings of one column, multiplied."""

    def change(frame, fitted):
        if not (fitted or both):
            return frame
        values = pd.to_numeric(frame[header], errors="coerce") * factor
        return frame.assign(**{header: [f"{v:.5g}" if v == v else "" for v in values]})

    return change


def plus(header: str, step: float) -> Change:
    """The fitted arm's readings of one column, moved by a step."""

    def change(frame, fitted):
        values = pd.to_numeric(frame[header], errors="coerce") + step * fitted
        return frame.assign(**{header: [f"{v:.5g}" if v == v else "" for v in values]})

    return change


def without(*headers: str, arm: str | None = None) -> Change:
    """Columns dropped, in one arm or in both."""

    def change(frame, fitted):
        mine = arm is None or (arm == "fitted") == fitted
        return frame.drop(columns=list(headers)) if mine else frame

    return change


def filled(header: str, value: str) -> Change:
    """A column that a logger fills with one value."""
    return lambda frame, fitted: frame.assign(**{header: value})


def as_factor(header: str, new: str) -> Change:
    """A trim written as a factor about 1 under another header."""

    def change(frame, fitted):
        values = 1 + pd.to_numeric(frame[header], errors="coerce") / 100
        cells = [f"{v:.4f}" if v == v else "" for v in values]
        return frame.assign(**{header: cells}).rename(columns={header: new})

    return change


def with_rate(*, trims: bool = True, step: float = 0.01) -> Change:
    """An engine fuel rate as the controller reckons it: air over λ, times its trims, zero in cut.

    The trim is the mean of the whole run, as the demo's loop hunts about it.
    """

    def change(frame, fitted):
        number = {h: pd.to_numeric(frame[h], errors="coerce").ffill() for h in (MAF, STATUS)}
        lam = pd.to_numeric(frame[LAMBDA], errors="coerce").ffill().fillna(1.0)
        trim = sum(pd.to_numeric(frame[h], errors="coerce").ffill().fillna(0) for h in (STFT, LTFT))
        litres = number[MAF] / AIR_PER_LITRE / lam * 3600
        litres = litres * (1 + trim / 100) if trims else litres
        speed = pd.to_numeric(frame["vehicle speed [km/h]"], errors="coerce").ffill()
        cut = (number[STATUS] == 4) & (speed > 15) & (number[MAF] < 5)
        litres = np.where(cut, 0.0, litres)
        cells = [f"{step * round(v / step):.6g}" if v == v else "" for v in litres]
        return frame.assign(**{RATE: cells})

    return change
