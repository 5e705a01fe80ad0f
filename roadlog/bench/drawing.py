"""Answers for the plan's page: what the days can show, and the schedule drawn and registered.

The same functions as `roadlog plan`; text and plain values in and out.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from roadlog.analysis.pilot import CONTROL_PILOT_FOLDER, pilot_logs, scatter_for_plan
from roadlog.bench.calendar_shown import calendar
from roadlog.bench.handing import put
from roadlog.bench.reader import units_in, word_of
from roadlog.effect.design import refuse_mediators
from roadlog.errors import DesignError, InputError, RoadlogError
from roadlog.plan import verdict
from roadlog.plan.mark import in_fours
from roadlog.plan.promise import Scatter
from roadlog.plan.promised import keep_promise, promise_of
from roadlog.plan.proposal import (
    Proposal,
    has_schedule,
    in_periods,
    propose,
    refuse_vague_carry_over,
    with_options,
    write_plan,
)
from roadlog.plan.questions import (
    QUESTIONS,
    AskedIn,
    Question,
    answer_typed,
    symbol_of,
    value_offered,
)
from roadlog.plan.register import read_register
from roadlog.plan.seal_log import COPY, SealEvent, log_seal
from roadlog.plan.sealing import SealedPapers, refuse_logs, sealed_papers
from roadlog.plan.size import UnitPlan, refutable_curve, settling_curve, unit_plan
from roadlog.plan.studyfile import write_plan_values
from roadlog.plan.today import driver_is_blind
from roadlog.plan.together import Together, assumed
from roadlog.plan.two_cars import planned_periods, sizes_by_days, two_car_sizes
from roadlog.study.car import Claim
from roadlog.study.durable import atomic_write
from roadlog.study.folder import load_study
from roadlog.study.lock import one_writer
from roadlog.study.settings import Schedule, Study
from roadlog.wording.screen import LABEL
from roadlog.wording.units import Units, for_reader, shown_in

Answer = dict[str, Any]
FIELDS = ("days", "start", "runs_per_day", "km_per_run", "road", "switched_by_other")
MOST_KEPT = 64
MIDDLING = 0.6  # how far two cars' days go together in the picture, where no pilot tells
_SHOWN: dict[str, Answer] = {}


def plan_shown(*, folder: str, typed: dict[str, str]) -> Answer:
    """The plan's form with what the days can show, or by field what is wrong."""
    place = Path(folder)
    saved = load_study(place)
    drawn = has_schedule(saved)
    units = _asked_in(saved, typed)
    study, faults = (saved, {}) if drawn else _with_typed(saved, typed, units)
    entries = read_register(place)
    return {
        "drawn": drawn,
        "sealed": drawn and saved.schedule is not None and saved.schedule.sealed is not None,
        "blind": driver_is_blind(saved),
        "claim": "" if study.claim is None else study.claim.words,
        "fields": _fields(study, units),
        "asked_in": word_of(units),
        "faults": faults,
        "registered": f"{entries[-1].at:%Y-%m-%d %H:%M}" if entries else "",
        "fours": in_fours(entries[-1].sha256) if entries else [],
        "shows": None if faults else _can_show(place, study, drawn),
    }


def _asked_in(study: Study, typed: Mapping[str, str]) -> Units:
    """The units of the form that was filled in; of a fresh one, the reader's."""
    return units_in(typed.get("asked_in")) or for_reader(study.units)


def _fields(study: Study, units: AskedIn) -> list[Answer]:
    out = [
        {"name": q.name, "words": q.words, "unit": symbol_of(q, units),
         "value": _offered(study, q, units), "choices": q.choices}
        for q in QUESTIONS if q.name in FIELDS
    ]  # fmt: skip
    start = "" if study.plan.start is None else f"{study.plan.start}"
    words = {"name": "start", "words": "First day", "unit": ""}
    out.insert(1, {**words, "value": start, "choices": ()})
    return out


def _offered(study: Study, q: Question, units: AskedIn) -> str:
    """What the study says, as the form offers it."""
    value = getattr(study.plan, q.name)
    told = ("yes" if value else "no") if isinstance(value, bool) else value
    return value_offered(q, f"{told}", units)


def _with_typed(
    study: Study, typed: Mapping[str, str], units: AskedIn
) -> tuple[Study, dict[str, str]]:
    """The study with what was typed in its [plan], and by field what is wrong."""
    by_name = {q.name: q for q in QUESTIONS}
    faults: dict[str, str] = {}
    for name in FIELDS:
        text = typed.get(name, "").strip()
        if not text:
            continue
        try:
            if len(text) > 60:
                raise InputError(f"{name}: {len(text)} characters: write at most 60")
            value: object = text
            if name == "start":
                value = _date(text)
            else:
                if text == _offered(study, by_name[name], units):
                    continue
                value = answer_typed(by_name[name], text, units)
                value = value == "yes" if name == "switched_by_other" else value
            study = with_options(study, {name: value})
        except InputError as e:
            faults[name] = str(e).removeprefix("--")
    return study, faults


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"'{text}' is no date: write YYYY-MM-DD") from None


def _can_show(folder: Path, study: Study, drawn: bool) -> Answer:
    """What the days can show, kept for the same study, pilot and day."""
    now = dt.datetime.now().astimezone()
    logs = (*pilot_logs(folder), *pilot_logs(folder, place=CONTROL_PILOT_FOLDER))
    pilot = [(str(p), p.stat().st_mtime_ns) for p in logs]
    units = for_reader(study.units)
    key = f"{study.model_dump_json()} {pilot} {now.date()} {units}"
    if key not in _SHOWN:
        if len(_SHOWN) >= MOST_KEPT:
            _SHOWN.clear()
        with shown_in(units):
            try:
                _SHOWN[key] = _computed(folder, study, drawn, now)
            except RoadlogError as e:
                _SHOWN[key] = {"problem": str(e)}
    return _SHOWN[key]


def _computed(folder: Path, study: Study, drawn: bool, now: dt.datetime) -> Answer:
    refuse_vague_carry_over(study)
    if in_periods(study):
        return _periods_computed(folder, study, drawn, now)
    layout = unit_plan(study.plan, study.device.washout_km)
    scatter, together = _scatter(folder, study, layout)
    p = propose(study, scatter, now, kept=drawn)
    lines = verdict.days_lines(p.schedule, study.plan, p.spare)
    lines += verdict.size_lines(p.sized, p.scatter)
    lines += verdict.verdict_lines(p.sized, p.scatter, p.layout, study.plan, study.claim)
    lines += verdict.loss_lines(p.lost, p.sized.needed)
    lines += verdict.control_lines(study, together)
    per_unit = study.plan.days_per_unit
    curve = _curve(p.scatter, p.layout, study.claim)
    return {
        "rows": _rows(lines),
        "chances": [[c.true_pct, c.refuted, c.supported, c.undecided] for c in p.sized.chances],
        "points": [[n * per_unit, y] for n, y in curve.items()],
        "days": sum(1 + len(u.also) for u in p.schedule.unit),
        "settles": p.sized.settles,
        "calendar": _calendar(study, p.schedule if drawn else None),
        "by_period": False,
        "buys": [],
        "together": None,
        "too_few": "",
    }


def _periods_computed(folder: Path, study: Study, drawn: bool, now: dt.datetime) -> Answer:
    """What two cars can show of an add-on that comes once, or comes and goes."""
    scatter, pilot = _scatter(folder, study, unit_plan(study.plan, 0))
    if drawn and study.schedule is not None:
        study = with_options(study, {"days": len(study.schedule.unit)})
    together = pilot or assumed(MIDDLING, scatter.unit_sd, scatter.df)
    sizes, by_days = two_car_sizes(study, scatter, pilot), sizes_by_days(study, scatter, together)
    schedule, too_few = study.schedule if drawn else None, ""
    if study.control is not None and not drawn:
        try:
            schedule = planned_periods(study, now.date())
        except DesignError as e:
            too_few = str(e)
    return {
        "rows": _rows(verdict.period_lines(study, sizes, table=False)),
        "chances": [],
        "points": [[n, s.refutable_pct if s.refuted is None else s.refuted]
                   for n, s in by_days.items()],
        "days": study.plan.days if schedule is None else len(schedule.unit),
        "settles": None if study.claim is None else 0.0,
        "by_period": True,
        "buys_days": sum(sizes.periods),
        "buys": [[way.days is not None, s.together, s.half_width_pct, -s.refutable_pct, s.refuted]
                 for way, s in sizes.by_way],
        "calendar": _calendar(study, schedule),
        "together": together.correlation,
        "too_few": too_few,
    }  # fmt: skip


def _calendar(study: Study, schedule: Schedule | None) -> Answer | None:
    """The schedule's days, where whoever drives may know them."""
    if schedule is None or schedule.shut or driver_is_blind(study):
        return None
    return calendar(study, schedule)


def _proposal(folder: Path, study: Study, now: dt.datetime) -> Proposal:
    layout = unit_plan(study.plan, study.device.washout_km)
    return propose(study, _scatter(folder, study, layout)[0], now, kept=False)


def _scatter(folder: Path, study: Study, layout: UnitPlan) -> tuple[Scatter, Together | None]:
    control = pilot_logs(folder, place=CONTROL_PILOT_FOLDER)
    return scatter_for_plan(study, pilot_logs(folder), control, layout.runs_per_unit)


@lru_cache(maxsize=MOST_KEPT)
def _curve(scatter: Scatter, layout: UnitPlan, claim: Claim | None) -> dict[int, float]:
    """By switch units: the chance to refute the claim, or without one what can be refuted [%]."""
    if claim is None:
        return refutable_curve(scatter, layout)
    return settling_curve(scatter, layout, claim)


def _rows(lines: list[str]) -> list[list[str]]:
    """Labelled paragraphs of a terminal as rows: label and text."""
    rows: list[list[str]] = []
    for line in lines:
        label, text = line[:LABEL].strip(), line[LABEL:].strip()
        if label or not rows:
            rows.append([label, text])
        else:
            rows[-1][1] += f" {text}"
    return rows


def draw(
    *, folder: str, typed: dict[str, str], passphrase: str, hidden: str, called: str, key: str
) -> Answer:
    """Draw the schedule, register, write the papers, as `roadlog plan` does.

    Under a seal the switcher's files are kept by `handing` for the browser that has `key`, before
    anything of the schedule is in the study; the study gets a copy of an encrypted one alone.
    """
    place, now = Path(folder), dt.datetime.now().astimezone()
    with one_writer(place, "a plan"):
        saved = load_study(place)
        if has_schedule(saved):
            raise InputError("the study has a schedule already, and keeps it")
        study, faults = _with_typed(saved, typed, _asked_in(saved, typed))
        if faults:
            return {"faults": faults}
        _refuse(place, study)
        if in_periods(study):
            return _draw_periods(place, saved, study, passphrase, now)
        with shown_in(study.units):
            p = _proposal(place, study, now)
            loose = verdict.looseness(p.lost, p.sized.needed)
            made, schedule = None, p.schedule
            if study.plan.switched_by_other:
                made = sealed_papers(study, schedule, passphrase or None, now)
                schedule = made.schedule
                papers = {f"sealed{s}": content for s, content in made.papers.items()}
                put(Path(hidden), key, called, made.sealed.sha256, papers)
            _write_changes(place, saved, study)
            if made is not None:
                _seal(place, made, now, encrypted=bool(passphrase))
            whole = study.model_copy(update={"schedule": schedule})
            written = write_plan(place, whole, now, loose, kept=False)
            keep_promise(place, promise_of(p.sized, p.scatter, study.claim, now))
    return {"sha256": written.entry.sha256, "sealed": made is not None}


def _refuse(folder: Path, study: Study) -> None:
    refuse_mediators((*study.analysis.noted_covariates, *(study.analysis.covariates or ())))
    refuse_vague_carry_over(study)
    if in_periods(study):
        _refuse_periods(study)
    elif study.plan.switched_by_other:
        refuse_logs(folder, study)
    elif study.plan.dummy_days:
        raise InputError(
            "dummy_days in [plan]: whoever switches and drives knows them: let somebody else switch"
        )


def _refuse_periods(study: Study) -> None:
    if study.control is None:
        raise DesignError(
            "chance doesn't deal out the days of what stays in the car for good, or comes and goes "
            "once, and without a control car they give no interval and no word: name the second "
            "car in study.toml ([control])"
        )
    if study.plan.dummy_days:
        raise InputError(
            "dummy_days in [plan] hide an order that chance draws: days without, then with the "
            "add-on are known to everybody, so leave them out"
        )


def _draw_periods(
    place: Path, saved: Study, study: Study, passphrase: str, now: dt.datetime
) -> Answer:
    """Write and register the days of both cars; there is no order to seal."""
    if passphrase:
        raise InputError(
            "a passphrase seals an order that chance draws: days without, then with the add-on are "
            "known to everybody, so leave it blank"
        )
    with shown_in(study.units):
        schedule = planned_periods(study, now.date())
        _write_changes(place, saved, study)
        whole = study.model_copy(update={"schedule": schedule})
        written = write_plan(place, whole, now, None, kept=False)
    return {"sha256": written.entry.sha256, "sealed": False}


def _write_changes(folder: Path, saved: Study, study: Study) -> None:
    values = {
        k: getattr(study.plan, k)
        for k in FIELDS
        if getattr(study.plan, k) != getattr(saved.plan, k)
    }
    if values:
        write_plan_values(folder / "study.toml", values)


def _seal(folder: Path, made: SealedPapers, now: dt.datetime, *, encrypted: bool) -> None:
    copy = folder / COPY
    if encrypted:
        atomic_write(copy, lambda p: p.write_bytes(made.papers[".json"]))
    else:
        copy.unlink(missing_ok=True)  # an earlier plan's
    at = now.isoformat(timespec="seconds")
    log_seal(folder, SealEvent("sealed", at, made.sealed.sha256, len(made.schedule.unit)))


DRAWING: dict[str, Callable[..., Answer]] = {"plan_shown": plan_shown, "draw": draw}
