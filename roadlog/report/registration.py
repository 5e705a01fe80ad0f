"""What the report says about the plan: registration, promise, later edits, looks at the data.

An `Oversight` and the effect go in; sentences and the table of looks come out.
"""

from dataclasses import dataclass, replace

import pandas as pd

from roadlog.plan.result import Look, Oversight, Promised, Stamped
from roadlog.report import tabulate
from roadlog.stats.interval import Interval


@dataclass(frozen=True)
class PlanKept:
    """The section's parts: sentences, later edits, table of looks (this one last)."""

    lines: list[str]
    changes: list[str]
    looks: tabulate.Table


def plan_kept(oversight: Oversight, primary: Interval) -> PlanKept:
    """Put an `Oversight` and what came of the plan into words."""
    return PlanKept(
        lines=[
            _registration(oversight),
            *_stamp_late(oversight),
            *_again(oversight),
            _deviations(oversight),
            *_stopping(oversight),
            *_promise(oversight, primary),
        ],
        changes=list(oversight.changes),
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
    clock = "by the clock of the computer that planned it"
    if o.stamped is not None and not o.stamp_late:
        stamp, clock = f"SHA-256 {o.registered_sha256}", existed(o.stamped)
    return (
        "Units, last day, covariates, fuel estimator, what sets a run aside, and claim were "
        f"registered before the first fitted run ({stamp}, {clock}); {kept}."
    )


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


def achieved(o: Oversight, primary: Interval) -> dict[str, float | int | None]:
    """What came beside the promise: switch units, and the interval's half-width [% of fuel]."""
    half = None
    if primary.low is not None and primary.high is not None:
        half = (primary.high - primary.low) / 2
    return {"units": o.look.units, "half_width_pct": half}


def _promise(o: Oversight, primary: Interval) -> list[str]:
    p = o.promised
    if p is None:
        return []
    when = p.made_at[:16].replace("T", " ")
    after = ", only after the first fitted run," if p.late else ""
    half = achieved(o, primary)["half_width_pct"]
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
