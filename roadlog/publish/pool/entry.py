"""One study as the pool sees it: a rechecked archive in, numbers or the reason against them out.

Nothing is taken from what an archive says of its results: the numbers are those computed here. A
study that can't be pooled is kept with why, since leaving it out unsaid would be the worst choice.
"""

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from roadlog.analysis.answered import claimed, deciding_interval
from roadlog.analysis.doubts import ON_OPEN_FUEL
from roadlog.analysis.result import Analysed
from roadlog.effect.finding import OF_THE_WORD
from roadlog.ingest.copied import Marks
from roadlog.plan.result import Oversight
from roadlog.publish.compare import Value
from roadlog.publish.recheck import Rechecked
from roadlog.quantities.facts import Veto
from roadlog.report.top import car, driver_knew, period
from roadlog.stats.interval import FindingWord, Interval, log_half
from roadlog.wording.answer import Claimed
from roadlog.wording.numbers import ends_of
from roadlog.wording.screen import one_line

Registered = Literal[
    "vouched for", "by its own word", "late", "changed since", "of several", "none"
]
KEPT_TO: tuple[Registered, ...] = ("vouched for", "by its own word")  # the better first

LEAST_SE = 1e-6  # log of fuel use: no road test repeats to a ten-thousandth of a percent
_PROSE = frozenset(
    {"answer", "finding_reasons", "finding_vetoes", "warnings", "trials", "closure", "accessory"}
)
_PROSE_KEYS = frozenset({"method", "reason", "note", "said"})
_CHANGE, _ENDS = "fuel_use_change_pct", frozenset({"estimate", "low", "high"})


@dataclass(frozen=True)
class Entry:
    """One study that was computed anew.

    `change`, `se` are the log of the ratio of fuel use and its standard error at `df` degrees of
    freedom; `margin` what driving, air and open samples may be worth, on the same scale. `logs` are
    SHA-256 of its logs, whole and trimmed; `marks` hashes of its drives' contents, an array a
    drive; `weighed` distance and fuel of each row where fuel was only measured. `registered` says
    what was agreed before the first fitted run, and who vouches for it.
    """

    path: str
    sha256: str
    name: str
    device: str
    claim: Claimed | None
    published: dt.datetime
    dates_moved: bool
    synthetic: bool
    interval: Interval
    change: float
    se: float
    df: float
    margin: float
    word: FindingWord | None
    registered: Registered
    fingerprint: str | None
    root_sha256: str | None
    by_chance: bool
    units: tuple[int, int]
    switched_by: str
    drives: int
    control_drives: int
    km: float
    vehicle: str
    authors: tuple[str, ...]
    driver: str
    dates: str
    estimator: str
    other_code: bool
    logs: frozenset[str]
    weighed: frozenset[tuple[float, float]]
    marks: tuple[Marks, ...] = field(default=(), compare=False, repr=False)
    whole_logs: frozenset[str] = frozenset()  # those of `logs` that are of logs before trimming

    @property
    def only_measured(self) -> bool:
        """Whether fuel was only weighed or filled, so that driving was never held equal."""
        return self.estimator == "ledger"

    @property
    def label(self) -> str:
        """Its name and the beginning of its archive's SHA-256, since names may be alike."""
        return f"{self.name or 'no name'} ({self.sha256[:8]})"


@dataclass(frozen=True)
class Refused:
    """An archive that isn't pooled: its path, the study's name where one could be read, and why."""

    path: str
    name: str
    why: str
    fingerprint: str | None = None


def entry_of(
    path: str,
    done: Rechecked,
    marks: Iterable[Marks],
    roots: frozenset[str],
    shown: frozenset[str],
) -> Entry | Refused:
    """The study of a rechecked archive, or why it can't be pooled.

    Parameters
    ----------
    path : str
        As the user named the archive.
    done : Rechecked
    marks : iterable of array
        Hashes of what stands in each drive.
    roots, shown : set of str
        SHA-256 of time-stamp roots that the user trusts, and of plans that were shown in public.
    """
    a = done.analysed
    name = one_line(done.opened.about.study)
    fingerprint = None if a is None else _fingerprint(a.oversight)
    if why := unsound(done) or _unfit(done):
        return Refused(path, name, why, fingerprint)
    assert a is not None
    interval = deciding_interval(a)
    ends = ends_of(interval)
    assert ends is not None
    change = math.log1p(interval.estimate / 100)
    held = 0.0 if a.effect.held is None else a.effect.held.margin
    open_fuel = a.ambiguity_pct / 200 if math.isfinite(a.ambiguity_pct) else 0.0
    return Entry(
        path=path,
        sha256=done.opened.sha256,
        name=one_line(a.study.name),
        device=one_line(a.study.device.name),
        claim=None if a.study.claim is None else claimed(a.study.claim),
        published=done.opened.about.published,
        dates_moved=done.opened.about.dates_moved,
        synthetic=a.study.synthetic,
        interval=interval,
        change=change,
        se=_se(ends, interval.df),
        df=interval.df,
        margin=held + open_fuel,
        word=a.finding.word,
        registered=registered(a.oversight, roots, shown),
        fingerprint=fingerprint,
        root_sha256=_root(a.oversight),
        by_chance=a.study.randomised,
        units=(a.baseline.switch_units, a.fitted.switch_units),
        switched_by=a.switched_by,
        drives=int(a.runs["used"].astype(bool).sum()),
        control_drives=0 if a.control is None else len(a.control.runs),
        km=a.baseline.km + a.fitted.km,
        vehicle=car(a.study.vehicle),
        authors=tuple(filter(None, map(one_line, done.opened.about.authors))),
        driver=driver_knew(a),
        dates=_dates(a, done.opened.about.dates_moved),
        estimator=a.fuel_estimator,
        other_code=bool(done.other_versions),
        logs=_logs(a, done),
        whole_logs=frozenset(done.opened.about.untrimmed_sha256.values()),
        marks=tuple(marks),
        weighed=_weighed(a),
    )


def unsound(done: Rechecked) -> str:
    """Why the archive isn't what it says, as a clause; "" where its numbers come out again.

    With other versions than here, sentences may be worded otherwise and keys may be new; every
    number that both have must be the same within the tolerance of `recheck`.
    """
    if done.faults:
        more = f", and {len(done.faults) - 1} more faults" if len(done.faults) > 1 else ""
        return f"it doesn't recheck: {one_line(done.faults[0])}{more}"
    odd = [v for v in done.values if not v.same]
    if done.other_versions:
        odd = [v for v in odd if not _only_worded_otherwise(v)]
    if odd:
        first = f"{odd[0].group} / {odd[0].place}" if odd[0].place else odd[0].group
        other = ", by other versions than here" if done.other_versions else ""
        return (
            f"it doesn't recheck: {len(odd)} of {len(done.values)} published values don't come out "
            f"again{other} (the first: {one_line(first)})"
        )
    about, a = done.opened.about, done.analysed
    if a is None or not done.values:
        return "it doesn't recheck: nothing could be computed anew"
    if not {v.place for v in done.values if v.group == _CHANGE and v.same} >= _ENDS:
        return "it doesn't recheck: it publishes no change of fuel use to hold against"
    if about.synthetic != a.study.synthetic:
        return "its archive.json and its study don't agree whether a program made the data"
    return ""


def registered(o: Oversight | None, roots: frozenset[str], shown: frozenset[str]) -> Registered:
    """What the recheck itself bears out of a registration.

    Its own register and clock are the author's word. That is vouched for only by a plan's
    fingerprint that the user saw in public, or a time-stamp from before the first fitted run whose
    root the user trusts: a root that came with the study could be anybody's.
    """
    if o is None or o.registered_sha256 is None:
        return "none"
    if o.registered_late:
        return "late"
    if o.changes:
        return "changed since"
    stamped = o.stamped is not None and not o.stamp_late and o.stamped.root_sha256 in roots
    return "vouched for" if stamped or o.registered_sha256 in shown else "by its own word"


def _fingerprint(o: Oversight | None) -> str | None:
    return None if o is None else o.registered_sha256


def _root(o: Oversight | None) -> str | None:
    return None if o is None or o.stamped is None else o.stamped.root_sha256


def _unfit(done: Rechecked) -> str:
    """Why a sound study's numbers can't be pooled, as a clause; "" where they can."""
    a = done.analysed
    assert a is not None
    seen = a.oversight
    if seen is not None and seen.look.interim:
        where = f"{seen.look.units} of {seen.look.planned} planned switch units are in"
        if not seen.spends_alpha or a.finding.word in (None, "undecided"):
            return f"it isn't over: {where}"
    spoken = [
        v
        for v in a.finding.vetoes
        if not (isinstance(v, Veto) and v.plain in (*OF_THE_WORD, ON_OPEN_FUEL))
    ]
    if spoken:
        plain = spoken[0].plain if isinstance(spoken[0], Veto) else spoken[0]
        more = f", and {len(spoken) - 1} more" if len(spoken) > 1 else ""
        return f"its figures can't be relied on: {one_line(str(plain))}{more}"
    interval = deciding_interval(a)
    ends = ends_of(interval)
    if ends is None or not math.isfinite(interval.estimate) or not interval.df > 0:
        return "it has no interval: the add-on went in and out too few times"
    if min(interval.estimate, *ends) <= -100:
        return "its interval reaches beyond no fuel at all"
    if not _se(ends, interval.df) > LEAST_SE:
        return "its days agree to the last digit, as no road test does"
    return ""


def _se(ends: tuple[float, float], df: float) -> float:
    """Log of fuel use: what a 95 % interval with these ends [%] would rest on."""
    from scipy.special import stdtrit

    return log_half(*ends) / float(stdtrit(df, 0.975))


def _only_worded_otherwise(v: Value) -> bool:
    """A sentence, or a key that only one version has: no number that both published."""
    if v.how in ("not recomputed", "not published") or v.group == "schema":
        return True
    prose = v.group in _PROSE or v.place.rpartition(" / ")[2] in _PROSE_KEYS
    return prose and isinstance(v.published, str) and isinstance(v.recomputed, str)


def _dates(a: Analysed, moved: bool) -> str:
    driven = period(a) or "not known"
    return f"{driven} (moved)" if moved and driven != "not known" else driven


def _logs(a: Analysed, done: Rechecked) -> frozenset[str]:
    tables = [a.runs, *([] if a.control is None or a.control.runs.empty else [a.control.runs])]
    rows = [h for runs in tables for h in runs["sha256"].dropna().astype(str)]
    here = {h for h in rows if h and a.fuel_estimator != "ledger"}
    return frozenset({*here, *done.opened.about.untrimmed_sha256.values()})


def _weighed(a: Analysed) -> frozenset[tuple[float, float]]:
    if a.fuel_estimator != "ledger":
        return frozenset()
    rows = a.runs.loc[a.runs["used"].astype(bool), ["km", "fuel_l"]].dropna()
    return frozenset(zip(rows["km"].round(3), rows["fuel_l"].round(5), strict=True))
