"""Pre-registration: what the primary analysis will be, written down before the first fitted run.

The choices that could bend a result go in as a canonical text; its SHA-256 and the time are added
to `computed/registered.json`, which only ever grows. An analysis compares the study as it is now
with the last entry made before the first fitted run, and lists every difference. The time is this
computer's own: whoever doubts it should ask for a copy sent to a third party at the time.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.quantities.tables import NOTE
from roadlog.study.durable import atomic_write, json_text
from roadlog.study.settings import Study

REGISTER = "computed/registered.json"


@dataclass(frozen=True)
class Entry:
    """One registration: when (with zone), the hash, and the choices it covers."""

    at: dt.datetime
    sha256: str
    choices: dict[str, Any]


def choices_of(study: Study) -> dict[str, Any]:
    """Everything that is fixed before data, as plain JSON values.

    Of a sealed schedule the hash stands for its arms, before it is opened and after.

    >>> choices_of(Study())["analysis"]["estimator"] is None
    True
    """
    plain = study.model_dump(mode="json")
    schedule = plain["schedule"] or {}
    analysis = {k: v for k, v in plain["analysis"].items() if k != "driver_knew_arm"}
    for rule in ("exclude_if", "noted_covariates"):
        if not analysis[rule]:
            del analysis[rule]  # as in registers from before there was such a rule
    own = (
        ("unit",) if study.schedule and study.schedule.sealed else ("unit", "sealed", "dummy_days")
    )
    road = {"same_route": plain["road"]["same_route"]} if study.road.same_route else {}
    control = {} if study.control is None else {"control": {"vehicle": plain["control"]["vehicle"]}}
    return {
        **({"road": road} if road else {}),
        **control,
        "claim": plain["claim"],
        "device": {k: v for k, v in plain["device"].items() if k != "name"},
        "vehicle": plain["vehicle"],
        "analysis": analysis,
        "schedule": {
            **{k: v for k, v in schedule.items() if k not in own},
            "stop_date": str(study.schedule.stop_date) if study.schedule else None,
            "units": {
                str(u["unit"]): ", ".join(
                    [
                        *([] if schedule["sealed"] else [u["arm"]]),
                        f"block {u['block']}",
                        *(f"also {d}" for d in u["also"]),
                    ]
                )
                for u in schedule.get("unit", [])
            },
        },
    }


def canonical(choices: dict[str, Any]) -> bytes:
    """The choices in canonical JSON (sorted keys, no spaces), UTF-8."""
    text = json.dumps(choices, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return text.encode("utf-8")


def fingerprint(choices: dict[str, Any]) -> str:
    """SHA-256 of the choices in canonical JSON."""
    return hashlib.sha256(canonical(choices)).hexdigest()


def read_register(folder: Path) -> list[Entry]:
    """All entries in order, none if nothing was registered.

    Raises
    ------
    InputError
        If the file was damaged, or an entry doesn't match its own hash.
    """
    path = folder / REGISTER
    if not path.is_file():
        return []
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))["entries"]
        entries = [
            Entry(dt.datetime.fromisoformat(row["at"]), row["sha256"], row["choices"])
            for row in raw
        ]
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(f"{path}: can't be read: put back the copy that roadlog wrote") from e
    for i, entry in enumerate(entries, start=1):
        if entry.at.tzinfo is None or entry.sha256 != fingerprint(entry.choices):
            raise InputError(
                f"{path}: entry {i} doesn't match its hash, so it was changed by hand: put back "
                "the copy that roadlog wrote"
            )
    return entries


def register(folder: Path, study: Study, now: dt.datetime) -> Entry:
    """Add the study's choices to the register, unless they are the last entry already.

    Parameters
    ----------
    now : aware datetime
    """
    entries = read_register(folder)
    choices = choices_of(study)
    entry = Entry(now, fingerprint(choices), choices)
    if entries and entries[-1].sha256 == entry.sha256:
        return entries[-1]
    rows = [
        {"at": e.at.isoformat(timespec="seconds"), "sha256": e.sha256, "choices": e.choices}
        for e in (*entries, entry)
    ]
    text = json_text({"entries": rows})
    atomic_write(folder / REGISTER, lambda p: p.write_text(text, encoding="utf-8"))
    return entry


def binding(entries: Sequence[Entry], first_fitted: dt.datetime | None) -> Entry | None:
    """The last entry from before the first fitted run; any entry as long as there is none.

    Parameters
    ----------
    first_fitted : start of the first fitted run; a naive time is that of the clock on the wall
        where the plan was made
    """
    if first_fitted is None:
        return entries[-1] if entries else None
    before = [e for e in entries if is_before(e.at, first_fitted)]
    return before[-1] if before else None


def is_before(at: dt.datetime, start: dt.datetime) -> bool:
    """Whether a time with zone is before a start that may have none.

    A start without zone is read on the wall clock of `at`, so that the answer is the same on
    whatever computer it is asked.

    >>> noon = dt.datetime.fromisoformat("2026-03-02T12:00+09:00")
    >>> is_before(noon, dt.datetime(2026, 3, 2, 13)), is_before(noon, dt.datetime(2026, 3, 2, 11))
    (True, False)
    """
    return (at if start.tzinfo else at.replace(tzinfo=None)) < start


def without_late_notes(study: Study, bound: Entry | None) -> tuple[Study, tuple[str, ...]]:
    """The study without noted covariates that the binding registration doesn't name, and these.

    Without a registration from before the first fitted run nothing is taken out: nothing tells
    what was named when.
    """
    if bound is None:
        return study, ()
    then = bound.choices["analysis"]
    agreed = {
        w.casefold() for rule in ("noted_covariates", "covariates") for w in then.get(rule) or ()
    }
    wanted = study.analysis.covariates
    notes = tuple(w for w in study.analysis.noted_covariates if w.casefold() in agreed)
    exactly = wanted and tuple(
        w for w in wanted if not w.startswith(NOTE) or w.casefold() in agreed
    )
    late = (*study.analysis.noted_covariates, *(wanted or ()))
    kept = {*notes, *(exactly or ())}
    analysis = study.analysis.model_copy(update={"noted_covariates": notes, "covariates": exactly})
    return study.model_copy(update={"analysis": analysis}), tuple(w for w in late if w not in kept)


def changes(registered: dict[str, Any], now: dict[str, Any], where: str = "") -> list[str]:
    """Every difference in words, `registered -> now`.

    >>> changes({"claim": {"fuel_pct": 10.0}}, {"claim": {"fuel_pct": 5.0}})
    ['claim fuel_pct: 10.0 -> 5.0']
    """
    out: list[str] = []
    for key in dict.fromkeys((*registered, *now)):
        old, new = registered.get(key), now.get(key)
        name = f"{where} {key}".strip()
        if old == new:
            continue
        if isinstance(old, dict) and isinstance(new, dict):
            out += changes(old, new, name)
        else:
            out.append(f"{name}: {_shown(old)} -> {_shown(new)}")
    return out


def _shown(value: Any) -> str:
    if value is None:
        return "not given"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{k} {v}" for k, v in value.items() if v is not None)
    return str(value)
