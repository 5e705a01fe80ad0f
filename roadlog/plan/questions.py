"""The questions behind a new study, and the commented study.toml that their answers make.

Answers (from flags or typed in) go in; the text of a `study.toml` that explains itself comes out.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import get_args

from roadlog.errors import InputError
from roadlog.ingest.text.handanswer import as_typed, measured, number_in, plain_answer
from roadlog.quantities.fuelnames import FUEL_NAMES
from roadlog.quantities.units import UnitChoice, canonical_unit, convert
from roadlog.study.folder import row_of
from roadlog.study.settings import Study, parse_study
from roadlog.wording.units import Metric, Units, amount, shown_in, symbol

LONGEST = 300  # characters of one answer of a form
UNIT_NAMES: dict[str, UnitChoice] = {name: name for name in get_args(UnitChoice)}
AskedIn = UnitChoice | Units


@dataclass(frozen=True)
class Question:
    """One thing to ask: its name, the words, the answer if none is given, and the choices."""

    name: str
    words: str
    default: str
    choices: tuple[str, ...] = ()
    number: bool = False
    key: str = ""  # of study.toml, where the answer goes
    unit: Metric | None = None  # of the key; the reader is asked in his own


QUESTIONS: tuple[Question, ...] = (
    Question("name", "What is the study called?", "my test"),
    Question(
        "units",
        "In which units shall pages and questions be? (km_per_l: metric with km/L; us: miles, US "
        "gallons, psi, °F; imperial: miles, imperial gallons, psi, °C)",
        "metric", get_args(UnitChoice),
    ),
    Question("device", "What is the add-on called?", "add-on"),
    Question(
        "acts_on",
        "Where does it act? (other: neither intake, fuel nor sensors; blank: not known)", "",
        ("intake", "fuel", "oxygen-sensor", "electrical", "aero-or-rolling", "other"),
    ),
    Question(
        "carry_over", "Does its effect outlast taking it out?", "none",
        ("none", "washes out", "permanent"),
    ),
    Question(
        "washout_km", "After what distance is it gone, {unit}? (0 if at once)", "0", number=True,
        key="device.washout_km", unit="km",
    ),
    Question(
        "claim_economy", "Claimed gain in distance per fuel, % (blank: none)", "", number=True,
        key="claim.economy_pct",
    ),
    Question(
        "claim_fuel", "Or claimed saving of fuel per distance, % (blank: none)", "", number=True,
        key="claim.fuel_pct",
    ),
    Question("fuel", "Which fuel is in the tank?", "E10", FUEL_NAMES),
    Question(
        "displacement", "Engine displacement, litres (blank: unknown)", "", number=True,
        key="vehicle.displacement_l",
    ),
    Question(
        "mass", "Mass of the car as driven, {unit}", "1500", number=True, key="vehicle.mass_kg",
        unit="kg",
    ),
    Question("days", "How many driving days are there?", "20", number=True, key="plan.days"),
    Question("runs_per_day", "How many drives a day?", "2", number=True, key="plan.runs_per_day"),
    Question(
        "km_per_run", "How long is one drive, {unit}?", "15", number=True, key="plan.km_per_run",
        unit="km",
    ),
    Question("road", "What kind of road?", "mixed", ("motorway", "mixed", "town")),
    Question(
        "switched_by_other", "Can somebody else switch it, unseen by the driver?", "no",
        ("yes", "no"),
    ),
)  # fmt: skip


def check_answer(question: Question, text: str) -> str:
    """The answer, or the default for a blank one.

    Raises
    ------
    InputError
        If it is none of the choices, or no number where one is needed.

    >>> check_answer(Question("mass", "?", "1500", number=True), "1310,5")
    '1310.5'
    """
    answer = text.strip() or question.default
    if question.choices and answer and answer not in question.choices:
        raise InputError(f"{question.name}: '{answer}' is none of {', '.join(question.choices)}")
    if question.number and answer:
        if "," in answer:
            answer = f"{number_in(question.name, answer):.12g}"
        try:
            finite = math.isfinite(float(answer))
        except ValueError:
            finite = False
        if not finite:
            raise InputError(f"{question.name}: '{answer}' is no number")
    if question.key and answer:
        table, _, field = question.key.partition(".")
        row_of(Study, {table: {field: _as_value(question, answer)}}, question.name)
    return answer


def _as_value(question: Question, answer: str) -> str | float | int:
    if not question.number:
        return answer
    value = float(answer)
    return int(value) if value.is_integer() else value


def against_earlier(name: str, answers: Mapping[str, str]) -> None:
    """Refuse an answer that contradicts one given before.

    Raises
    ------
    InputError
    """
    if answers.get("claim_economy") and answers.get("claim_fuel"):
        raise InputError("give one claim: distance per fuel, or fuel per distance, not both")
    washes_out = answers.get("carry_over") == "washes out"
    if name == "washout_km" and washes_out and float(answers["washout_km"] or 0) <= 0:
        raise InputError('carry over "washes out" needs the distance after which it is gone, in km')


def ask(
    given: Mapping[str, str],
    read: Callable[[str], str] | None,
    complain: Callable[[str], object] = print,
    kept: dict[str, str] | None = None,
) -> dict[str, str]:
    """All answers: those given, the rest typed in through `read`, or the defaults without it.

    Each is checked when it is given. A typed answer that can't be used is asked for again; a given
    one raises InputError before anything is asked. `kept` is filled with the answers as they come.
    """
    told = {q.name: check_answer(q, given[q.name]) for q in QUESTIONS if q.name in given}
    for name in told:
        against_earlier(name, told)
    answers: dict[str, str] = {} if kept is None else kept
    for q in QUESTIONS:
        if q.name in told or read is None or _settled(q.name, answers):
            answers[q.name] = told.get(q.name, q.default)
            if read is None:
                against_earlier(q.name, answers)
            continue
        choices = f" ({' / '.join(q.choices)})" if q.choices else ""
        units = UNIT_NAMES[answers.get("units", "metric")]
        default = f" [{_in_units(q, units)}]" if q.default else ""
        words = q.words.replace("{unit}", symbol_of(q, units))
        while q.name not in answers:
            try:
                answer = check_answer(q, _as_asked(q, read(f"{words}{choices}{default} "), units))
                against_earlier(q.name, {**answers, q.name: answer})
                answers[q.name] = answer
            except InputError as e:
                complain(f"  {e}: try again")
    return answers


def asked_at_once(units: AskedIn) -> list[tuple[Question, str, str]]:
    """Every question for a form: itself, its words, the answer offered, in the reader's units."""
    return [
        (q, q.words.replace("{unit}", symbol_of(q, units)), _in_units(q, units)) for q in QUESTIONS
    ]


def answer_typed(q: Question, text: str, units: AskedIn) -> str:
    """One answer, checked; a bare number is in the unit that was asked for.

    Raises
    ------
    InputError
    """
    return check_answer(q, _as_asked(q, text, units))


def value_offered(q: Question, value: str, units: AskedIn) -> str:
    """A value of study.toml in the units that are asked in."""
    if not q.number or not value:
        return value
    return _in_units(replace(q, default=f"{float(value):g}"), units)


def typed_in_others(q: Question, text: str, was: AskedIn, now: AskedIn) -> str:
    """What was typed under other units, in the units that are asked in now; as it is if unclear."""
    if q.unit is None or not text.strip() or symbol_of(q, was) == symbol_of(q, now):
        return text
    if text.strip() == _in_units(q, was):
        return _in_units(q, now)
    try:
        return value_offered(q, _as_asked(q, text, was), now)
    except (InputError, ValueError):
        return text


def answered_at_once(
    typed: Mapping[str, str], units: AskedIn
) -> tuple[dict[str, str], dict[str, str]]:
    """The answers of a form, each checked as one that is typed in, and by name what is wrong.

    Parameters
    ----------
    typed : what was typed, by question; one that is missing takes its default
    units : that the form asked in
    """
    answers: dict[str, str] = {}
    faults: dict[str, str] = {}
    for q in QUESTIONS:
        answers[q.name] = q.default
        if _settled(q.name, answers) and q.name != "claim_fuel":
            continue
        try:
            if len(typed.get(q.name, "")) > LONGEST:
                raise InputError(f"{q.name}: write at most {LONGEST} characters")
            offered = typed.get(q.name, "").strip() == _in_units(q, units)
            text = q.default if offered else _as_asked(q, typed.get(q.name, ""), units)
            answers[q.name] = check_answer(q, text)
            against_earlier(q.name, answers)
        except InputError as e:
            faults[q.name] = str(e)
    return answers, faults


def symbol_of(q: Question, units: AskedIn) -> str:
    """The unit that a question is asked in, "" for one without."""
    with shown_in(units):
        return "" if q.unit is None else symbol(q.unit)


def _in_units(q: Question, units: AskedIn) -> str:
    """The default as it is offered: what it is in the units that are asked in."""
    if q.unit is None or symbol_of(q, units) == q.unit:
        return as_typed(q.default) if q.number else q.default
    with shown_in(units):
        return as_typed(f"{amount(float(q.default), q.unit):.4g}")


def _as_asked(q: Question, text: str, units: AskedIn) -> str:
    """A typed answer in the unit of its key: a bare number is in the unit that was asked for.

    Raises
    ------
    InputError
        If a unit that is named doesn't fit.
    """
    text = plain_answer(text)
    if not q.number or not re.search(r"\d", text):
        return text
    named = re.search(r"\d\s*[^\W\d_]{2,}$", text)
    if q.unit is None or (symbol_of(q, units) == q.unit and not named):
        bare = re.fullmatch(r"[+-]?[\d.,]+", text)
        return f"{number_in(q.name, text):.12g}" if bare else text
    asked = canonical_unit(symbol_of(q, units)) or q.unit
    value, _ = measured(q.name, text, asked)
    return f"{convert(value, asked, q.unit):.6g}"


def study_text(answers: Mapping[str, str]) -> str:
    """The commented study.toml.

    Raises
    ------
    InputError
        If the answers contradict each other, or a value is impossible.
    """
    a = answers
    against_earlier("washout_km", a)
    claim = ""
    if a["claim_economy"]:
        claim = f"[claim]\neconomy_pct = {_number(a['claim_economy'])}"
    elif a["claim_fuel"]:
        claim = f"[claim]\nfuel_pct = {_number(a['claim_fuel'])}"
    else:
        claim = "# [claim]\n# economy_pct = 12"
    place = f'acts_on = "{a["acts_on"]}"' if a["acts_on"] else '# acts_on = "intake"'
    litres = (
        f"displacement_l = {_number(a['displacement'])}"
        if a["displacement"]
        else "# displacement_l = 1.8"
    )
    text = f"""\
# A study: one question about one car and one add-on. Lines that begin with # are remarks.
name = {_text(a["name"])}
# metric, us or imperial: what pages, screens and questions show. Keys here stay as they are named.
units = "{a["units"]}"

# What you call the two arms: baseline is without (or off), fitted is with (and on).
[labels]
baseline = {_text(a["device"] + " out")}
fitted = {_text(a["device"] + " in")}

[vehicle]
fuel = "{a["fuel"]}"  # what is in the tank: petrol E0 to E85, or diesel
{litres}  # needed where fuel is computed from pressure or absolute load
mass_kg = {_number(a["mass"])}  # car, driver and load

[device]
name = {_text(a["device"])}
# Where it acts: intake, fuel, oxygen-sensor, electrical, aero-or-rolling, or other (it touches
# neither intake nor fuel nor sensors). Undeclared, only alike fuel trims allow a firm word.
{place}
# Does its effect outlast taking it out? "none", "washes out" (then say over how many km), or
# "permanent" (additives, treatments: these can't be switched by the day).
carry_over = "{a["carry_over"]}"
washout_km = {_number(a["washout_km"] or "0")}  # set aside at the start of every switch unit

# What the seller promises, in the seller's quantity: economy_pct = 12 is 12 % more distance per
# fuel (more MPG), fuel_pct = 10 is 10 % less fuel. They are not the same.
{claim}

# What roadlog plan may use. Dates: closed = [2026-05-01]; no_switch takes weekdays or dates on
# which you drive but can't switch, as no_switch = ["wed", 2026-05-04].
[plan]
# start = 2026-05-04
days = {_number(a["days"])}
weekdays = ["mon", "tue", "wed", "thu", "fri"]
closed = []
no_switch = []
runs_per_day = {_number(a["runs_per_day"])}
km_per_run = {_number(a["km_per_run"])}
road = "{a["road"]}"  # motorway, mixed or town: used until there is a pilot
switched_by_other = {"true" if a["switched_by_other"] == "yes" else "false"}  # then the driver needn't know the arm

# Where the logs are; the schedule tells the arm of each by its date. On days that it hasn't got,
# their folder tells: logs/baseline or logs/fitted. Pilot drives without the add-on go into
# logs/pilot.
[logs]
any = ["logs/*"]

# A drive that goes wrong is noted in the column "deviation" of notes.csv. If the note holds one of
# these words, the drive is set aside; any other deviation leaves it in. Agree on the words before
# the first drive, and only on what the add-on can't bring about (a warning lamp may be its doing).
[analysis]
exclude_if = ["trailer", "other driver", "wrong fuel", "detour"]
# Columns of notes.csv that the analysis may allow for; name them before the first drive, if any.
# noted_covariates = ["payload", "air conditioning"]
driver_knew_arm = {"false" if a["switched_by_other"] == "yes" else "true"}
"""  # noqa: E501
    parse_study(text, "the new study.toml")
    return text


def _settled(name: str, answers: Mapping[str, str]) -> bool:
    """Whether earlier answers make this question needless."""
    if name == "claim_fuel":
        return bool(answers["claim_economy"])
    return name == "washout_km" and answers["carry_over"] == "permanent"


def _number(text: str) -> str:
    value = float(text)
    return str(int(value)) if value.is_integer() else repr(value)


def _text(text: str) -> str:
    return json.dumps(" ".join(text.split()), ensure_ascii=False)
