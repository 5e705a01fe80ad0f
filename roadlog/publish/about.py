"""What an archive says of itself: by which versions and settings its results were made, and when.

An `About` goes to `archive.json` and comes back; `versions` and `code_sha256` tell this
installation's side, so that a difference found elsewhere can be laid beside a differing version.
"""

import datetime as dt
import json
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution
from typing import Any, get_args

from roadlog import __version__
from roadlog.errors import InputError
from roadlog.study.durable import json_text
from roadlog.study.own_code import code_sha256
from roadlog.study.settings import Order, SwitchedBy

FORMAT = 1
MOVED = " (all dates moved by an untold time)"
CODE = "roadlog's code, SHA-256"


@cache
def versions() -> dict[str, str]:
    """Python, roadlog, its code's SHA-256 and every package that it needs, directly or not.

    Nothing else that is installed here is told.

    >>> sorted(versions())[:1], "numpy" in versions()
    (['Python'], True)
    """
    found: dict[str, str] = {}
    wanted = ["roadlog"]
    while wanted:
        name = re.sub(r"[-_.]+", "-", wanted.pop()).lower()
        if name in found:
            continue
        try:
            package = distribution(name)
        except PackageNotFoundError:
            continue  # wanted on another system or Python only
        found[name] = package.version
        for needed in package.requires or ():
            if "extra ==" not in needed:
                wanted.append(re.split(r"[^\w.-]", needed.strip(), maxsplit=1)[0])
    found["roadlog"] = __version__
    here = {"Python": ".".join(map(str, sys.version_info[:3])), CODE: code_sha256()}
    return here | dict(sorted(found.items()))


@dataclass(frozen=True)
class About:
    """What `archive.json` holds.

    Parameters
    ----------
    study : str
    published : aware datetime
        Also the `now` of the analysis: what was an interim look then stays one.
    dates_moved : bool
        Whether all dates, that of publication too, are moved by an untold time.
    licence : str
        SPDX identifier.
    authors : tuple of str
        None unless the user gives them.
    switched_by, order : str, optional
        As given to `analyse`, where they don't come from study.toml.
    untrimmed_sha256 : mapping
        Log in the archive -> SHA-256 of the log that it was trimmed from.
    cannot_tell : tuple of str
        What a trimmed log can't tell any more, as sentences.
    carried : mapping
        Figure in words -> value: figures from the untrimmed logs, which can't be computed anew.
    versions : mapping
        Of what made the results.
    """

    study: str
    published: dt.datetime
    licence: str
    synthetic: bool = False
    dates_moved: bool = False
    authors: tuple[str, ...] = ()
    switched_by: SwitchedBy | None = None
    order: Order | None = None
    untrimmed_sha256: Mapping[str, str] = field(default_factory=dict)
    cannot_tell: tuple[str, ...] = ()
    carried: Mapping[str, float | str | None] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=versions)

    def as_text(self) -> str:
        """As JSON; the same `About` gives the same text."""
        plain = {f.name: getattr(self, f.name) for f in fields(self)}
        plain["published"] = self.published.isoformat(timespec="seconds")
        for name in ("untrimmed_sha256", "carried", "versions"):
            plain[name] = dict(plain[name])
        whole = {"format": FORMAT, **plain}
        return json_text(whole)


def told_of_trimming(told: Mapping[str, Any]) -> tuple[str, ...]:
    """What trimmed logs can't tell any more, from what `trimmed_study` tells of itself.

    >>> told_of_trimming({"clock": "hours", "runs": 4, "runs_not_shown": 1, "carried": ["rain"]})[1]
    'Start times are whole hours.'
    """
    gone = told.get("runs_not_shown", 0)
    whole = f"; {gone} of {told.get('runs')} drives aren't shown at all" if gone else ""
    clock = {
        "hours": "Start times are whole hours.",
        "shifted": "All dates and times are moved alike by an untold time.",
    }
    said = [
        "The logs show each drive from the first to the last piece of road that both arms drive, "
        f"without what lies near its ends{whole}.",
        clock.get(str(told.get("clock")), ""),
    ]
    for start, names in (
        ("Taken over from the whole logs, not to be computed from these: ", told.get("carried")),
        ("Not in the logs any more: ", told.get("not_told")),
    ):
        if names:
            said.append(f"{start}{'; '.join(map(str, names))}.")
    return tuple(s for s in said if s)


def each_once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """A table of JSON in which no key is there twice: two readers could take it for two things."""
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [k for k, _ in pairs]
        raise ValueError(f"'{next(k for k in keys if keys.count(k) > 1)}' is there twice")
    return found


def read_about(text: str, where: str) -> About:
    """The `About` that `as_text` wrote.

    Raises
    ------
    InputError
        If the text is none, or one of a later format.
    """
    try:
        data = json.loads(text, object_pairs_hook=each_once)
        found = data.pop("format")
        if found == FORMAT:
            return _about(data)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as e:
        raise InputError(f"{where}: not what roadlog publish wrote ({e})") from e
    raise InputError(
        f"{where}: format {found!r} isn't known to roadlog {__version__}: use a later roadlog"
    )


def _about(data: dict[str, Any]) -> About:
    data["published"] = dt.datetime.fromisoformat(data["published"])
    if data["published"].tzinfo is None:
        raise ValueError("published has no zone")
    for name in ("authors", "cannot_tell"):
        data[name] = tuple(map(str, data[name]))
    for name in ("untrimmed_sha256", "versions"):
        data[name] = {str(k): str(v) for k, v in data[name].items()}
    data["carried"] = dict(data["carried"])
    for name, known in (("switched_by", get_args(SwitchedBy)), ("order", get_args(Order))):
        if data[name] not in (None, *known):
            raise ValueError(f"{name} is none of {', '.join(known)}")
    about = About(**data)
    if not all(isinstance(v, str) for v in (about.study, about.licence)):
        raise TypeError("study and licence are texts")
    return about
