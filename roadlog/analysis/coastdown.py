"""Road load from the user's own coast-downs: A, B, C of F = A + B v + C v² with their errors.

A log of coasts in neutral goes in; coefficients at standard conditions come out, in the form of
SAE J1263 and J2263. They replace default mass-and-drag figures in the demand of method section 4.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from roadlog.errors import FitError, InputError
from roadlog.ingest import read_log
from roadlog.physics.air import ASSUMED_HUMIDITY_PCT, air_density
from roadlog.physics.roadload import REFERENCE_DENSITY_KG_M3, REFERENCE_TEMP_C, ROLLING_PER_K
from roadlog.quantities.arrays import Floats
from roadlog.quantities.units import STANDARD_GRAVITY_M_S2
from roadlog.study.car import Vehicle
from roadlog.study.settings import Study

COASTING_MASS = 1.03  # turning wheels as a share of mass, in neutral: SAE J1263 (from memory)
LEAST_DROP_KMH, LEAST_TIME_S = 30.0, 15.0
FASTEST_M_S2, SLOWEST_M_S2 = 0.9, 0.02  # a coast slows by no more and no less
IDLE_RPM = 1500.0  # faster, the engine is still coupled
SMOOTH_S = 7.0
UNSEEN_WIND_M_S, UNSEEN_GRADE = 2.0, 0.003  # of coasts one way; common practice, no source
READING_KMH = 0.5  # the speed PID may round or cut off to whole km/h: SAE J1979 leaves it open


@dataclass(frozen=True)
class CoastDown:
    """Road load at 20 °C and 98.21 kPa with standard errors.

    `a_n` [N], `b_n_s_m` [N s/m], `c_n_s2_m2` [N s²/m²]; `force_error_pct` is the standard error of
    the force at 50 km/h, which is known far better than the three that make it up.
    """

    a_n: float
    b_n_s_m: float
    c_n_s2_m2: float
    errors: tuple[float, float, float]
    force_50_n: float
    force_error_pct: float
    rms_kmh: float
    coasts: int
    both_ways: bool
    notes: tuple[str, ...]


def find_coasts(frame: pd.DataFrame) -> list[pd.DataFrame]:
    """The stretches of a log in which the car rolls freely: slowing steadily by 30 km/h or more.

    Where engine speed is logged it has to be near idle (neutral). Brakes aren't logged, so a
    stretch that slows faster than 0.9 m/s² counts as braked.
    """
    table = frame.dropna(subset=["speed_kmh"]).reset_index(drop=True)
    t, v = table["t_s"].to_numpy(float), table["speed_kmh"].to_numpy(float) / 3.6
    if len(t) < 5:
        return []
    grid = np.arange(t[0], t[-1], 0.5)
    width = np.ones(max(1, round(SMOOTH_S / 0.5)))
    level = np.interp(grid, t, v)
    smooth = np.convolve(np.pad(level, len(width) // 2, mode="edge"), width / len(width), "valid")
    slope = np.interp(t, grid, np.gradient(smooth[: len(grid)], 0.5))
    free = (slope < -SLOWEST_M_S2) & (slope > -FASTEST_M_S2) & (v > 3.0)
    if "rpm" in table:
        free &= ~(table["rpm"].to_numpy(float) > IDLE_RPM)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(int), [0]])))
    found = []
    for a, b in edges.reshape(-1, 2):
        trim = np.flatnonzero((t >= t[a] + SMOOTH_S / 2) & (t <= t[b - 1] - SMOOTH_S / 2))
        trim = trim[(trim >= a) & (trim < b)]
        if len(trim) > 5 and t[trim[-1]] - t[trim[0]] >= LEAST_TIME_S:
            piece = table.iloc[trim]
            if piece["speed_kmh"].iloc[0] - piece["speed_kmh"].iloc[-1] >= LEAST_DROP_KMH:
                found.append(piece.reset_index(drop=True))
    return found


def fit_coastdown(
    frame: pd.DataFrame,
    mass_kg: float,
    *,
    temp_c: float | None = None,
    pressure_kpa: float | None = None,
) -> CoastDown:
    """Fit A, B, C to the coasts of a log.

    Parameters
    ----------
    frame : DataFrame
        `t_s` [s], `speed_kmh` [km/h] and, where logged, `rpm`, `heading_deg` [°],
        `ambient_temp_c` [°C], `baro_kpa` [kPa].
    mass_kg : float [kg]
        Of the car as it coasted, people and fuel included.
    temp_c, pressure_kpa : float, optional
        Air during the test, where the log has none.

    Returns
    -------
    CoastDown

    Raises
    ------
    InputError
        If the mass isn't positive or there is no speed.
    FitError
        If there are fewer than two coasts, or they give an impossible road load.

    Notes
    -----
    Speeds, not their differences, are fitted: each coast's course is integrated from its own
    start speed (a free parameter) by Runge-Kutta, so that whole km/h do little harm. Coasts both
    ways along one road share a slope force and a wind of opposite sign; with one way only, slope
    and wind go into A and C, a note says so, and the error of the force holds 2 m/s and 0.3 % of
    them. Errors are a jackknife over coasts (from the residuals with fewer than four), widened by
    Student's quantile so that twice the error holds the truth 19 times in 20.

    References
    ----------
    SAE J1263 (2010) and J2263 (2020), Road Load Measurement Using Coastdown Techniques: form of
    the equation, both directions, correction to 20 °C and 98.21 kPa (from memory).
    """
    if not mass_kg > 0:
        raise InputError(f"coast-down: a mass of {mass_kg:g} kg is impossible: give kilograms")
    if "speed_kmh" not in frame or frame["speed_kmh"].notna().sum() < 5:
        raise InputError("coast-down: the log has no vehicle speed: log speed while coasting")
    coasts = find_coasts(frame)
    if len(coasts) < 2:
        raise FitError(
            f"coast-down: {len(coasts)} coast found, two or more are needed: roll in neutral from "
            f"high speed, without brakes, until {LEAST_DROP_KMH:.0f} km/h slower, both ways"
        )
    way = _ways(coasts)
    both = bool((way > 0).any() and (way < 0).any())
    fitted, residual, covariance = _fit(coasts, mass_kg, way if both else np.zeros(len(coasts)))
    if len(coasts) >= 4:
        covariance = _jackknife(coasts, mass_kg, way if both else np.zeros(len(coasts)))
    notes = []
    if not both:
        notes.append("coasts go one way only: slope and wind are part of the result")
    temp = _mean(frame, "ambient_temp_c", temp_c)
    pressure = _mean(frame, "baro_kpa", pressure_kpa)
    rolling, drag = 1.0, 1.0
    if temp is None or pressure is None:
        notes.append("temperature or pressure isn't known: not corrected to 20 °C and 98.21 kPa")
    else:
        drag = REFERENCE_DENSITY_KG_M3 / float(air_density(temp, pressure, ASSUMED_HUMIDITY_PCT))
        rolling = 1 + ROLLING_PER_K * (temp - REFERENCE_TEMP_C)
    scale = np.array([rolling, rolling, drag])
    a, b, c = fitted * scale
    covariance = covariance * np.outer(scale, scale)
    at50 = np.array([1.0, 50 / 3.6, (50 / 3.6) ** 2])
    force = float(at50 @ (a, b, c))
    if a <= 0 or c <= 0 or force <= 0:
        raise FitError(
            f"coast-down: A = {a:.0f} N and C = {c:.2f} N s²/m² can't be a car's: coast from a "
            "higher speed, both ways, on a level road in calm air"
        )
    reading = (b + 2 * c * 50 / 3.6) * READING_KMH / 3.6
    scatter = _few(len(coasts)) ** 2 * max(float(at50 @ covariance @ at50), 0.0)
    unseen = 0.0
    if not both:
        wind = 2 * c * 50 / 3.6 * UNSEEN_WIND_M_S
        unseen = float(np.hypot(wind, UNSEEN_GRADE * mass_kg * STANDARD_GRAVITY_M_S2))
    error = 100 * float(np.sqrt(scatter + reading**2 + unseen**2)) / force
    sd = np.sqrt(np.clip(np.diag(covariance), 0, None))
    return CoastDown(
        float(a), float(b), float(c), (float(sd[0]), float(sd[1]), float(sd[2])), force, error,
        3.6 * float(np.sqrt(np.mean(residual**2))), len(coasts), both, tuple(notes),
    )  # fmt: skip


def with_coastdown(folder: Path, study: Study) -> tuple[Study, CoastDown | None]:
    """The study with the road load of its `[vehicle] coastdown` log, and the fit.

    The control car's own vehicle gets that of its log.

    Raises
    ------
    InputError, FitError
        If a log can't be read or used.
    """
    vehicle, fit = _coasted(folder, study, study.vehicle, "[vehicle]")
    study = study.model_copy(update={"vehicle": vehicle})
    control = study.control
    if control is not None and control.vehicle is not None:
        own, _ = _coasted(folder, study, control.vehicle, "[control.vehicle]")
        control = control.model_copy(update={"vehicle": own})
        study = study.model_copy(update={"control": control})
    return study, fit


def _coasted(
    folder: Path, study: Study, vehicle: Vehicle, where: str
) -> tuple[Vehicle, CoastDown | None]:
    if vehicle.coastdown is None:
        return vehicle, None
    path = folder / vehicle.coastdown
    if not path.is_file():
        raise InputError(f"{path} doesn't exist: correct coastdown in {where} of study.toml")
    log = read_log(path, columns=study.columns, time=study.time)
    try:
        fit = fit_coastdown(log.frame, vehicle.mass_kg)
    except FitError as e:
        raise FitError(f"{path}: {e}") from e
    load = (fit.a_n, fit.b_n_s_m, fit.c_n_s2_m2)
    return vehicle.model_copy(update={"road_load": load}), fit


def _few(coasts: int) -> float:
    """How much wider an error from few coasts is than its standard error says."""
    from scipy.special import stdtrit

    return float(stdtrit(max(coasts - 1, 1), 0.975)) / 1.96


def _ways(coasts: list[pd.DataFrame]) -> Floats:
    """+1 for coasts along the first one's direction, -1 against it, 0 where unknown."""
    if any("heading_deg" not in c or c["heading_deg"].notna().sum() == 0 for c in coasts):
        return np.zeros(len(coasts))
    angle = [np.radians(c["heading_deg"].dropna().to_numpy(float)) for c in coasts]
    mean = np.array([np.arctan2(np.sin(a).mean(), np.cos(a).mean()) for a in angle])
    return np.asarray(np.sign(np.cos(mean - mean[0])), float)


def _fit(
    coasts: list[pd.DataFrame], mass_kg: float, way: Floats
) -> tuple[Floats, Floats, NDArray[np.float64]]:
    from scipy.optimize import least_squares

    m = COASTING_MASS * mass_kg
    times = [c["t_s"].to_numpy(float) - c["t_s"].iloc[0] for c in coasts]
    speeds = [c["speed_kmh"].to_numpy(float) / 3.6 for c in coasts]
    sloped = bool(way.any())
    units = np.array([100.0, 1.0, 0.1, 10.0, 1.0])

    def residuals(p: Floats) -> Floats:
        a, b, c, slope, wind = p[:5] * units
        out = []
        for t, v, w, v0 in zip(times, speeds, way, p[5:], strict=True):
            out.append(_rolled(t, v0, (a + w * slope, b, c), m, w * wind) - v)
        return np.concatenate([*out, [0.0, 0.0] if sloped else p[3:5]])

    start = [
        0.01 * mass_kg * STANDARD_GRAVITY_M_S2 / 100, 0.5, 4.0, 0.0, 0.0, *(v[0] for v in speeds)
    ]  # fmt: skip
    found = least_squares(residuals, np.array(start), x_scale="jac")
    n = sum(len(v) for v in speeds)
    free = len(found.x) - 2 * (not sloped)
    variance = float(found.fun @ found.fun) / max(n - free, 1)
    jacobian = np.asarray(found.jac, float)
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)[:3, :3]
    return (
        np.asarray(found.x[:3] * units[:3], float),
        np.asarray(found.fun[:n], float),
        covariance * np.outer(units[:3], units[:3]),
    )


def _rolled(
    t: Floats, v0: float, load: tuple[float, float, float], mass_kg: float, headwind_m_s: float
) -> Floats:
    """Speed [m/s] at times t [s] of a car that rolls from v0 under A + B v + C (v + wind)²."""
    a, b, c = load
    step = 0.5
    n = int(np.ceil(t[-1] / step)) + 1
    v = np.empty(n + 1)
    v[0] = v0

    def slowing(x: float) -> float:
        felt = x + headwind_m_s
        return -(a + b * x + c * felt * abs(felt)) / mass_kg

    for i in range(n):
        x = v[i]
        k1 = slowing(x)
        k2 = slowing(x + step / 2 * k1)
        v[i + 1] = x + step * slowing(x + step / 2 * k2)
    return np.asarray(np.interp(t, step * np.arange(n + 1), v), float)


def _jackknife(coasts: list[pd.DataFrame], mass_kg: float, way: Floats) -> NDArray[np.float64]:
    n = len(coasts)
    every = np.array(
        [
            _fit([c for j, c in enumerate(coasts) if j != i], mass_kg, np.delete(way, i))[0]
            for i in range(n)
        ]
    )
    centred = every - every.mean(0)
    return np.asarray((n - 1) / n * centred.T @ centred, float)


def _mean(frame: pd.DataFrame, column: str, given: float | None) -> float | None:
    if given is not None:
        return given
    if column in frame and frame[column].notna().any():
        return float(frame[column].mean())
    return None
