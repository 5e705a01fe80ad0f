"""The plan in plain words for a terminal: chances, verdict and what would settle the claim.

Sizes and schedule go in; lines of 88 columns come out. A driver who isn't to know the arm may
read them: they never tell which day is fitted.
"""

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from roadlog.effect.finding import LEAST_P_FOR_GATE
from roadlog.plan.promise import STUDIES, Scatter, needed_units
from roadlog.plan.result import ChanceOfWord
from roadlog.plan.size import Loss, Size, UnitPlan, log_of
from roadlog.plan.together import Together, assumed
from roadlog.plan.two_cars import ASSUMED_TOGETHER, RELIABLE, TwoCarSizes
from roadlog.plan.two_cars import STUDIES as STUDIES_OF_TWO
from roadlog.stats.randomise import ENOUGH_ASSIGNMENTS
from roadlog.study.car import Claim
from roadlog.study.settings import Plan, Schedule, Study
from roadlog.wording.screen import LABEL, paragraph

TOGETHER = (
    "Both cars start within a few minutes on every drive, same route, fuel from one pump, tyres "
    "set on the same mornings; the control car never gets the add-on, nor fuel with an additive, "
    "and its logs never lie among the test car's. Keep the distance that the law asks, or a few "
    "minutes; no phone between the cars; whoever is cut off drives on alone: road law comes first."
)


def days_lines(schedule: Schedule, plan: Plan, spare: int) -> list[str]:
    """When, how many units, in which blocks, balanced how."""
    units = schedule.unit
    first, last = units[0].unit, schedule.stop_date
    days = sum(1 + len(u.also) for u in units)
    blocks = len({u.block for u in units})
    text = (
        f"{days} driving days from {_day(first)} to {_day(last)}: {len(units)} switch units in "
        f"{_count(blocks, 'block')}, chance decides within each; {plan.runs_per_day} runs of "
        f"{plan.km_per_run:g} km a day."
    )
    if spare:
        text += f" The last {_count(spare, 'day')} made no whole block and stay out."
    lines = paragraph("Days", text)
    if schedule.weekday_limit is not None:
        lines += paragraph(
            "Balance",
            f"no weekday has more than {schedule.weekday_limit} days more in one arm than in the "
            "other.",
        )
    if plan.runs_per_day % 2 and plan.days_per_unit % 2:
        lines += paragraph(
            "Directions",
            f"{_count(plan.runs_per_day, 'run')} a day can't hold both directions equally often: "
            "drive there and back on every day, or directions and arms may go together.",
        )
    return lines


def size_lines(s: Size, scatter: Scatter) -> list[str]:
    """Scatter, expected interval, smallest effects."""
    text = (
        f"{100 * scatter.unit_sd:.1f} % from switch unit to switch unit in fuel over what the same "
        f"driving would have burned ({scatter.source})."
    )
    if scatter.df is not None:
        text += (
            f" {scatter.df:g} degrees of freedom tell it only roughly: the chances allow for it."
        )
    lines = paragraph("Scatter", text)
    lines += paragraph(
        "Interval",
        f"about +/-{s.half_width_pct:.1f} % (95 %, {s.df} degrees of freedom); half of such "
        "studies come out narrower, half wider.",
    )
    return lines + paragraph(
        "Can detect",
        f"{s.detectable_pct:.1f} % is the smallest saving found 4 times out of 5; "
        f"{-s.refutable_pct:.1f} % is the smallest claim refuted 4 times out of 5 if the add-on "
        "does nothing.",
    )


def chance_lines(chances: Sequence[ChanceOfWord]) -> list[str]:
    """A small table: how often each final word comes, by what the add-on really does."""
    if not chances:
        return []
    names = ("does nothing", "does half of it", "does what is claimed", "does twice that")
    head = f"{'if the add-on':31}{'refuted':>9}{'supported':>11}{'undecided':>11}"
    rows = [
        f"{name + f' ({c.true_pct + 0.0:+.1f} %)':31}"
        f"{_share(c.refuted):>9}{_share(c.supported):>11}{_share(c.undecided):>11}"
        for name, c in zip(names, chances, strict=False)
    ]
    note = f"of {STUDIES:,} simulated studies, judged by the rule that the analysis uses"
    return _table("Chances", [head, *rows, note])


def curve_lines(curve: Mapping[int, float], days_per_unit: int) -> list[str]:
    """Smallest claim that can be refuted, by days."""
    each = ", ".join(f"{-x:.1f} in {n * days_per_unit}" for n, x in curve.items())
    return paragraph(
        "By days",
        "smallest claim [% of fuel] refuted 4 times out of 5 if the add-on does nothing: "
        f"{each} days.",
    )


def loss_lines(lost: Sequence[Loss], needed: int | None) -> list[str]:
    """What loose protocol costs, in switch units, the dearest first."""
    if not lost or needed is None:
        return []
    each = "; ".join(f"{'over 400' if k.needed is None else k.needed} for {k.words}" for k in lost)
    return paragraph(
        "Looseness",
        f"{needed} switch units refute the claim 4 times out of 5; with each of these alone it "
        f"takes {each} (run errors of public trips of one car).",
    )


def looseness(lost: Sequence[Loss], needed: int | None) -> str | None:
    """The dearest looseness in one sentence for the sheet."""
    if not lost or needed is None:
        return None
    most = "over 400" if lost[0].needed is None else lost[0].needed
    return f"With {lost[0].words}, the claim takes {most} switching times instead of {needed}."


def verdict_lines(
    s: Size, scatter: Scatter, layout: UnitPlan, plan: Plan, claim: Claim | None
) -> list[str]:
    """Whether the days can settle the claim, and what would if they can't."""
    if claim is None or s.settles is None:
        return paragraph(
            "Verdict", "no claim is given in [claim], so there is nothing to size the test by."
        )
    c = claim.fuel_use_change_pct
    chance = f"{100 * s.settles:.0f} %" if s.settles < 0.995 else "more than 99 %"
    if s.settles >= RELIABLE:
        spare = f"; {s.needed} switch units would do for 80 %" if s.needed else ""
        lines = paragraph(
            "Verdict",
            f"these days can settle the claim ({c:+.1f} % fuel): if the add-on does nothing, they "
            f"refute it with a probability of {chance}{spare}.",
        )
    else:
        lines = paragraph(
            "Verdict",
            f"these days can NOT settle the claim ({c:+.1f} % fuel): even if the add-on does "
            f"nothing, they refute it with a probability of only {chance}.",
        )
        lines += paragraph("What would", _remedies(s, scatter, layout, plan, claim))
    return lines + paragraph(
        "Mind",
        "an add-on that does exactly what is claimed stays undecided, because the interval then "
        "lies astride the claim: to be supported it has to beat it by about as much as the "
        "smallest claim that can be refuted.",
    )


_WRITE_CONTROL = (
    "write [control] into study.toml (its logs go into logs/control), and plan again: that writes "
    "the schedule of both cars."
)
WIDE = 1.0  # of a correlation's interval, beyond which a pilot says next to nothing


def chance_line(assignments: int) -> list[str]:
    """Whether the schedule is rich enough for the randomisation interval."""
    enough = (
        "enough for an interval that assumes no model"
        if assignments >= ENOUGH_ASSIGNMENTS
        else f"under {ENOUGH_ASSIGNMENTS}, too few for an interval that assumes no model"
    )
    if assignments * LEAST_P_FOR_GATE < 1:
        enough += (
            "; and too few to hold a firm word against, so that it rests on the t interval alone: "
            "two units more make it at least 36"
        )
    return paragraph("By chance", f"{assignments:,} schedules were equally likely: {enough}.")


def period_lines(study: Study, sizes: TwoCarSizes, *, table: bool = True) -> list[str]:
    """Why chance doesn't deal out the days, and what two cars show instead.

    `table` with the sizes as a table of the terminal.
    """
    if study.plan.order == "there-and-back":
        return _there_and_back_lines(study, sizes, table)
    return _permanent_lines(study, sizes, table)


def _there_and_back_lines(study: Study, sizes: TwoCarSizes, table: bool) -> list[str]:
    lines = paragraph(
        "Verdict",
        f"{study.device.name} is to come and go once (order in [plan]): days without it, with it, "
        "without it again. Chance doesn't deal out the days, so whatever else came and went "
        "meanwhile would count for it. If it can be switched by the day, leave order out: chance "
        "then needs no second car.",
    )
    lines += paragraph(
        "Control car",
        "needed: a second car on the same days and road, that never gets it. The test car's days "
        "with it are held against the mean of both baselines, less what the control car did; a "
        "firm word leaves half of the difference between the two baselines. Without a second car "
        "no interval and no word.",
    )
    lines += _size_lines(sizes, table)
    if study.control is None:
        lines += paragraph("To do", _WRITE_CONTROL)
    return lines


def _permanent_lines(study: Study, sizes: TwoCarSizes, table: bool) -> list[str]:
    lines = paragraph(
        "Verdict",
        f"{study.device.name} is declared permanent (carry_over): what stays in the car after it "
        "is taken out would count for both arms, so days can't be dealt out by chance. No "
        "schedule of days in and out is drawn.",
    )
    lines += paragraph(
        "Control car",
        "needed: a second car of one kind on the same days and road, that never gets it. Both "
        "drive without it first; then chance gives it to one of them (toss a coin before "
        "witnesses), and both drive on. The change of the treated car less that of the other is "
        "the effect: weather, traffic and fuel from one pump go out. What happens to one car alone "
        "(tyres, service, who drives) doesn't. Without a second car one change gives no interval "
        "and no word.",
    )
    lines += _size_lines(sizes, table)
    lines += paragraph(
        "More pairs",
        "one pair of cars never shows that a claim holds, since whatever else was done to the "
        "treated car at that moment counts for it: it can only refute. Two pairs of cars or more, "
        'by chance, can (roadlog fleet, switched = "vehicle").',
    )
    if study.control is None:
        lines += paragraph("To do", _WRITE_CONTROL)
    return lines + paragraph(
        "If not so",
        'correct carry_over in [device] to "none" or "washes out" if its effect ends when it is '
        "taken out.",
    )


def _size_lines(sizes: TwoCarSizes, table: bool) -> list[str]:
    """What two cars show in so many days, by how far their days go together."""
    head = f"{'days of the two cars':28}{'half-width':>11}{'refutes':>9}"
    rows = [
        f"{f'{_way(way)} {s.together:.2f}':28}{f'+/-{s.half_width_pct:.1f} %':>11}"
        f"{f'{-s.refutable_pct:.1f} %':>9}"
        + ("" if s.refuted is None else f"   the claim {100 * s.refuted:.0f} times in 100")
        for way, s in sizes.by_way
    ]
    said = " + ".join(map(str, sizes.periods))
    washout = sizes.washout_days
    aside = f", {_count(washout, 'day')} after each switch set aside" if washout else ""
    note = (
        f"{said} days{aside}, {STUDIES_OF_TWO} simulated studies of an add-on that does nothing; "
        "refutes: the smallest claim refuted 4 times out of 5"
    )
    pilots = [way for way, _ in sizes.by_way if way.days is not None]
    if pilots:
        note += "; the other rows: a control car whose days scatter as the test car's"
    lines = _table("Buys", [head, *rows]) if table else []
    lines += paragraph(" " if table else "Buys", note + ".")
    return [*lines, *(line for t in pilots for line in paragraph("Pilot", _of_pilot(t)))]


def _way(t: Together) -> str:
    return "go together by" if t.days is None else "as in the pilot,"


def _of_pilot(t: Together) -> str:
    """How far the two cars' days went together in a pilot, and how little that may say."""
    assert t.low is not None
    assert t.high is not None
    few = (
        " So few days leave nearly anything possible, and what is simulated from them is that wide:"
        " eight days or more say much more."
        if t.high - t.low > WIDE
        else ""
    )
    return (
        f"the two cars' days went together by {t.correlation:.2f} (95 % interval {t.low:.2f} to "
        f"{t.high:.2f}, {t.days} days, about their straight lines).{few}"
    )


def both_cars_lines(study: Study, schedule: Schedule) -> list[str]:
    """The days of both cars, and how they are driven together."""
    lines = []
    for k, unit in enumerate(schedule.unit):
        test = study.label(unit.arm)
        lines.append(f"{k + 1:>3}  {_day(unit.unit)}   test car: {test}   control car: without")
    return _table("Both cars", lines) + paragraph("Together", TOGETHER)


def control_lines(study: Study, together: Together | None = None) -> list[str]:
    """What a control car adds to a study that chance switches: nothing that it needs."""
    if study.control is None:
        return []
    if together is None:
        each = ", ".join(f"{assumed(r, 1.0, None).gain:.2f} at {r:.1f}" for r in ASSUMED_TOGETHER)
        buys = (
            f"{each} of correlation between the two cars' days (1.00 at 0.5: below that a second "
            "car makes it wider; a pilot of both cars in logs/pilot and logs/control_pilot tells)."
        )
    else:
        buys = (
            f"{together.gain:.2f} as the pilot has it (95 % interval {together.gain_low:.2f} to "
            f"{together.gain_high:.2f}): {_pays(together)} In it {_of_pilot(together)}"
        )
    return paragraph(
        "Control car",
        "not needed: chance switches the days. The result will be the test car's change less the "
        f"control car's; its interval is that of the test car alone times {buys} {TOGETHER}",
    )


def _pays(t: Together) -> str:
    if t.gain_high < 1:
        return "it makes the interval narrower."
    if t.gain_low > 1:
        return "it makes the interval wider, so leave it at home."
    return "too little to say whether the second car makes the interval narrower or wider."


def _remedies(s: Size, scatter: Scatter, layout: UnitPlan, plan: Plan, claim: Claim) -> str:
    options = []
    if s.needed is not None:
        switchable = [d for d in plan.weekdays if d not in plan.no_switch]
        weeks = math.ceil(s.needed * plan.days_per_unit / max(1, len(switchable)))
        options.append(f"{s.needed} switch units (about {_count(weeks, 'week')})")
    steady = needed_units(
        log_of(claim), replace(scatter, unit_sd=scatter.unit_sd / 2), layout.block_size
    )
    if steady is not None and steady <= s.units:
        options.append("the same days on a route with half the scatter (less traffic, fewer stops)")
    options.append(f"a claim of {-s.refutable_pct:.1f} % less fuel or more")
    return "; or ".join(options) + "."


def _table(label: str, lines: Sequence[str]) -> list[str]:
    """Lines that aren't wrapped, beside their label."""
    return [(label if i == 0 else "").ljust(LABEL) + line for i, line in enumerate(lines)]


def _share(chance: float) -> str:
    return f"{100 * chance:.0f} %"


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _day(day: object) -> str:
    return f"{day:%a %Y-%m-%d}" if isinstance(day, dt.date) else str(day)
