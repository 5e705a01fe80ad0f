"""Short questions on the result, the trials and what was published, as in `answers`."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from roadlog.study.folder import load_study

Answer = dict[str, Any]


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
    answer = read["answer"]
    look = (read.get("oversight") or {}).get("look") or {}
    found = {
        "title": answer["title"],
        "sentences": answer["sentences"],
        "said": _said(answer),
        "interim": bool(look.get("interim")),
        "planned": look.get("planned"),
        "units": look.get("units"),
        "reasons": read.get("finding_reasons") or [],
        "warnings": [w["message"] for w in read.get("warnings") or []],
        "picture": _picture(read),
        "doubted": answer.get("shows") is None,
    }
    return {**told, "found": found}


def _said(answer: dict[str, Any]) -> list[dict[str, Any]]:
    """Title and sentences for the reader's language; as written where they are of another roadlog.

    What is spoken in another language is made of facts; it is only spoken if the English that these
    facts make is, letter by letter, what the analysis wrote.
    """
    from roadlog.bench.as_data import as_data
    from roadlog.report.json_out import said_again
    from roadlog.wording.answer import first_large

    written = [answer["title"], *answer["sentences"]]
    facts = said_again(answer.get("said") or ())
    if facts is None or [first_large(str(f)) for f in facts] != written:
        return [as_data(sentence) for sentence in written]
    return [as_data(fact) for fact in facts]


def _results(home: Path) -> dict[str, Any] | None:
    path = home / "results" / "results.json"
    try:
        read: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        assert "fuel_use_change_pct" in read
        assert isinstance(read["answer"]["title"], str)
        assert isinstance(read["answer"]["sentences"], list)
    except (OSError, ValueError, AssertionError, TypeError, KeyError):
        return None
    return read


def _picture(read: dict[str, Any]) -> str | None:
    """The report's picture of the range that decides, as SVG; None where there is none to draw."""
    from roadlog.report.json_out import answer_again
    from roadlog.report.span import span_picture

    told = answer_again(read["answer"], synthetic=bool(read.get("synthetic")))
    return None if told is None else span_picture(told)


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
        "road": None if read is None else _said(read["answer"])[0],
        "trials": {r.trial: rows(r) for r in load_all(home)},
        "runout": (home / study.runout.file).is_file(),
        "runout_file": study.runout.file,
    }


LAST_ANSWERS: dict[str, Callable[..., Answer]] = {
    "result": result,
    "published": published,
    "trials": trials,
}
