"""Which signal a column of a log holds, by meaning and unit.

In come header texts, a units row and the study's `[columns]` rules; out comes one `Meaning` per
column. Matching is generic: the words of `roadlog.quantities.signals` and the units of
`roadlog.quantities.units` in whatever letter case, order and punctuation a logger joins them.
Nothing is guessed between two columns that claim one signal; `roadlog.ingest.text.rivals` settles
that on the values.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal

from roadlog.errors import InputError
from roadlog.ingest.datum import ALTITUDE, GEOID, datum_of, without_datum
from roadlog.ingest.facts import LeftOpen, Repair, Unclear
from roadlog.ingest.log import shown
from roadlog.ingest.text.languages import EVERYDAY_WORDS, TIME_WORDS_ABROAD
from roadlog.quantities.facts import Fact
from roadlog.quantities.signals import POSITION, SIGNALS, TRIMS
from roadlog.quantities.units import BARE, UNITS, canonical_unit
from roadlog.study.settings import ColumnRule

Role = Literal["signal", "time", "date", "name", "value", "unit", "ignored", "unmatched"]

_CLOCK_WORDS = (
    "timestamp", "date time", "datetime", "date and time", "time stamp", "time", "device time",
    "local time", "log time", "clock", "clock time", "time of day", "wall clock", "record time",
    "sample time", "system time", "utc", "utc time", "time utc", "gps time", "gps timestamp",
    "epoch", "epoch time", "unix time", "unix timestamp", "time local", "date time utc",
    *TIME_WORDS_ABROAD["time"],
)  # fmt: skip
_ELAPSED_WORDS = (
    "elapsed", "elapsed time", "time elapsed", "seconds", "time since start", "relative time",
    "session time", "time from start", "t", "milliseconds", "millis", "log seconds", "run seconds",
    "seconds elapsed", "elapsed seconds", "trip time", "recording time", "ms", "sec",
    *TIME_WORDS_ABROAD["elapsed"],
)  # fmt: skip
_DATE_WORDS = (
    "date", "log date", "gps date", "date utc", "utc date", "local date", "day",
    "calendar date", "date local", *TIME_WORDS_ABROAD["date"],
)  # fmt: skip
_NAME_WORDS = (
    "signal", "parameter", "pid", "name", "channel", "sensor", "quantity", "variable",
    "measurement", "item", "signal name", "parameter name", "channel name", "description",
)  # fmt: skip
_VALUE_WORDS = ("value", "reading", "val", "signal value")
_UNIT_WORDS = ("unit", "units", "uom", "signal unit")

# Signals that share words and are told apart by the unit.
_OTHER_DIMENSION = {
    "fuel_rate_l_h": "fuel_rate_g_s",
    "fuel_rate_g_s": "fuel_rate_l_h",
    "speed_kmh": "rpm",
}
_SHORT_FORMS = {
    "temp": "temperature", "pos": "position", "press": "pressure", "calc": "calculated",
    "equiv": "equivalence", "spd": "speed", "veh": "vehicle", "eng": "engine", "abs": "absolute",
    "cmd": "commanded", "volt": "voltage", "pct": "percent", "barometer": "barometric",
    "b1": "bank 1", "b2": "bank 2", "s1": "sensor 1", "s2": "sensor 2", "b1s1": "bank 1 sensor 1",
    "b1s2": "bank 1 sensor 2",
}  # fmt: skip
_DROPPED = frozenset({"obd", "obd2", "obdii", "ecu", "ecm", "pcm", "value", "actual", "reading",
                      "sae", "pid", "data", "the", "of"})  # fmt: skip
_HUMP = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_BRACKETS = re.compile(r"[\[({<]([^\[\](){}<>]*)[\])}>]")
_BREAK = re.compile(r"[,_\s/;:|\-]+|(?<=[a-z])(?=[A-Z])")
_DATE_PATTERN = re.compile(
    r"[ymdhsaf:./\s_-]*(?:[yd]{1,4}|[mh]{1,2}|s{1,2})[ymdhsaf:./\s_-]*", re.I
)
_AFR = re.compile(r"\bafr\b|\bair (?:to )?fuel ratio\b|\bphi\b|φ")


@dataclass(frozen=True)
class Meaning:
    """What a header says: its role, the signal and the unit that the values are in.

    `assumed` is True if the header gives no unit and the signal's own was taken; `by_rule` if the
    study's `[columns]` decided.
    """

    header: str
    role: Role
    signal: str | None = None
    unit: str | None = None
    note: str = ""
    assumed: bool = False
    by_rule: bool = False
    elapsed: bool = False
    rank: int = 0

    @property
    def not_used(self) -> str:
        """The note on a column that isn't used."""
        return f"{self.note}: not used" if self.note and self.unit else self.note


def unit_of(text: str) -> str | None:
    """Canonical unit of a text as it stands in a header, a units row or behind a value."""
    text = text.strip().replace(".", "") if text.strip().lower() != "in.hg" else text
    low = text.lower().removeprefix("in ") if text.lower() != "in hg" else text.lower()
    for spelling in (low, low.replace(" per ", "/"), low.replace("_", "/"), low.replace(" ", "/")):
        if unit := canonical_unit(spelling):
            return unit
    return None


def match_columns(
    headers: Sequence[str],
    units: Sequence[str | None],
    rules: Mapping[str, ColumnRule],
    path: Path,
) -> list[Meaning]:
    """The meaning of every column, in order.

    Parameters
    ----------
    headers : sequence of str
    units : sequence of str or None
        Canonical units from a units row, None where there is none.
    rules : mapping of header to ColumnRule
        The study's `[columns]`; they override everything.

    Raises
    ------
    InputError
        If a rule gives a unit that its signal can't be in, or a gallon is neither US nor imperial.
    """
    tidy = {k.strip().casefold(): r for k, r in rules.items()}
    meanings = []
    for header, unit in zip(headers, units, strict=True):
        rule = rules.get(header) or tidy.get(header.casefold())
        if rule and header:
            meanings.append(by_rule(header, unit, rule, path))
        else:
            meanings.append(match_header(header, unit))
        _ask_which_gallon(meanings[-1], path)
    return _in_context(meanings)


def _ask_which_gallon(meaning: Meaning, path: Path) -> None:
    if meaning.role != "signal" or meaning.unit not in BARE:
        return
    us, imperial = BARE[meaning.unit]
    header, signal = meaning.header, meaning.signal
    raise LeftOpen(
        f"{path}",
        Unclear.GALLON(header=header),
        ": name which, as "
        f'"{header}" = {{signal = "{signal}", unit = "{us}"}} (or "{imperial}") under [columns] in '
        f"study.toml, or --column '{header}={signal}[{us}]'",
    )


def match_header(header: str, unit: str | None = None) -> Meaning:
    """The meaning of one header, `unit` being what a units row says.

    >>> match_header("MAF air flow rate [lb/min]").signal
    'maf_g_s'
    """
    return _match_header(header, unit)


def misfits(meanings: Sequence[Meaning]) -> list[Fact]:
    """A note for each column whose words are known but whose unit can't be the signal's."""
    return [
        Repair.MISFIT(header=shown(m.header), why=m.note)
        for m in meanings
        if m.role == "unmatched" and m.note
    ]


def unit_fits(header: str, unit: str) -> bool:
    """Whether a cell of a units row is a unit of what the header means."""
    plain = match_header(header)
    found = unit_of(unit.strip("[](){} "))
    if plain.role == "unmatched" or found is None:
        return True
    with_unit = match_header(header, found)
    return (with_unit.role, with_unit.signal) == (plain.role, plain.signal)


def bare_words(header: str) -> str:
    """A header's words as they are compared: lower case, without what is in brackets."""
    return " ".join(_words(_BRACKETS.sub(" ", header)))


@lru_cache(maxsize=1)
def known_phrases() -> Mapping[str, str]:
    """Every phrase that a header may be, as `bare_words` gives it, and its signal or role."""
    phrases = {
        " ".join(_words(p)): s.name
        for s in SIGNALS.values()
        for p in (*s.words, *EVERYDAY_WORDS.get(s.name, ()))
    }
    for role, words in (("time", (*_CLOCK_WORDS, *_ELAPSED_WORDS)), ("date", _DATE_WORDS)):
        phrases |= {" ".join(_words(w)): role for w in words}
    return phrases


def is_known(header: str, rules: Mapping[str, ColumnRule]) -> bool:
    """Whether a cell is a header that means something."""
    return header in rules or match_header(header).role != "unmatched"


@lru_cache(maxsize=4096)
def _match_header(header: str, hint: str | None) -> Meaning:
    words = " ".join(_words(header))
    if not words:
        return Meaning(header, "unmatched")
    if _AFR.search(words):
        note = "an air-fuel ratio gives λ only with the fuel's own ratio: log λ instead"
        return Meaning(header, "unmatched", note=note)
    misfit: Meaning | None = None
    for name, unit_text, explicit in _readings(header):
        unit = unit_text or hint
        key = _key(name)
        if time := _time_meaning(header, name, unit):
            return time
        for signal in _signals_for(name, unit):
            if unit is None or (
                unit == "ratio" and SIGNALS[signal].unit == "%" and not _fits(signal, unit)
            ):
                return Meaning(header, "signal", signal, SIGNALS[signal].unit, assumed=True)
            if _fits(signal, unit):
                return Meaning(header, "signal", signal, unit)
            if misfit is None and (explicit or unit_text is None):
                note = (
                    f"{unit} is a {UNITS[unit].dimension}, {signal} needs a "
                    f"{UNITS[SIGNALS[signal].unit].dimension}"
                )
                misfit = Meaning(header, "unmatched", unit=unit, note=note)
        for role, known in _long_keys().items():
            if key in known:
                return Meaning(header, role)
    return misfit or _height_above(header, hint) or Meaning(header, "unmatched")


def _height_above(header: str, hint: str | None) -> Meaning | None:
    """The meaning of a height whose heading names the surface that it is above."""
    if datum_of(header) == "unknown":
        return None
    plain = _match_header(without_datum(header), hint)
    return replace(plain, header=header) if plain.signal in (ALTITUDE, GEOID) else None


def by_rule(header: str, unit: str | None, rule: ColumnRule, path: Path) -> Meaning:
    """What a column is by the study's rule; `unit` is what the file says of it.

    Raises
    ------
    InputError
        If the rule's unit doesn't fit its signal.
    """
    written = rule.unit or next((u for _, u, _ in _readings(header) if u), None) or unit
    if rule.signal == "ignore":
        return Meaning(header, "ignored", note="ignored by [columns]", by_rule=True)
    if rule.signal == "time":
        time_unit = canonical_unit(written) if written else None
        keep = time_unit if time_unit and UNITS[time_unit].dimension == "time" else None
        if rule.unit and not keep:
            raise InputError(
                f"{path}: [columns] '{header}': '{rule.unit}' is no unit of time: use s, ms, min"
            )
        return Meaning(header, "time", unit=keep, by_rule=True, rank=-1)
    if rule.signal in ("date", "value", "unit"):
        return Meaning(header, rule.signal, by_rule=True)  # type: ignore[arg-type]
    if rule.signal == "signal":
        return Meaning(header, "name", by_rule=True)
    canonical = canonical_unit(written) if written else None
    if rule.unit and (canonical is None or not _fits(rule.signal, canonical)):
        raise InputError(
            f"{path}: [columns] '{header}': unit '{rule.unit}' doesn't fit {rule.signal}, which is "
            f"kept in {SIGNALS[rule.signal].unit}: correct the rule"
        )
    if canonical is None or not _fits(rule.signal, canonical):
        canonical = SIGNALS[rule.signal].unit
    return Meaning(header, "signal", rule.signal, canonical, note="by [columns]", by_rule=True)


def _in_context(meanings: list[Meaning]) -> list[Meaning]:
    """Settle what one header alone can't say: a position log's bare "speed", a stray "name"."""
    signals = {m.signal for m in meanings if m.signal}
    roles = {m.role for m in meanings}
    long = {"name", "value"} <= roles
    own_position = {"lat_deg", "lon_deg"} <= signals and "gps_speed_kmh" not in signals
    from_car = signals - set(POSITION) - {"speed_kmh", "humidity_pct", "ambient_temp_c"}
    settled = []
    for m in meanings:
        if m.role in ("name", "value", "unit") and not long:
            m = replace(m, role="unmatched")
        elif (
            m.signal == "speed_kmh"
            and own_position
            and not from_car
            and not m.by_rule
            and m.header != m.signal
            and "vehicle" not in m.header.lower()
            and "obd" not in m.header.lower()
        ):
            m = replace(m, signal="gps_speed_kmh", note="taken as GPS speed: a position log")
        settled.append(m)
    return settled


def _readings(header: str) -> Iterator[tuple[str, str | None, bool]]:
    """Ways to read a header as (name, unit, unit set apart?), those with a unit first."""
    header = _WHICH_GALLON.sub(r"\1 \2 ", header)
    for group in reversed(list(_BRACKETS.finditer(header))):
        name = header[: group.start()] + " " + header[group.end() :]
        if group[1].strip() and (unit := unit_of(group[1])):
            if unit in BARE and (told := _gallon_in(name)):
                name, unit = told[0], BARE[unit][told[1]]
            yield name, unit, True
        elif _DATE_PATTERN.fullmatch(group[1]) or not group[1].strip():
            yield name, None, True
    if sign := re.search(r"(?:\s+in)?\s*(%|°[CF]?)\s*$", header):
        yield header[: sign.start()], unit_of(sign[1]), True
        return
    for gap in _BREAK.finditer(header):
        suffix = header[gap.end() :].strip(" .")
        if suffix and not suffix.isdigit() and (unit := unit_of(suffix)):
            yield re.sub(r"\s+in$", "", header[: gap.start()]), unit, False
    yield header, None, False


_WHICH_GALLON = re.compile(r"(?i)(gal\w*\.?)\s*\((us|uk|imp|imperial)\)")
_GALLON_WORD = re.compile(
    r"(?i)(?<![a-z])(?:(u\.?\s?s\.?a?|american)|(u\.?k\.?|imp|imperial|british))(?![a-z])\.?"
)


def _gallon_in(name: str) -> tuple[str, int] | None:
    """A name without its word for which gallon is meant, and that gallon's place in `BARE`."""
    found = list(_GALLON_WORD.finditer(name))
    if len(found) != 1:
        return None
    rest = f"{name[: found[0].start()]} {name[found[0].end() :]}"
    return _BRACKETS.sub(lambda m: m[0] if m[1].strip() else " ", rest), int(bool(found[0][2]))


def _words(text: str) -> list[str]:
    tokens = re.findall(r"[^\W_]+", _HUMP.sub(" ", text).lower())
    return " ".join(_SHORT_FORMS.get(t, t) for t in tokens).split()


def _key(text: str) -> str:
    return "".join(_words(text))


def _any_order(words: Sequence[str]) -> str:
    return " ".join(sorted(words))


@lru_cache(maxsize=1)
def _signal_keys() -> tuple[dict[str, str], dict[str, str]]:
    exact: dict[str, str] = {}
    any_order: dict[str, str] = {}
    for signal in SIGNALS.values():
        for phrase in (*signal.words, *EVERYDAY_WORDS.get(signal.name, ())):
            exact.setdefault(_key(phrase), signal.name)
            any_order.setdefault(_any_order(_words(phrase)), signal.name)
    return exact, any_order


@lru_cache(maxsize=1)
def _long_keys() -> dict[Role, frozenset[str]]:
    return {
        "name": frozenset(map(_key, _NAME_WORDS)),
        "value": frozenset(map(_key, _VALUE_WORDS)),
        "unit": frozenset(map(_key, _UNIT_WORDS)),
    }


@lru_cache(maxsize=1)
def _time_keys() -> dict[str, tuple[Role, bool, int]]:
    keys: dict[str, tuple[Role, bool, int]] = {}
    for role, elapsed, phrases in (
        ("time", False, _CLOCK_WORDS),
        ("time", True, _ELAPSED_WORDS),
        ("date", False, _DATE_WORDS),
    ):
        for rank, phrase in enumerate(phrases):
            keys.setdefault(_key(phrase), (role, elapsed, rank))  # type: ignore[arg-type]
    return keys


def _time_meaning(header: str, name: str, unit: str | None) -> Meaning | None:
    words = [w for w in _words(name) if w not in ("utc", "gmt")]
    found = _time_keys().get(_key(name)) or _time_keys().get("".join(words))
    if found is None:
        return None
    role, elapsed, rank = found
    if unit and UNITS[unit].dimension != "time":
        return None
    if unit is None and elapsed:
        unit = {"ms": "ms", "milliseconds": "ms", "millis": "ms", "seconds": "s", "sec": "s"}.get(
            _key(name)
        )
    return Meaning(header, role, unit=unit, elapsed=elapsed, rank=rank)


def _signals_for(name: str, unit: str | None) -> list[str]:
    exact, any_order = _signal_keys()
    words = _words(name)
    if name.strip() in SIGNALS:
        return [name.strip()]
    kept = [w for w in words if w not in _DROPPED]
    signal = (
        exact.get("".join(words))
        or any_order.get(_any_order(words))
        or exact.get("".join(kept))
        or any_order.get(_any_order(kept))
        or _after_pid(name)
    )
    if signal is None:
        return []
    other = _OTHER_DIMENSION.get(signal)
    return [signal, other] if other and unit and not _fits(signal, unit) else [signal]


def _after_pid(name: str) -> str | None:
    """The signal of "010C engine speed" or "PID 0C engine speed": number and words must agree."""
    rest = [w for w in re.findall(r"[^\W_]+", name.lower()) if w != "pid"]
    if len(rest) > 2 and rest[0] == "01":
        rest = rest[1:]
    if len(rest) < 2:
        return None
    signal = _signal_keys()[0].get(_key(" ".join(rest[1:])))
    number = rest[0].removeprefix("0x")
    if signal and number.removeprefix("01" if len(number) == 4 else "") == (
        (SIGNALS[signal].pid or "?").lower()
    ):
        return signal
    return None


def _fits(signal: str, unit: str) -> bool:
    dimension = UNITS[unit].dimension
    return dimension == UNITS[SIGNALS[signal].unit].dimension or (
        dimension == "ratio" and any(signal in bank for bank in TRIMS)
    )
