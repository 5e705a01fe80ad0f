"""The session: when a run begins and ends, what is written, and what may be said aloud.

In come events of the poller and the receiver, out come journals, one a run. A run begins when the
engine turns and ends when the ignition is shown to be off; between lies whatever the vehicle said,
and for the rest gaps with their reasons, never a made-up value. Words for the screen wait until the
car stands.
"""

import json
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from roadlog.ingest.journal.clock import EARLIEST_UTC_S, boot_id
from roadlog.ingest.journal.file import Journal
from roadlog.ingest.journal.lines import REFUSED, Kind, values_text
from roadlog.ingest.positions.nmea import PositionFix
from roadlog.recorder import runs
from roadlog.recorder.events import (
    Connected,
    Event,
    Lost,
    PositionLinesRefused,
    PositionTrouble,
    Silent,
    Supply,
    Values,
)
from roadlog.recorder.ignition import Ignition, engine_restarted
from roadlog.recorder.memory import Memory, vehicle_mark
from roadlog.recorder.polling import PollingPlan, Purpose, RateMeter, too_slow
from roadlog.study.recording import Shown, State
from roadlog.study.settings import Study

CLOCK_EVERY_S = 60.0
GAP_S = 3.0
NEW_RUN_GAP_S = 300.0
RATES_AFTER_S = 10.0
PARKED_AFTER_S = 120.0  # without any answer while no run is open
_BEFORE_S = 60.0
_BEFORE_ENTRIES = 2000
_GPS_FRESH_S = 10.0
_GPS_REST_KMH = 5.0  # a receiver at rest shows a little speed


@dataclass(frozen=True)
class Setup:
    """What to record for: the study, an arm given by hand, the purpose, the VIN kept or not."""

    folder: Path
    study: Study
    arm: str | None = None
    purpose: Purpose = "road"
    store_vin: bool = False


class Session:
    """Takes events in order; `tick` must be called a few times a second.

    `say` is called with one sentence, only while the car is known to stand or before a drive;
    `parked` is set when polling should rest, and cleared by the poller when the vehicle wakes. A
    `dry` session, for a look at the rates while parked, writes nothing and says all.
    """

    def __init__(
        self,
        setup: Setup,
        memory: Memory,
        say: Callable[[str], None],
        parked: threading.Event,
        *,
        wall: Callable[[], float] = time.time,
        boot: str | None = None,
        begun_s: float | None = None,
        dry: bool = False,
    ) -> None:
        self.memory = memory
        self.runs_ended = 0
        self._setup = setup
        self._say_now = say
        self._parked = parked
        self._wall = wall
        self._boot = boot or boot_id()
        self._begun_s = begun_s
        self._dry = dry
        self._journal: Journal | None = None
        self._ignition = Ignition()
        self._meter = RateMeter()
        self._rates_due_s: float | None = None
        self._plan: PollingPlan | None = None
        self._link: dict[str, object] = {}
        self._before: deque[tuple[Kind, float, str]] = deque(maxlen=_BEFORE_ENTRIES)
        self._held: deque[str] = deque(maxlen=20)
        self._speed: tuple[float, float] | None = None
        self._runtime: tuple[float, float] | None = None
        self._gap: tuple[float, str] | None = None
        self._adapter_gone = True
        self._clock_s = 0.0
        self._gps_utc: tuple[float, float] | None = None
        self._gps_speed: tuple[float, float] | None = None
        self._position_lost = False
        self._run_since_s = 0.0
        self._state: State = "no adapter"
        self._state_s = begun_s or 0.0

    @property
    def recording(self) -> bool:
        """Whether a run is open."""
        return self._journal is not None

    def shows(self, t_s: float) -> Shown:
        """What it does at that time; a gap isn't called recording."""
        state: State = "waiting"
        if self._adapter_gone:
            state = "no adapter"
        elif self._journal is not None and self._gap is None:
            state = "recording"
        if state != self._state:
            self._state = state
            self._state_s = self._run_since_s if state == "recording" else t_s
        return Shown(state, max(0, int((t_s - self._state_s) / 60)), self.recording)

    def handle(self, event: Event) -> None:
        """Take one event."""
        if isinstance(event, Values):
            self._take_values(event)
        elif isinstance(event, PositionFix):
            self._take_fix(event)
        elif isinstance(event, Supply):
            self._ignition.supplied(event.t_s, event.volts)
            self._take_supply(event)
        elif isinstance(event, Connected):
            self._take_connection(event)
        elif isinstance(event, Lost):
            self._adapter_gone = True
            self._interrupted(event.t_s, f"adapter: {event.reason}")
        elif isinstance(event, Silent):
            self._adapter_gone = False
            self._interrupted(event.t_s, f"vehicle: {event.reason}")
        elif isinstance(event, PositionLinesRefused):
            self._write("note", event.t_s, f"{REFUSED}{event.lines}")
        elif isinstance(event, PositionTrouble):
            if not self._position_lost:
                self._write("note", event.t_s, f"no position: {event.reason}")
                self._say(f"no position: {event.reason}", event.t_s)
            self._position_lost = True

    def tick(self, t_s: float) -> None:
        """Flush, keep the clock, and see whether the run is over."""
        self._begun_s = t_s if self._begun_s is None else self._begun_s
        if self._rates_due_s is not None and t_s >= self._rates_due_s:
            self._rates_due_s = None
            self._tell_rates(t_s)
        if self._journal is None:
            last = self._ignition.last_answer_s
            if t_s - max(self._begun_s, last or 0.0) > PARKED_AFTER_S:
                self._parked.set()
            return
        if t_s - self._clock_s >= CLOCK_EVERY_S:
            self._clock_s = t_s
            self._write("clock", t_s, json.dumps(self._stamp()))
        reason = self._ignition.off(t_s, adapter_gone=self._adapter_gone)
        if reason is not None:
            self._end(t_s, reason)
        else:
            self._journal.flush_if_due(t_s)

    def close(self, t_s: float) -> None:
        """Stop recording; the run stays open, so that a restart goes on with it."""
        if self._journal is not None:
            self._journal.add("note", t_s, "the recorder was stopped")
            self._journal.close(t_s)
            self._journal = None

    def _take_values(self, event: Values) -> None:
        t_s, values = event.t_s, event.values
        self._adapter_gone = False
        self._note_runtime(t_s, values)
        self._ignition.answered(t_s, values.get("rpm"))
        self._meter.add(values.keys(), t_s)
        if "speed_kmh" in values:
            self._speed = (t_s, values["speed_kmh"])
            if not self._moving(t_s):
                self._say_held()
        if self._gap is not None:
            since, why = self._gap
            self._gap = None
            self._write("gap", t_s, f"ends after {t_s - since:.1f} s ({why})")
            self._say(f"back after {t_s - since:.0f} s", t_s)
        if self._journal is None and self._begins(values):
            self._begin(t_s)
        self._write("obd", t_s, values_text(values))

    def _take_supply(self, event: Supply) -> None:
        if self._plan is not None and "supply_voltage_v" not in self._plan.signals:
            self._write("obd", event.t_s, values_text({"supply_voltage_v": event.volts}))
        else:
            self._write("note", event.t_s, f"supply at the plug {event.volts:.1f} V")

    def _begins(self, values: Mapping[str, float]) -> bool:
        if self._dry:
            return False
        turning = values.get("rpm", 0) > 0 or values.get("speed_kmh", 0) > 0
        return turning or self._setup.purpose == "standing-start"

    def _take_fix(self, fix: PositionFix) -> None:
        if self._position_lost:
            self._position_lost = False
            self._write("note", fix.t_s, "position is back")
        utc = ""
        if fix.utc_s is not None and fix.utc_s >= EARLIEST_UTC_S:
            self._gps_utc = (fix.t_s, fix.utc_s)
            utc = f" utc_s={fix.utc_s:.3f}"
        if "gps_speed_kmh" in fix.values:
            self._gps_speed = (fix.t_s, fix.values["gps_speed_kmh"])
        self._write("gps", fix.t_s, values_text(fix.values) + utc)

    def _take_connection(self, event: Connected) -> None:
        self._adapter_gone = False
        if event.plan is None:
            self._interrupted(event.t_s, "vehicle: it doesn't answer")
            return
        self._ignition.answered(event.t_s, None)
        self._plan = event.plan
        self._meter = RateMeter()
        self._rates_due_s = event.t_s + RATES_AFTER_S
        self._link = {
            "protocol": event.protocol,
            "protocol_name": event.protocol_name,
            "signals": list(event.plan.signals),
            "pids_per_request": event.plan.per_request,
        }
        vehicle = self.memory.vehicle
        if event.vin is not None:
            vehicle = vehicle_mark(event.vin, self.memory.salt)
            if self.memory.vehicle and vehicle != self.memory.vehicle:
                self._say("this is another vehicle than the one recorded before", event.t_s)
            if self._setup.store_vin:
                self._link["vin"] = event.vin
        self.memory = Memory(event.protocol, self.memory.salt, vehicle)
        self._write("note", event.t_s, "connected " + json.dumps(self._link))
        self._say(f"connected: {event.protocol_name}; measuring the rates", event.t_s)

    def _interrupted(self, t_s: float, reason: str) -> None:
        last = self._ignition.last_answer_s
        if self._gap is not None or last is None or t_s - last < GAP_S:
            return
        self._gap = (last, reason)
        self._write("gap", t_s, f"begins at {last:.3f} s: {reason}")
        self._say(f"no readings: {reason}", t_s)

    def _note_runtime(self, t_s: float, values: Mapping[str, float]) -> None:
        now = values.get("engine_runtime_s")
        if now is None:
            return
        if self._runtime is not None and self._journal is not None:
            since, before = self._runtime
            gone_s = t_s - since
            if gone_s > NEW_RUN_GAP_S and engine_restarted(before, now, gone_s):
                self._end(t_s, "the engine was started anew while nothing was heard")
        self._runtime = (t_s, now)

    def _begin(self, t_s: float) -> None:
        setup, wall = self._setup, self._wall_s(t_s)
        arm = setup.arm or runs.arm_of(setup.study, wall)
        place = runs.place_for(setup.folder, setup.study, arm)
        before = runs.interrupted(place)
        path = None
        if before is not None and runs.goes_on(
            before,
            boot=self._boot,
            t_s=t_s,
            wall_s=wall,
            engine_runtime_s=self._runtime[1] if self._runtime else None,
            vehicle=self.memory.vehicle,
        ):
            path = before.path
        path = path or runs.new_path(place, wall)
        header = {
            "run": path.stem,
            "roadlog": version("roadlog"),
            **self._stamp(),
            "utc_offset_s": runs.utc_offset_s(wall),
            "arm": arm,
            "purpose": setup.purpose,
            "vehicle": self.memory.vehicle,
            "altitude": "above mean sea level, by the receiver's geoid",
            **self._link,
        }
        self._journal = Journal(path, header, t_s)
        self._clock_s = self._run_since_s = t_s
        for kind, at, text in self._before:
            if t_s - at <= _BEFORE_S:
                self._journal.add(kind, at, text)
        self._before.clear()
        self._say(f"recording {path.name}, arm {self._label(arm)}", t_s)
        if not runs.is_named(setup.folder, setup.study, path, arm):
            self._say(
                f"no pattern of [logs] in study.toml finds {path.relative_to(setup.folder)}: add "
                'any = ["logs/*"]',
                t_s,
            )

    def _end(self, t_s: float, reason: str) -> None:
        assert self._journal is not None
        self._journal.add("end", t_s, reason)
        self._journal.close(t_s)
        name = self._journal.path.name
        self._journal, self._gap, self._runtime, self._speed = None, None, None, None
        self._ignition = Ignition(last_answer_s=self._ignition.last_answer_s)
        self._before.clear()
        self._parked.set()
        self.runs_ended += 1
        self._say(f"run ended, {reason}: {name}", t_s)
        self._say_held()

    def _write(self, kind: Kind, t_s: float, text: str) -> None:
        if self._journal is not None:
            self._journal.add(kind, t_s, text)
        elif kind in ("obd", "gps"):
            self._before.append((kind, t_s, text))

    def _tell_rates(self, t_s: float) -> None:
        if self._plan is None:
            return
        rates = self._meter.rates(t_s)
        self._write("rates", t_s, json.dumps({k: round(v, 2) for k, v in rates.items()}))
        listed = ", ".join(f"{name} {rates.get(name, 0):.1f}" for name in self._plan.signals)
        self._say(f"readings a second: {listed}", t_s)
        for warning in too_slow(rates, self._plan, self._setup.purpose):
            self._write("note", t_s, f"warning: {warning}")
            self._say(f"warning: {warning}", t_s)

    def _stamp(self) -> dict[str, object]:
        return {"boot_id": self._boot, "wall_utc_s": round(self._wall(), 3)}

    def _wall_s(self, t_s: float) -> float:
        """UTC [s] by GPS if it was heard, else by the system's clock."""
        if self._gps_utc is not None:
            return self._gps_utc[1] + t_s - self._gps_utc[0]
        return self._wall()

    def _label(self, arm: str | None) -> str:
        if self._setup.study.shut:
            return "not told (sealed schedule)"
        return (
            "unknown (say --arm, or schedule this day)"
            if arm is None
            else (self._setup.study.label(arm))
        )

    def _say(self, text: str, t_s: float) -> None:
        if self._moving(t_s) and not self._dry:
            self._held.append(text)
        else:
            self._say_now(text)

    def _moving(self, t_s: float) -> bool:
        """Whether the last speed heard, of the vehicle or lately of the receiver, isn't rest."""
        by_gps = self._gps_speed is not None and t_s - self._gps_speed[0] < _GPS_FRESH_S
        if by_gps and self._gps_speed is not None and self._gps_speed[1] > _GPS_REST_KMH:
            return True
        return self._speed is not None and self._speed[1] > 0

    def _say_held(self) -> None:
        while self._held:
            self._say_now(self._held.popleft())
