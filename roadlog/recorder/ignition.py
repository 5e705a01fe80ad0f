"""Is the ignition off? Silence alone never says so.

In come readings of rpm and supply voltage and the time since the vehicle last answered; out comes
the reason why the run has ended, or None. A vehicle that answers with the engine stopped (a
stop-start system, a stall, a level crossing) is in a run; a vehicle that went silent at speed is in
a gap.
"""

from collections import deque
from dataclasses import dataclass, field
from statistics import median

SILENT_S = 20.0
ADAPTER_GONE_S = 300.0
RPM_FRESH_S = 30.0
VOLTAGE_FALL = 0.5  # a charging system holds some 13.5 to 14.7 V, a resting battery under 12.9 V
RESTING_BELOW_V = 13.2
VOLTAGE_STEP = 0.4
MIN_RUNNING_READINGS = 3


@dataclass
class Ignition:
    """What is known of engine and supply."""

    last_answer_s: float | None = None
    last_rpm: float | None = None
    last_rpm_s: float = 0.0
    _running_v: deque[float] = field(default_factory=lambda: deque(maxlen=60))
    _silent_v: deque[float] = field(default_factory=lambda: deque(maxlen=3))

    def answered(self, t_s: float, rpm: float | None) -> None:
        """The vehicle answered, perhaps with rpm."""
        self.last_answer_s = t_s
        self._silent_v.clear()
        if rpm is not None:
            self.last_rpm, self.last_rpm_s = rpm, t_s

    def supplied(self, t_s: float, volts: float) -> None:
        """The supply voltage was read."""
        silent = self.last_answer_s is None or t_s - self.last_answer_s > 2.0
        if silent:
            self._silent_v.append(volts)
        elif self.last_rpm is not None and self.last_rpm > 0:
            self._running_v.append(volts)

    def off(self, t_s: float, *, adapter_gone: bool) -> str | None:
        """Why the ignition is off, or None while that isn't shown.

        While the adapter itself is gone nothing is known of the vehicle, so a last rpm of 0 (a
        stop-start stop, say) counts only after five minutes.
        """
        if self.last_answer_s is None:
            return None
        silent_s = t_s - self.last_answer_s
        if silent_s < SILENT_S:
            return None
        stood = self.last_rpm == 0 and self.last_answer_s - self.last_rpm_s <= RPM_FRESH_S
        if stood and (not adapter_gone or silent_s >= ADAPTER_GONE_S):
            return "the engine stood still before the vehicle fell silent"
        if len(self._running_v) >= MIN_RUNNING_READINGS and len(self._silent_v) == 3:
            running, now = median(self._running_v), median(self._silent_v)
            if running - now >= VOLTAGE_FALL and now < RESTING_BELOW_V:
                return f"the supply fell from {running:.1f} V to {now:.1f} V"
        return None


def engine_restarted(before_s: float | None, now_s: float, elapsed_s: float) -> bool | None:
    """Whether the engine was started anew in between, by its own run time; None if unknown.

    Parameters
    ----------
    before_s, now_s : float [s]
        Run time since engine start (SAE J1979 PID 1F) before and after.
    elapsed_s : float [s]
        Time between the two.

    >>> engine_restarted(600.0, 30.0, 900.0), engine_restarted(600.0, 660.0, 58.0)
    (True, False)
    """
    if before_s is None:
        return None
    return now_s < before_s - 2 or (elapsed_s > 60 and now_s < elapsed_s / 2)


@dataclass
class Wake:
    """While parked: does the supply say that something happens (key turned, engine started)?"""

    _resting_v: deque[float] = field(default_factory=lambda: deque(maxlen=20))

    def supplied(self, volts: float) -> bool:
        """Take a reading; True if it lies off the median of rest: the load of an ignition switched
        on pulls it down, an alternator lifts it."""
        known = len(self._resting_v) >= 2
        moved = known and abs(volts - median(self._resting_v)) >= VOLTAGE_STEP
        self._resting_v.append(volts)
        return moved
