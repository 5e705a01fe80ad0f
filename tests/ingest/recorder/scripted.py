"""Scripted drives: events as poller and receiver would send them, at any speed."""

import threading
from collections.abc import Iterator
from pathlib import Path

from roadlog.ingest.positions.nmea import PositionFix
from roadlog.recorder.events import Connected, Event, Silent, Supply, Values
from roadlog.recorder.memory import Memory
from roadlog.recorder.polling import PollingPlan
from roadlog.recorder.session import Session, Setup
from roadlog.study.settings import parse_study

UTC_S = 1772437500.0  # 2026-03-02T07:45:00Z
EASTWARD_DEG_S = 1.766e-4  # of longitude: 50 km/h at 45 degrees north
BOOT = "11111111-2222-3333-4444-555555555555"
PLAN = PollingPlan(
    fast=("maf_g_s", "speed_kmh"),
    medium=("rpm",),
    slow=("coolant_temp_c", "engine_runtime_s", "supply_voltage_v"),
)
STUDY = parse_study(
    'name = "s"\n[labels]\nfitted = "collar in"\n[logs]\nany = ["logs/*.log"]\n'
    "[schedule]\nunit = [{ unit = 2026-03-02, arm = 'fitted' }]\n"
)


class Recorded:
    """A session on scripted clocks, what it said, and the journals in its folder."""

    def __init__(
        self, folder: Path, *, boot: str = BOOT, wall_minus_boot_s: float = UTC_S, **setup
    ):
        self.folder = folder
        self.now_s = 0.0
        self.said: list[str] = []
        self.parked = threading.Event()
        self.session = Session(
            Setup(folder, setup.pop("study", STUDY), **setup),
            Memory(salt="s"),
            self.said.append,
            self.parked,
            wall=lambda: wall_minus_boot_s + self.now_s,
            boot=boot,
            begun_s=0.0,
        )

    def play(self, events: Iterator[Event] | list[Event]) -> "Recorded":
        for event in events:
            self.now_s = event.t_s
            self.session.handle(event)
            self.session.tick(event.t_s)
        return self

    def wait(self, until_s: float, step_s: float = 0.5) -> "Recorded":
        while self.now_s < until_s:
            self.now_s += step_s
            self.session.tick(self.now_s)
        return self

    @property
    def journals(self) -> list[Path]:
        return sorted(self.folder.glob("logs/**/*.log"))


def connected(t_s: float, vin: str | None = None) -> Connected:
    return Connected(t_s, "6", "ISO 15765-4 (CAN 11/500)", PLAN, vin)


def drive(
    begin_s: float,
    end_s: float,
    *,
    hz: float = 4.0,
    rpm: float = 2000.0,
    speed: float = 50.0,
    runtime_s: float | None = None,
    volts: float = 14.2,
    fixes_from_s: float | None = None,
    utc_minus_boot_s: float = UTC_S,
) -> Iterator[Event]:
    """Readings at `hz`, supply every 5 s, a fix a second from `fixes_from_s` on."""
    n = round((end_s - begin_s) * hz)
    per_second, per_five = max(1, round(hz)), max(1, round(5 * hz))
    for i in range(n):
        t = begin_s + i / hz
        values = {"maf_g_s": 10 + i % 7, "speed_kmh": speed, "rpm": rpm}
        if i % per_five == 0:
            values["engine_runtime_s"] = (begin_s if runtime_s is None else runtime_s) + t - begin_s
            yield Supply(t, volts)
        yield Values(t, values)
        if fixes_from_s is not None and t >= fixes_from_s and i % per_second == 0:
            place = {"lat_deg": 45.0, "lon_deg": 7.0 + t * EASTWARD_DEG_S, "gps_speed_kmh": speed}
            yield PositionFix(t + 0.2, place, t + utc_minus_boot_s)


def silence(begin_s: float, end_s: float, *, volts: float | None = None) -> Iterator[Event]:
    """The adapter answers, the vehicle doesn't."""
    t = begin_s
    while t < end_s:
        yield Silent(t, "no data")
        if volts is not None:
            yield Supply(t, volts)
        t += 1.0
