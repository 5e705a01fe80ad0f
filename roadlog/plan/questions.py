"""The questions behind a new study, and the commented study.toml that their answers make.

Answers (from flags or typed in) go in; the text of a `study.toml` that explains itself comes out.
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from roadlog.errors import InputError
from roadlog.study import parse_study


@dataclass(frozen=True)
class Question:
    """One thing to ask: its name, the words, the answer if none is given, and the choices."""

    name: str
    words: str
    default: str
    choices: tuple[str, ...] = ()
    number: bool = False


QUESTIONS: tuple[Question, ...] = (
    Question("name", "What is the study called?", "my test"),
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
    Question("washout_km", "After how many km is it gone? (0 if at once)", "0", number=True),
    Question(
        "claim_economy", "Claimed gain in distance per fuel, % (blank: none)", "", number=True
    ),
    Question(
        "claim_fuel", "Or claimed saving of fuel per distance, % (blank: none)", "", number=True
    ),
    Question("fuel", "Which fuel is in the tank?", "E10", ("E0", "E10", "E15", "E85", "diesel")),
    Question("displacement", "Engine displacement, litres (blank: unknown)", "", number=True),
    Question("mass", "Mass of the car as driven, kg", "1500", number=True),
    Question("days", "How many driving days are there?", "20", number=True),
    Question("runs_per_day", "How many drives a day?", "2", number=True),
    Question("km_per_run", "How long is one drive, km?", "15", number=True),
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
        answer = answer.replace(",", ".")
        try:
            float(answer)
        except ValueError:
            raise InputError(f"{question.name}: '{answer}' is no number") from None
    return answer


def ask(
    given: Mapping[str, str],
    read: Callable[[str], str] | None,
    complain: Callable[[str], object] = print,
) -> dict[str, str]:
    """All answers: those given, the rest typed in through `read`, or the defaults without it.

    A typed answer that can't be used is asked for again; a given one raises InputError.
    """
    answers: dict[str, str] = {}
    for q in QUESTIONS:
        if q.name in given:
            answers[q.name] = check_answer(q, given[q.name])
            continue
        if read is None or _settled(q.name, answers):
            answers[q.name] = q.default
            continue
        choices = f" ({' / '.join(q.choices)})" if q.choices else ""
        default = f" [{q.default}]" if q.default else ""
        while q.name not in answers:
            try:
                answers[q.name] = check_answer(q, read(f"{q.words}{choices}{default} "))
            except InputError as e:
                complain(f"  {e}: try again")
    return answers


def study_text(answers: Mapping[str, str]) -> str:
    """The commented study.toml.

    Raises
    ------
    InputError
        If the answers contradict each other, or a value is impossible.
    """
    a = answers
    if a["claim_economy"] and a["claim_fuel"]:
        raise InputError("give one claim: distance per fuel, or fuel per distance, not both")
    if a["carry_over"] == "washes out" and float(a["washout_km"] or 0) <= 0:
        raise InputError('carry over "washes out" needs the distance after which it is gone, in km')
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

# What you call the two arms: baseline is without (or off), fitted is with (and on).
[labels]
baseline = {_text(a["device"] + " out")}
fitted = {_text(a["device"] + " in")}

[vehicle]
fuel = "{a["fuel"]}"  # E0, E10, E15, E85 or diesel: what is in the tank
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

# Where the logs are; the schedule tells the arm of each by its date. Pilot drives without the
# add-on go into logs/pilot.
[logs]
any = ["logs/*.csv"]

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
