"""Long work after the last drive: open a seal, publish, recheck an archive.

As in `tasks`, each takes a study's folder and `tell` and returns what its page shows at the end.
"""

import base64
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

from roadlog.bench.photos import PHOTOS
from roadlog.study.lock import one_writer

Tell = Callable[..., None]
Result = dict[str, Any]


def unseal(
    *, study: str, early: bool, name: str, tell: Tell, sealed: str = "", passphrase: str = ""
) -> Result:
    """Open a sealed schedule; `sealed` is the switcher's file in base64, empty for the copy."""
    from roadlog.plan.unseal import unseal as opened

    folder = Path(study)
    tell("step", name="opening the seal")
    file = (base64.b64decode(sealed), name) if sealed else None
    with one_writer(folder, "the opening of the seal"):
        done = opened(folder, file, lambda: passphrase, early=early)
    return {"text": " ".join(done.said), "said": list(done.said)}


def publish(*, study: str, clock: str, licence: str, authors: list[str], tell: Tell) -> Result:
    """Make the folder that may be shown."""
    from roadlog.publish.clock import Clock
    from roadlog.publish.write import difference, whole_beside
    from roadlog.publish.write import publish as made

    folder = Path(study)
    with one_writer(folder, "publishing"):
        done = made(
            folder, folder / "published", clock=cast(Clock, clock), licence=licence,
            authors=tuple(authors), told=lambda step: tell("step", name=step),
        )  # fmt: skip
    return {
        "text": f"{done.answer.title}. {done.answer.text}",
        "shown": difference(done.analysed, whole_beside(done.whole)),
        "missing": [f"{subject}: {why}." for subject, why in done.missing.items()],
        "doubts": [f"{doubt}." for doubt in done.doubts],
        "files": done.files,
        "sha256": done.archive_sha256,
    }


def recheck(
    *,
    study: str,
    archive: str,
    uploaded: bool,
    called: str,
    fingerprint: str,
    sha256: str,
    tell: Tell,
) -> Result:
    """Compute an archive anew and compare; an uploaded one is taken away again."""
    from roadlog.publish.recheck import recheck as compared
    from roadlog.publish.told import screen
    from roadlog.publish.unpack import open_archive

    path = Path(archive)
    try:
        tell("step", name="unpacking the archive")
        with tempfile.TemporaryDirectory(prefix="roadlog-recheck-") as folder:
            opened = open_archive(path, Path(folder))
            tell("step", name="computing it anew")
            done = compared(opened, fingerprint=fingerprint or None, sha256=sha256 or None)
    finally:
        if uploaded:
            path.unlink(missing_ok=True)
    lines = screen(done)
    return {
        "code": 0 if done.same else 1,
        "text": called,
        "lines": lines,
    }


def _trial(study: str, tell: Tell, step: str, reckon: Callable[[Path], Any]) -> Result:
    """What a trial measured; `reckon` computes it and keeps it in the study."""
    folder = Path(study)
    tell("step", name=step)
    with one_writer(folder, "a trial"):
        done = reckon(folder)
    return {"text": done.result.measured}


def ceiling(*, study: str, given: dict[str, Any], tell: Tell) -> Result:
    """The energy ceiling, kept in the study."""
    from roadlog.analysis.trial_ceiling import Given, reckon_ceiling

    return _trial(study, tell, "reckoning", lambda f: reckon_ceiling(Given(study=f, **given)))


def payback(*, study: str, given: dict[str, Any], tell: Tell) -> Result:
    """Years to pay back, kept in the study."""
    from roadlog.analysis.trial_payback import Given, reckon_payback

    return _trial(study, tell, "reckoning", lambda f: reckon_payback(Given(study=f, **given)))


def runout(*, study: str, given: dict[str, Any], tell: Tell) -> Result:
    """The run-outs compared, kept in the study."""
    from roadlog.analysis.trial_runout import Given, reckon_runout

    return _trial(study, tell, "reckoning", lambda f: reckon_runout(Given(table=f, **given)))


def standing_start(*, study: str, given: dict[str, Any], tell: Tell) -> Result:
    """Standing starts found in the study's logs, timed and compared."""
    from roadlog.analysis.trial_standing_start import Given, Timed, start_sources, time_starts
    from roadlog.study.folder import load_study

    def timed(folder: Path) -> Timed:
        known = load_study(folder)
        return time_starts(Given(study=folder, **given), known, start_sources(folder, known))

    return _trial(study, tell, "timing the starts", timed)


def engine_signals(*, study: str, given: dict[str, Any], tell: Tell) -> Result:
    """What the engine's own sensors say, by arm."""
    from roadlog.analysis.trial_engine_signals import reckon_engine_signals

    return _trial(study, tell, "reading the logs", reckon_engine_signals)


LAST_TASKS: dict[str, Callable[..., Result]] = {
    "unseal": unseal,
    "publish": publish,
    "recheck": recheck,
    "ceiling": ceiling,
    "payback": payback,
    "runout": runout,
    "standing-start": standing_start,
    "engine-signals": engine_signals,
    **PHOTOS,
}
