"""Position sentences to fixes: NMEA 0183, each held to its checksum.

In come lines of a receiver (RMC and GGA are enough), out come fixes in the signals of roadlog:
position, speed, course, altitude and dilution, with the fix's own UTC. A sentence without a right
checksum, without a fix, or with an estimated, simulated or hand-set one gives nothing.

References
----------
NMEA 0183 (IEC 61162-1): sentence framing, checksum, RMC and GGA fields (field order from memory;
held against the library pynmea2 in the tests). Field 9 of GGA is the antenna's altitude above mean
sea level, field 11 the geoid's height above the ellipsoid of WGS 84 (makers' manuals of receivers
agree; the standard itself wasn't at hand).
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

from roadlog.quantities.signals import SIGNALS
from roadlog.quantities.units import convert

_MEASURED_MODES = frozenset("ADFRP")  # autonomous, differential, float and fixed RTK, precise
_MEASURED_QUALITY = frozenset("123459")
LATEST_UTC_S = 4102444800.0  # 2100-01-01: a later one is damaged
_MAX_LINE = 120  # the standard allows 82; some receivers write longer ones


@dataclass(frozen=True)
class PositionFix:
    """One fix: seconds since boot [s] at which it came in, its signals in canonical units, and its
    UTC [s since 1970], None if unknown."""

    t_s: float
    values: Mapping[str, float]
    utc_s: float | None


def possible(fix: PositionFix) -> PositionFix | None:
    """The fix without values that can't be, None if its place is one of them.

    A place of 0° north 0° east is a receiver's blank: no road leads there.

    >>> possible(PositionFix(0.0, {"lat_deg": 95.0, "lon_deg": 7.0}, None)) is None
    True
    >>> possible(PositionFix(0.0, {"lat_deg": 45.0, "lon_deg": 7.0, "hdop": -1.0}, None)).values
    {'lat_deg': 45.0, 'lon_deg': 7.0}
    """
    values = {
        name: value
        for name, value in fix.values.items()
        if SIGNALS[name].low <= value <= SIGNALS[name].high
    }
    if not {"lat_deg", "lon_deg"} <= set(values):
        return None
    if values["lat_deg"] == 0 == values["lon_deg"]:
        return None
    utc_s = fix.utc_s if fix.utc_s is not None and 0 <= fix.utc_s < LATEST_UTC_S else None
    return PositionFix(fix.t_s, values, utc_s)


def checksum(text: str) -> int:
    """Exclusive or of the characters between `$` and `*`.

    >>> f"{checksum('GPGLL,5057.970,N,00146.110,E,142451,A'):02X}"
    '27'
    """
    out = 0
    for c in text.encode("latin-1", "replace"):
        out ^= c
    return out


def fields_of(line: str) -> list[str] | None:
    """The comma-separated fields of a sentence, None if it isn't whole.

    >>> fields_of("$GPGLL,5057.970,N,00146.110,E,142451,A*27")[:2]
    ['GPGLL', '5057.970']
    """
    line = line.strip()
    if len(line) > _MAX_LINE or not line.startswith("$") or line[-3:-2] != "*":
        return None
    body = line[1:-3]
    try:
        if int(line[-2:], 16) != checksum(body):
            return None
    except ValueError:
        return None
    return body.split(",")


@dataclass
class SentenceReader:
    """Joins the sentences of one instant into one fix; feed it line by line."""

    _time: str = ""
    _t_s: float = 0.0
    _void: bool = False
    _values: dict[str, float] = field(default_factory=dict)
    _utc_s: float | None = None
    rejected: int = 0

    def feed(self, line: str, t_s: float) -> PositionFix | None:
        """Take one line that came in at `t_s`; return the fix of the instant before, once a new
        instant begins."""
        sentence = fields_of(line)
        if sentence is None:
            self.rejected += bool(line.strip())
            return None
        kind = sentence[0][-3:]
        if kind not in ("RMC", "GGA"):
            return None
        done = None
        try:
            if sentence[1] != self._time:
                done = self.flush()
                self._time, self._t_s = sentence[1], t_s
            if kind == "RMC":
                self._take_rmc(sentence)
            else:
                self._take_gga(sentence)
        except (ValueError, IndexError, OverflowError):
            self.rejected += 1
        return done

    def flush(self) -> PositionFix | None:
        """The fix so far, if there is a position in it."""
        values, utc_s, void = self._values, self._utc_s, self._void
        self._values, self._utc_s, self._void = {}, None, False
        return PositionFix(self._t_s, values, utc_s) if "lat_deg" in values and not void else None

    def _take_rmc(self, s: list[str]) -> None:
        if s[2] != "A" or (len(s) > 12 and s[12] and s[12][0] not in _MEASURED_MODES):
            self._void = True
            return
        values = {"lat_deg": _angle(s[3], s[4]), "lon_deg": _angle(s[5], s[6])}
        if s[7]:
            values["gps_speed_kmh"] = convert(float(s[7]), "kn", "km/h")
        if s[8]:
            values["heading_deg"] = float(s[8])
        self._utc_s = _utc(dt.datetime.strptime(s[9], "%d%m%y").date(), s[1])
        self._values.update(values)

    def _take_gga(self, s: list[str]) -> None:
        if s[6] not in _MEASURED_QUALITY:
            return
        values = {"lat_deg": _angle(s[2], s[3]), "lon_deg": _angle(s[4], s[5])}
        if s[8]:
            values["hdop"] = float(s[8])
        if s[9] and s[10] == "M":
            values["altitude_m"] = float(s[9])
        self._values.update(values)


def _angle(text: str, side: str) -> float:
    point = text.index(".") if "." in text else len(text)
    degrees, minutes = int(text[: point - 2]), float(text[point - 2 :])
    if side not in ("N", "S", "E", "W") or not 0 <= minutes < 60:
        raise ValueError(text)
    value = degrees + minutes / 60
    if value > (90 if side in "NS" else 180):
        raise ValueError(text)
    return -value if side in "SW" else value


def _utc(date: dt.date, time: str) -> float:
    hour, minute, second = int(time[:2]), int(time[2:4]), float(time[4:])
    midnight = dt.datetime(date.year, date.month, date.day, tzinfo=dt.UTC)
    return midnight.timestamp() + 3600 * hour + 60 * minute + second
