"""What must not be pooled together: entries in, those that count and the others with why out.

Different add-ons or claims, invented data beside measured ones, one study twice, and drives that
two studies share. None of it looks at what a study found.
"""

import datetime as dt
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from roadlog.errors import InputError
from roadlog.ingest.copied import sharing
from roadlog.publish.pool.entry import KEPT_TO, Entry, Refused
from roadlog.wording.answer import Claimed, claim_words
from roadlog.wording.screen import one_line

UNNAMED = "add-on"  # what study.toml has where nobody wrote a name
CLAIMS_APART_PCT = 0.05  # of fuel: what is printed of a claim
LEAST_ROWS, SHARE_OF_ROWS = 3, 0.5  # of weighed fuel, that two studies share where they are one
_TRADE_MARKS = dict.fromkeys(map(ord, "™®©℠"))
_MOST_NAMED = 3  # of archives of one name, in a sentence
_EPOCH = dt.datetime.min.replace(tzinfo=dt.UTC)


def named(device: str) -> str:
    """A name as it is compared: without case, spaces, signs of a trade mark and what only divides.

    Letters with their accents, figures with their decimal points and every other sign stay: they
    may be all that tells two models apart.

    >>> named("Bramble  Collar™") == named("bramble-collar")
    True
    >>> named("Collar 1.5") == named("Collar 15"), named("Collar+") == named("Collar")
    (False, False)
    """
    plain = unicodedata.normalize("NFKC", device.translate(_TRADE_MARKS)).casefold()
    plain = unicodedata.normalize("NFKC", plain)
    kept = [
        c
        for i, c in enumerate(plain)
        if unicodedata.category(c)[0] in "LMNS"
        or (c in ".," and plain[i - 1 : i].isdigit() and plain[i + 1 : i + 2].isdigit())
    ]
    return "".join(kept) or plain.strip()


def require_one_device(devices: Sequence[tuple[str, str]], together: str | None) -> str:
    """The add-on's name, if all studies are of one; the name that the user gives them otherwise.

    Parameters
    ----------
    devices : sequence of (archive, add-on's name)
    together : str, optional
        What the user calls all of them.

    Raises
    ------
    InputError
        If they are of several, or none is named, and the user doesn't say that they are one.
    """
    if together is not None:
        if not one_line(together):
            raise InputError("--device is empty: give the add-on's name, or leave it out")
        return one_line(together)
    groups: dict[str, list[tuple[str, str]]] = {}
    for archive, device in devices:
        groups.setdefault(named(device), []).append((archive, one_line(device)))
    if len(groups) > 1:
        told = ", ".join(
            f"'{of[0][1]}' ({_some([archive for archive, _ in of])})"
            for of in list(groups.values())[:6]
        )
        raise InputError(
            f"the archives are of {len(groups)} add-ons: {told}: pool each by itself, or give them "
            "one name with --device 'NAME' if they are one"
        )
    if set(groups) == {named(UNNAMED)}:
        raise InputError(
            "no study says which add-on it is of, so nothing shows that they are of one: give "
            "--device 'NAME' if they are"
        )
    return Counter(name for of in groups.values() for _, name in of).most_common(1)[0][0]


def require_one_claim(
    claims: Iterable[tuple[str, Claimed | None]], given: Claimed | None
) -> Claimed | None:
    """The claim of all studies that have one; the one that the user gives otherwise.

    Parameters
    ----------
    claims : iterable of (archive, claim)
    given : Claimed, optional
        By the user.

    Raises
    ------
    InputError
        If they differ and the user names none.
    """
    if given is not None:
        return given
    of = [(archive, c) for archive, c in claims if c is not None]
    known = sorted((c for _, c in of), key=lambda c: (c.quantity, c.pct))
    if not known:
        return None
    changes = [c.fuel_use_change_pct for c in known]
    if max(changes) - min(changes) > CLAIMS_APART_PCT:
        told = ", ".join(
            f"{claim_words(c)} in {_some([a for a, other in of if other == c])}"
            for c in list(dict.fromkeys(known))[:6]
        )
        raise InputError(
            f"the studies test different claims ({told}): give the one to hold the pool against "
            "with --claim-economy or --claim-fuel"
        )
    return Counter(known).most_common(1)[0][0]


def _some(archives: Sequence[str]) -> str:
    more = f" and {len(archives) - _MOST_NAMED} more" if len(archives) > _MOST_NAMED else ""
    return ", ".join(archives[:_MOST_NAMED]) + more


def measured_only(entries: Sequence[Entry]) -> tuple[list[Entry], list[Refused]]:
    """Without what programs made, where anything was measured."""
    if all(e.synthetic for e in entries):
        return list(entries), []
    why = "a program made its data, which are never pooled with measured ones"
    made = [_refused(e, why) for e in entries if e.synthetic]
    return [e for e in entries if not e.synthetic], made


def counted_once(entries: Sequence[Entry]) -> tuple[list[Entry], list[Refused]]:
    """Each drive once: of studies that share some, the one that keeps to a plan registered first.

    Otherwise nothing would stop whoever takes another's drives, computes them by settings that
    please more, and publishes last. Among those alike in this the one published last counts; where
    dates are moved by an untold time, the one with more drives.
    """
    kept: list[Entry] = []
    out: list[Refused] = []
    near = _alike(entries)
    for i in sorted(range(len(entries)), key=lambda i: _rank(entries[i]), reverse=True):
        e = entries[i]
        twin = next((k for k in kept if _near(e, k, near) and shared(e, k)), None)
        if twin is None:
            kept.append(e)
        else:
            out.append(_refused(e, _twice(e, twin)))
    return kept, out


def one_plan_each(entries: Sequence[Entry]) -> list[Entry]:
    """A plan is one study's: where several have it, whichever was planned by it nothing tells."""
    often = Counter(e.fingerprint for e in entries if e.registered in KEPT_TO)
    return [
        replace(e, registered="of several")
        if e.registered in KEPT_TO and often[e.fingerprint] > 1
        else e
        for e in entries
    ]


def shared(a: Entry, b: Entry) -> int:
    """How many drives (or rows of weighed fuel) two studies share; 0 where they are apart."""
    if a.sha256 == b.sha256:
        return a.drives + a.control_drives
    drives = len({i for i, j in sharing([*a.marks, *b.marks]) if i < len(a.marks) <= j})
    rows = len(a.weighed & b.weighed)
    if rows < max(LEAST_ROWS, SHARE_OF_ROWS * min(len(a.weighed), len(b.weighed))):
        rows = 0
    return max(_same_logs(a, b), drives, rows)


def _same_logs(a: Entry, b: Entry) -> int:
    """How many logs two studies share; a drive's, before and after trimming, count once."""
    ways = [(e.whole_logs, e.logs - e.whole_logs) for e in (a, b)]
    return max(len(mine & other) for mine in ways[0] for other in ways[1])


def _alike(entries: Sequence[Entry]) -> dict[str, int]:
    """Archive to a number: those that hold a drive alike in content, by way of others too."""
    owner = [i for i, e in enumerate(entries) for _ in e.marks]
    group = list(range(len(entries)))
    for a, b in sorted(sharing([m for e in entries for m in e.marks])):
        first, second = group[owner[a]], group[owner[b]]
        group = [first if g == second else g for g in group]
    return {e.sha256: g for e, g in zip(entries, group, strict=True)}


def _near(a: Entry, b: Entry, near: dict[str, int]) -> bool:
    """Whether two studies can share anything: a look that costs nothing."""
    return near[a.sha256] == near[b.sha256] or bool(a.logs & b.logs or a.weighed & b.weighed)


def _rank(e: Entry) -> tuple[int, dt.datetime, int, int, str, str]:
    when = _EPOCH if e.dates_moved else e.published.astimezone(dt.UTC)
    return _vouched(e), when, sum(e.units), e.drives, e.sha256, e.path


def _vouched(e: Entry) -> int:
    return len(KEPT_TO) - KEPT_TO.index(e.registered) if e.registered in KEPT_TO else 0


def _twice(e: Entry, twin: Entry) -> str:
    if e.sha256 == twin.sha256:
        return "it is there twice: counted once"
    with_control = ", the control car's counted too," if e.control_drives else ""
    drives = e.drives + e.control_drives
    told = f"it shares {shared(e, twin)} of its {drives} drives{with_control} with {twin.label}"
    if _vouched(e) < _vouched(twin):
        return f"{told}, which keeps to a plan registered first: that one counts"
    if e.dates_moved or twin.dates_moved:
        return f"{told}: one of the two counts; which is later can't be told, as dates are moved"
    return f"{told}, published later ({twin.published:%Y-%m-%d}): the later counts"


def _refused(e: Entry, why: str) -> Refused:
    return Refused(e.path, e.name, why, e.fingerprint)
