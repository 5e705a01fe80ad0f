"""The polling plan: which signals are asked for, in what order, how many in one request.

In come the signals that the vehicle supports, whether it speaks CAN, and what the drive is for; out
comes an endless order of requests. Fuel and speed get most turns, then what they need to be
understood (rpm, λ), then slow signals a turn now and then: section 2 of the method, on cars that
answer two to four PIDs a second as well.
"""

import itertools
from collections import deque
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

Purpose = Literal["road", "standing-start"]

# What fuel can be computed from, best first (section 1 of the method).
_FUEL = (
    ("fuel_rate_g_s",),
    ("fuel_rate_l_h",),
    ("maf_g_s",),
    ("absolute_load_pct", "rpm"),
    ("map_kpa", "rpm"),
)
_MEDIUM = ("rpm", "lambda_commanded", "maf_g_s", "map_kpa", "absolute_load_pct")
_MEDIUM_CAN = ("throttle_pct", "engine_load_pct", "pedal_pct", "lambda_measured",
               "lambda_measured2", "o2_upstream_v", "o2_downstream_v")  # fmt: skip
_SLOW = ("fuel_status", "stft1_pct", "ltft1_pct", "stft2_pct", "ltft2_pct", "coolant_temp_c",
         "intake_air_temp_c", "engine_runtime_s", "supply_voltage_v", "baro_kpa",
         "ambient_temp_c")  # fmt: skip
_RARE = ("fuel_level_pct", "ethanol_pct", "oil_temp_c", "odometer_km", "catalyst_temp_c",
         "since_cleared_min", "mil_on", "fuel_rate_g_s", "fuel_rate_l_h")  # fmt: skip
_RARE_EVERY = 12  # one turn in so many slow ones

MAX_HZ = 10.0
KEEP_ALIVE_S = 3.0  # ISO 9141-2 and ISO 14230 end a session after 5 s of silence
LEAST_HZ: dict[Purpose, float] = {"road": 0.5, "standing-start": 5.0}


@dataclass(frozen=True)
class PollingPlan:
    """Signals by how often they get a turn; `per_request` of them are asked for at once."""

    fast: tuple[str, ...]
    medium: tuple[str, ...] = ()
    slow: tuple[str, ...] = ()
    rare: tuple[str, ...] = ()
    per_request: int = 1
    fast_turns: int = 3

    @property
    def signals(self) -> tuple[str, ...]:
        """Every signal of the plan, the fast ones first."""
        return self.fast + self.medium + self.slow + self.rare


def choose_plan(
    supported: Collection[str], *, can: bool, per_request: int = 1, purpose: Purpose = "road"
) -> PollingPlan:
    """The plan for a vehicle.

    Parameters
    ----------
    supported : collection of str
        Signals that the vehicle says it has.
    can : bool
        Whether it speaks CAN; only there more than one PID fits a request.
    per_request : int
        PIDs in one request, as tried with this vehicle.
    purpose : {"road", "standing-start"}
        A standing start is timed by speed, polled alone.

    >>> plan = choose_plan(["speed_kmh", "maf_g_s", "rpm", "coolant_temp_c"], can=False)
    >>> list(itertools.islice(requests(plan), 5))
    [('maf_g_s',), ('speed_kmh',), ('maf_g_s',), ('rpm',), ('speed_kmh',)]
    """
    has = [s for s in ("speed_kmh",) if s in supported]
    if purpose == "standing-start":
        return PollingPlan(fast=tuple(has))
    fuel = next((f for f in _FUEL if set(f) <= set(supported)), ())
    fast = tuple(fuel) + tuple(has)
    medium = _MEDIUM + (_MEDIUM_CAN if can else ())
    taken = set(fast)

    def pick(names: Sequence[str]) -> tuple[str, ...]:
        out = tuple(n for n in names if n in supported and n not in taken)
        taken.update(out)
        return out

    return PollingPlan(
        fast, pick(medium), pick(_SLOW), pick(_RARE), per_request if can else 1, 3 if fast else 0
    )


def requests(plan: PollingPlan) -> Iterator[tuple[str, ...]]:
    """The endless order of requests."""
    others = _others(plan)
    if plan.per_request > 1:
        room = max(0, plan.per_request - len(plan.fast))
        while True:
            extra = list(dict.fromkeys(itertools.islice(others, room)))
            yield plan.fast + tuple(extra)
    fast = itertools.cycle(plan.fast)
    while plan.signals:
        for _ in range(plan.fast_turns):
            yield (next(fast),)
        other = next(others, None)
        if other is not None:
            yield (other,)


def _others(plan: PollingPlan) -> Iterator[str]:
    """Medium and slow signals in turn, rpm every other medium turn, a rare one now and then."""
    rest = [m for m in plan.medium if m != "rpm"]
    first = ["rpm"] if "rpm" in plan.medium else []
    medium = itertools.cycle([m for r in rest for m in (*first, r)] or first)
    slow, rare = itertools.cycle(plan.slow), itertools.cycle(plan.rare)
    for turn in itertools.count(1):
        if not (plan.medium or plan.slow or plan.rare):
            return
        if plan.medium:
            yield next(medium)
        if plan.rare and (turn % _RARE_EVERY == 0 or not plan.slow):
            yield next(rare)
        elif plan.slow:
            yield next(slow)


def pause_s(begun_s: float, now_s: float, max_hz: float) -> float:
    """How long to wait before the next request [s]: even pace, never so long that a session ends.

    >>> round(pause_s(10.0, 10.03, 10.0), 3), pause_s(0.0, 0.0, 0.01)
    (0.07, 3.0)
    """
    return min(max(0.0, begun_s + 1 / max_hz - now_s), KEEP_ALIVE_S)


@dataclass
class RateMeter:
    """Readings a second of each signal over the last `window_s` seconds, in bounded memory."""

    window_s: float = 10.0
    _times: dict[str, deque[float]] = field(default_factory=dict)
    _begun_s: float | None = None

    def add(self, signals: Collection[str], t_s: float) -> None:
        """Count a reading."""
        self._begun_s = t_s if self._begun_s is None else self._begun_s
        for name in signals:
            times = self._times.setdefault(name, deque(maxlen=4096))
            times.append(t_s)
            while times[0] < t_s - self.window_s:
                times.popleft()

    def rates(self, t_s: float) -> dict[str, float]:
        """Achieved rate of each signal [Hz]."""
        if self._begun_s is None:
            return {}
        span = max(min(self.window_s, t_s - self._begun_s), 1e-9)
        return {
            name: sum(1 for t in times if t > t_s - span) / span
            for name, times in self._times.items()
        }


def too_slow(rates: dict[str, float], plan: PollingPlan, purpose: Purpose) -> list[str]:
    """Plain sentences on signals whose rate is too low for the drive's purpose.

    >>> too_slow({"speed_kmh": 2.0}, PollingPlan(fast=("speed_kmh",)), "standing-start")
    ['speed_kmh is read 2.0 times a second: a standing start wants 5 or more, so its time will be \
uncertain; use a faster adapter or a position receiver of 5 Hz']
    """
    least = LEAST_HZ[purpose]
    out = []
    for name in plan.fast:
        rate = rates.get(name, 0.0)
        if rate >= least:
            continue
        if purpose == "standing-start":
            out.append(
                f"{name} is read {rate:.1f} times a second: a standing start wants {least:.0f} or "
                "more, so its time will be uncertain; use a faster adapter or a position receiver "
                "of 5 Hz"
            )
        else:
            out.append(
                f"{name} is read {rate:.1f} times a second: fuel use wants {least:.1f} or more; "
                "use a faster adapter, or wired instead of wireless"
            )
    return out
