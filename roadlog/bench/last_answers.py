"""Short questions on the result, the trials and what was published, as in `answers`."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.study.folder import load_study

Answer = dict[str, Any]
AXIS_STEPS = (0.5, 1, 2, 5, 10, 20, 50)


def result(*, folder: str) -> Answer:
    """What the last analysis answers, and whether a seal has to be opened first."""
    from roadlog.plan.seal_log import COPY

    home = Path(folder)
    study = load_study(home)
    shut = study.schedule is not None and study.schedule.shut
    told = {"sealed": shut, "copy": shut and (home / COPY).is_file(), "found": None}
    read = _results(home)
    if read is None:
        return told
    change, answer = read["fuel_use_change_pct"], read["answer"]
    look = (read.get("oversight") or {}).get("look") or {}
    claim = read.get("claim") or {}
    found = {
        "title": answer["title"],
        "sentences": answer["sentences"],
        "interim": bool(look.get("interim")),
        "planned": look.get("planned"),
        "units": look.get("units"),
        "reasons": read.get("finding_reasons") or [],
        "warnings": [w["message"] for w in read.get("warnings") or []],
        "picture": interval_picture(
            change.get("estimate"), change.get("low"), change.get("high"),
            claim.get("fuel_use_change_pct"),
        ),
    }  # fmt: skip
    return {**told, "found": found}


def _results(home: Path) -> dict[str, Any] | None:
    path = home / "results" / "results.json"
    try:
        read: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        assert {"fuel_use_change_pct", "answer"} <= set(read)
    except (OSError, ValueError, AssertionError, TypeError):
        return None
    return read


def interval_picture(
    estimate: float | None, low: float | None, high: float | None, claim: float | None
) -> Answer | None:
    """Where an interval, no change and the claim lie on a line from 0 to 1000.

    Returns None if there is no estimate; `low` and `high` are None if there is no interval.

    >>> interval_picture(0.0, -1.0, 1.0, -4.0)["claim"]["at"]
    142.9
    """
    from roadlog.wording.screen import typeset

    if estimate is None:
        return None
    shown = [v for v in (0.0, estimate, low, high, claim) if v is not None]
    span = max(max(shown) - min(shown), 1.0)
    step = next((s for s in AXIS_STEPS if span / s <= 6), 100)
    first, last = (int(min(shown) // step) - 0) * step, -int(-max(shown) // step) * step
    first, last = first - step, last + step

    def at(value: float) -> float:
        return round((value - first) / (last - first) * 1000, 1)

    def point(value: float | None) -> Answer | None:
        return None if value is None else {"at": at(value), "said": typeset(f"{value:+.1f} %")}

    ticks = [first + i * step for i in range(round((last - first) / step) + 1)]
    return {
        "estimate": point(estimate),
        "low": point(low),
        "high": point(high),
        "claim": point(claim),
        "none": at(0.0),
        "ticks": [{"at": at(t), "said": typeset(f"{t:+g}" if t else "0")} for t in ticks],
    }


def published(*, folder: str) -> Answer:
    """What lies in the study's published folder, and what may be chosen."""
    from roadlog.publish.crate import LICENCES
    from roadlog.publish.write import ARCHIVE, MARK, PAGES, PDF, PICTURES, POST

    home = Path(folder)
    out = home / "published"
    told: Answer = {"licences": list(LICENCES), "made": None}
    if not (out / MARK).is_file():
        return told
    return {
        **told,
        "made": {
            "folder": str(out),
            "pages": [n for n in PAGES if (out / n).is_file()],
            "pdf": PDF if (out / PDF).is_file() else None,
            "pictures": sorted(
                f"{PICTURES}/{p.name}" for p in (out / PICTURES).glob("*-wide-light.png")
            ),
            "all_pictures": sorted(f"{PICTURES}/{p.name}" for p in (out / PICTURES).glob("*")),
            "post": (out / POST).read_text(encoding="utf-8"),
            "archive": ARCHIVE,
            "sha256": _sha256(out / ARCHIVE),
        },
    }


def _sha256(path: Path) -> str | None:
    import hashlib

    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def trials(*, folder: str) -> Answer:
    """The road test's answer, and each trial that the study keeps in rows of label and text."""
    from roadlog.trials.result import TrialResult, load_all

    home = Path(folder)
    study = load_study(home)

    def rows(r: TrialResult) -> list[tuple[str, str]]:
        told = [("Question", r.question), ("Claimed", r.claimed), ("Measured", r.measured)]
        told += [("Finding", (r.finding or "").upper()), ("How strong", r.strength)]
        told += [("Caution", c) for c in r.cautions] + [("Note", n) for n in r.notes]
        return [(label, said) for label, said in told if said]

    read = _results(home)
    return {
        "road": None if read is None else read["answer"]["title"],
        "trials": {r.trial: rows(r) for r in load_all(home)},
        "runout": (home / study.runout.file).is_file(),
        "runout_file": study.runout.file,
    }


LAST_ANSWERS: dict[str, Callable[..., Answer]] = {
    "result": result,
    "published": published,
    "trials": trials,
}
