"""What the report says about the plan: registration, promise, later edits, looks at the data.

An `Oversight` and the effect go in; sentences and the table of looks come out.
"""

import math
from dataclasses import dataclass, replace

import pandas as pd

from roadlog.analysis.result import Analysed
from roadlog.plan.result import Look, Oversight, Promised, Stamped
from roadlog.report import tabulate
from roadlog.report.narrow import scatter_pct, width_of
from roadlog.wording.numbers import ends_of
from roadlog.wording.screen import typeset


@dataclass(frozen=True)
class PlanKept:
    """The section's parts: sentences, later edits, promised beside came, looks (this one last)."""

    lines: list[str]
    changes: list[str]
    against: tabulate.Table
    looks: tabulate.Table


@dataclass(frozen=True)
class Came:
    """What came beside the promise.

    `half_width_pct`, `scatter_pct` (between switch units) and `refutable_pct` [% of fuel] are None
    where there is no interval; `claim_pct` is the claim now.
    """

    units: int
    half_width_pct: float | None
    scatter_pct: float | None
    refutable_pct: float | None
    word: str | None
    last_day: str | None
    claim_pct: float | None


def plan_kept(oversight: Oversight, came: Came) -> PlanKept:
    """Put an `Oversight` and what came of the plan into words."""
    return PlanKept(
        lines=[
            _registration(oversight),
            *_stamp_late(oversight),
            *_again(oversight),
            _deviations(oversight),
            *_stopping(oversight),
            *_promise(oversight, came),
        ],
        changes=list(oversight.changes),
        against=planned_against_achieved(oversight, came),
        looks=tabulate.table(_looks(each_once(oversight))),
    )


def each_once(o: Oversight) -> list[Look]:
    """All looks, this one last; a repeat of the last look by the same choices is the same look."""
    earlier = list(o.earlier)
    if earlier and replace(earlier[-1], time=o.look.time, finding=None) == o.look:
        earlier.pop()
    return [*earlier, o.look]


def _registration(o: Oversight) -> str:
    if o.registered_at is None:
        return (
            "The analysis was not registered before the first fitted run (roadlog plan does it), "
            "so nothing but the author's word shows that its choices came before the data."
        )
    stamp = f"{o.registered_at[:16].replace('T', ' ')}, SHA-256 {o.registered_sha256}"
    if o.registered_late:
        return f"The analysis was registered only after the first fitted run ({stamp})."
    kept = "nothing was changed since" if not o.changes else "what was changed since is below"
    if o.stamped is not None and not o.stamp_late:
        stamp = f"SHA-256 {o.registered_sha256}"
    return (
        "Units, last day, covariates, fuel estimator, what sets a run aside, and claim were "
        f"registered before the first fitted run ({stamp}, {by_what(o)}); {kept}."
    )


def by_what(o: Oversight) -> str:
    """What tells that the registration came first: an authority's word, or a computer's clock."""
    if o.stamped is None or o.stamp_late:
        return "by the clock of the computer that planned it"
    return existed(o.stamped)


def existed(stamp: Stamped) -> str:
    """When and by whose word a fingerprint existed, and what stands behind that word."""
    root = (
        "which the study's author gave"
        if stamp.root_from == "given"
        else "which only came with the token, so that nothing here vouches for it"
    )
    when = stamp.at.replace("T", " ").removesuffix("+00:00")
    return (
        f"which existed at {when} UTC according to {stamp.authority}, "
        f"by a time-stamp (RFC 3161) whose root is {stamp.root}, SHA-256 {stamp.root_sha256}, "
        f"{root}; whether a certificate was revoked isn't checked"
    )


def _stamp_late(o: Oversight) -> list[str]:
    if o.stamped is None or not (o.stamp_late or o.registered_late):
        return []
    what = f"A time-stamp says of that fingerprint: {existed(o.stamped)}"
    return [f"{what}; that is after the first fitted run." if o.stamp_late else f"{what}."]


def _again(o: Oversight) -> list[str]:
    if o.registrations < 2:
        return []
    return [
        f"It was registered {o.registrations} times in all, each kept in computed/registered.json: "
        "the last one before the first fitted run counts."
    ]


def _deviations(o: Oversight) -> str:
    if not o.exclude_if:
        return (
            "No word was agreed by which a noted deviation sets a run aside (exclude_if in "
            "[analysis]), so none does."
            if o.registered_at is not None and not o.registered_late
            else "No word is named by which a noted deviation sets a run aside, so none does."
        )
    words = " or ".join(f"“{w}”" for w in o.exclude_if)
    rule = f"A run whose noted deviation says {words} is set aside"
    if o.registered_at is None or o.registered_late:
        return f"{rule}; nothing shows that this was agreed before the data."
    return f"{rule}: agreed by that registration. Any other noted deviation leaves the run in."


def _stopping(o: Oversight) -> list[str]:
    look = o.look
    if o.stop_date is None or not look.planned:
        return ["No last day was planned, so nothing says when the test was to end."]
    when = f"{look.units} of {look.planned} planned switch units were driven"
    lines = [f"The last planned day is {o.stop_date}; {when}."]
    if o.spends_alpha:
        lines.append(
            "Looks before the last day may decide: they share the 5 % by an "
            "O'Brien-Fleming-type spending function (Lan and DeMets 1983)."
        )
    return lines


def achieved(analysed: Analysed) -> Came:
    """What came beside what the plan promised, by the 95 % interval that the promise is of."""
    a, primary = analysed, analysed.effect.primary
    ends, claim = ends_of(primary), a.study.claim
    arms = a.baseline.switch_units, a.fitted.switch_units
    width = width_of(primary, sum(arms))
    margin = 0.0 if a.effect.held is None else a.effect.held.margin
    days = a.runs.loc[a.runs["used"].astype(bool), "start"].dropna()
    return Came(
        units=sum(arms) if a.oversight is None else a.oversight.look.units,
        half_width_pct=None if ends is None else (ends[1] - ends[0]) / 2,
        scatter_pct=None if width is None else scatter_pct(width, *arms),
        refutable_pct=None if width is None else 100 * math.expm1(-width.detects - margin),
        word=a.finding.word,
        last_day=None if days.empty else f"{days.max():%Y-%m-%d}",
        claim_pct=None if claim is None else claim.fuel_use_change_pct,
    )


def planned_against_achieved(o: Oversight, came: Came) -> tabulate.Table:
    """Each thing promised beside what came, '–' where nothing was promised or came."""
    p = o.promised

    def told(value: float | None, form: str) -> str:
        return "–" if value is None or not math.isfinite(value) else form.format(value)

    chance = None if p is None or not p.chances else 100 * p.chances[0].refuted
    rows = [
        ("switch units", str(p.units if p else o.look.planned or "–"), str(came.units)),
        ("last day", o.stop_date or "–", came.last_day or "–"),
        ("claim, % fuel", told(p.claim_pct if p else None, "{:+.1f}"),
         told(came.claim_pct, "{:+.1f}")),
        ("half-width of the 95 % interval, %", told(p.half_width_pct if p else None, "±{:.1f}"),
         told(came.half_width_pct, "±{:.1f}")),
        ("scatter between switch units, %", told(p.scatter_pct if p else None, "{:.1f}"),
         told(came.scatter_pct, "{:.1f}")),
        ("smallest claim refuted 4 times out of 5 if the add-on does nothing, % fuel",
         told(p.refutable_pct if p else None, "{:+.1f}"), told(came.refutable_pct, "{:+.1f}")),
        ("chance that the claim is refuted if the add-on does nothing", told(chance, "{:.0f} %"),
         f"finding: {came.word or 'none'}"),
    ]  # fmt: skip
    typed = tuple(tuple(typeset(cell) for cell in row) for row in rows)
    return tabulate.Table(("", "promised", "came"), (False, True, True), typed)


def _promise(o: Oversight, came: Came) -> list[str]:
    p = o.promised
    if p is None:
        return ["No promise of what these days can show was kept (roadlog plan makes one)."]
    when = p.made_at[:16].replace("T", " ")
    after = ", only after the first fitted run," if p.late else ""
    half = came.half_width_pct
    width = "no interval" if half is None else f"±{half:.1f} %"
    return [
        f"The plan of {when}{after} promised about ±{p.half_width_pct:.1f} % from {p.units} switch "
        f"units, by a scatter of {p.scatter_pct:.1f} % between them ({p.scatter_source}); half of "
        f"such studies come out wider. {o.look.units} units gave {width}.",
        *_chance_promised(p),
    ]


def _chance_promised(p: Promised) -> list[str]:
    if p.claim_pct is None or not p.chances:
        return []
    parts = [f"refuted {100 * p.chances[0].refuted:.0f} times in 100 if the add-on does nothing"]
    if len(p.chances) > 1:
        parts.append(f"{100 * p.chances[1].refuted:.0f} if it does half of what is claimed")
    text = f"By that plan a claim of {p.claim_pct:+.1f} % fuel is {' and '.join(parts)}"
    if len(p.chances) > 3:
        text += f", and supported {100 * p.chances[3].supported:.0f} times if it does twice that"
    return [f"{text}; otherwise the finding is undecided."]


def _looks(looks: list[Look]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "look": range(1, len(looks) + 1),
            "when": [k.time[:16].replace("T", " ") for k in looks],
            "switch units": [f"{k.units} of {k.planned}" if k.planned else k.units for k in looks],
            "kind": ["interim" if k.interim else "final" for k in looks],
            "decides by, %": [f"{100 * k.level:.4g}" for k in looks],
            "finding": [*(k.finding or "none" for k in looks[:-1]), "this report"],
            "data": [k.data_sha256[:12] for k in looks],
            "choices": [k.choices_sha256[:12] for k in looks],
        }
    )
