"""What the demonstration's car can have beside its plain self: air conditioning and a converter.

A day's share of accessory time and a drive go in; when the compressor runs, and what a torque
converter makes of engine speed and power, come out. It feeds the generator behind `roadlog demo`
and implements no part of the method. All constants are invented, of the size that such parts have
(common practice, no source).
"""

from typing import Literal

import numpy as np

from roadlog.demo.driver import Drive
from roadlog.quantities.arrays import Bools, Floats

Accessory = Literal["off", "loose"]
Gearbox = Literal["manual", "automatic"]
Meter = Literal["air", "pressure"]

# A clutch compressor of fixed displacement, the blower with it: about 0.1 g/s of fuel at idle.
COMPRESSOR_W = 1300.0
# By which the idle is raised; less in drive, where the converter's drag goes with its cube.
COMPRESSOR_IDLE_RPM: dict[Gearbox, float] = {"manual": 200.0, "automatic": 100.0}
MOST_SHARE = 0.6
CLUTCH_PERIOD_S, CLUTCH_SPREAD = 57.0, 0.25  # mean, and spread of its logarithm
CLUTCH_WAITS_S = 12.0  # after the engine's start

CONVERTER_NM_RPM2 = 2.5e-5  # stall torque over engine speed squared: 15 N m at 780 rpm
STALL_RATIO = 2.0  # of torque
LOCK_KMH = 45.0
LATER_SHIFTS = 1.15  # of the speeds at which the manual gearbox changes up
AUTOMATIC_EFFICIENCY_SHARE = 0.96  # beside the manual gearbox: the oil pump takes its part


def day_shares(days: int, rng: np.random.Generator) -> list[float]:
    """Share of the time that the compressor runs, by day: by chance, whatever the arm."""
    return [float(p) for p in rng.uniform(0, MOST_SHARE, size=days)]


def compressor_runs(drive: Drive, share: float, rng: np.random.Generator) -> Bools:
    """When the clutch holds the compressor, every 0.2 s: it cycles, on for `share` of each turn."""
    turns = int(drive.t_s[-1] / CLUTCH_PERIOD_S * 2) + 4
    period = CLUTCH_PERIOD_S * np.exp(CLUTCH_SPREAD * rng.standard_normal(turns))
    starts = CLUTCH_WAITS_S + np.cumsum(period) - period[0] * rng.uniform()
    turn = np.searchsorted(starts, drive.t_s, side="right") - 1
    since = drive.t_s - starts[np.maximum(turn, 0)]
    held = (turn >= 0) & (since < share * period[np.minimum(turn + 1, turns - 1)])
    return np.asarray(held & (drive.t_s > CLUTCH_WAITS_S))


def converter(
    drive: Drive, turbine_rpm: Floats, turbine_w: Floats, idle_rpm: Floats
) -> tuple[Floats, Floats]:
    """Engine speed [rpm] and the power [W] that the converter takes from the engine.

    Parameters
    ----------
    drive : Drive
    turbine_rpm : array [rpm]
        Speed behind the converter, by road speed and gear.
    turbine_w : array [W]
        Power asked behind the converter, negative on overrun.
    idle_rpm : array [rpm]

    Notes
    -----
    At speed ratio r (turbine over engine) the converter takes a n² (1 − r³) of torque and gives
    2 − r times that, so turbine power over a n_t² ω_t is (2 − r)(1 − r³)/r²: solved for r from a
    table. The engine never turns slower than it idles: standing in drive it works against the
    brakes (creep). Above 45 km/h, and on overrun above idle, nothing slips.
    """
    ratio = np.linspace(0.999, 0.05, 2000)
    carried = (STALL_RATIO - ratio) * (1 - ratio**3) / ratio**2
    turbine = np.maximum(turbine_rpm, 1.0)
    asked = turbine_w / (CONVERTER_NM_RPM2 * turbine**2 * _rad_s(turbine))
    solved = turbine / np.interp(np.maximum(asked, carried[0]), carried, ratio)
    locked = (3.6 * drive.speed_m_s > LOCK_KMH) | ((turbine_w <= 0) & (turbine > idle_rpm))
    rpm = np.where(locked, turbine, np.maximum(solved, idle_rpm))
    rpm = np.maximum(rpm, idle_rpm)
    slip_torque = CONVERTER_NM_RPM2 * rpm**2 * (1 - np.minimum(turbine / rpm, 1) ** 3)
    return rpm, np.where(locked & (turbine > idle_rpm), turbine_w, slip_torque * _rad_s(rpm))


def _rad_s(rpm: Floats) -> Floats:
    return np.asarray(rpm * np.pi / 30)
