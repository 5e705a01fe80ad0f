"""An archive's results computed anew, and held against those that it publishes.

`roadlog.publish.unpack` has opened the archive; here its study is analysed with its own settings as
of its own date, and every number is compared. What that shows, and what it can't, is said too: the
archive's maker can change data, results and manifest together.
"""

import dataclasses
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from roadlog.analysis.analyse import analyse
from roadlog.analysis.result import Analysed
from roadlog.errors import InputError, RoadlogError
from roadlog.publish.about import CODE, About, each_once, versions
from roadlog.publish.compare import PASSES, Value, compare_passes, compare_results
from roadlog.publish.unpack import KEPT_NETWORK, RESULTS, STUDY, Opened
from roadlog.publish.write import PDF, PICTURES, WHOLE_WORD, difference, published_files
from roadlog.report.json_out import to_json
from roadlog.report.write import passes_csv, result_files
from roadlog.runs.table import study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import Study
from roadlog.trials.result import load_all

RESULTS_JSON = "results.json"
DIGEST = "passes_csv_sha256"
_HEX = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Rechecked:
    """What came of a recheck.

    `faults` are what is wrong beside the numbers, as sentences; `analysed` is None where the study
    could not be analysed (a fault says why).
    """

    opened: Opened
    values: tuple[Value, ...]
    faults: tuple[str, ...]
    confirmed: tuple[str, ...]
    analysed: Analysed | None
    other_versions: tuple[tuple[str, str, str], ...]  # name, there, here
    carried: tuple[str, ...]
    remade: tuple[str, ...]  # pages and pictures that came out byte for byte the same
    unchecked: tuple[str, ...]  # those that could not be compared

    @property
    def same(self) -> bool:
        """Whether nothing differs."""
        return not self.faults and all(v.same for v in self.values)


def recheck(
    opened: Opened,
    *,
    fingerprint: str | None = None,
    sha256: str | None = None,
    progress: bool = False,
    pages: bool = True,
) -> Rechecked:
    """Analyse the study of an archive anew and compare.

    Parameters
    ----------
    fingerprint : str, optional
        SHA-256 of the registered plan, as it was shown in public.
    sha256 : str, optional
        SHA-256 of the archive, as it was shown in public.
    pages : bool
        Whether pages and pictures are made anew too, which takes longer than the numbers.

    Raises
    ------
    InputError
        If a hash that is given is none, or the archive's study names files outside itself.
    """
    wanted = {k: _hash(k, v) for k, v in (("sha256", sha256), ("fingerprint", fingerprint)) if v}
    faults = list(faults_of_files(opened))
    confirmed = []
    if "sha256" in wanted:
        if wanted["sha256"] == opened.sha256:
            confirmed.append("the archive has the SHA-256 that you gave")
        else:
            faults.insert(0, f"the archive's SHA-256 is {opened.sha256}, not the one that you gave")
    there = _published(opened)
    passes = _published_passes(opened, there, faults)
    values: list[Value] = []
    analysed = None
    try:
        analysed = _anew(opened, progress)
    except RoadlogError as e:
        faults.append(f"the study can't be analysed: {_without_folder(e, opened)}")
    if analysed is not None:
        values = compare_results(there, to_json(analysed), aside=(DIGEST,))
        values += [] if passes is None else compare_passes(passes, passes_csv(analysed))
    other_versions = tuple(_other_versions(opened))
    exactly = bool(values) and all(v.how == "the same" for v in values) and not other_versions
    shown = [n for n in opened.names if _is_page(n)]
    remade: list[str] = []
    if pages and analysed is not None and all(v.same for v in values):
        made = _made_anew(shown, analysed, opened.about)
        remade = [n for n in shown if made.get(n) == (opened.folder / n).read_bytes()]
        faults += [
            f"{n} isn't the page that these numbers make"
            for n in sorted(set(shown) & set(made) - set(remade))
            if exactly and n.endswith(".html")
        ]
    if "fingerprint" in wanted:
        fault = _other_fingerprint(analysed, wanted["fingerprint"])
        (faults if fault else confirmed).append(
            fault or "the plan registered before the first fitted run has the fingerprint you gave"
        )
    return Rechecked(
        opened=opened,
        values=tuple(values),
        faults=tuple(faults),
        confirmed=tuple(confirmed),
        analysed=analysed,
        other_versions=other_versions,
        carried=tuple(_carried(opened, analysed)),
        remade=tuple(remade),
        unchecked=tuple(n for n in shown if n not in remade),
    )


def _hash(option: str, given: str) -> str:
    plain = re.sub(r"[\s:]", "", given).lower()
    if not _HEX.fullmatch(plain):
        raise InputError(f"--{option} '{given}': a SHA-256 has 64 digits from 0 to f")
    return plain


def _is_page(name: str) -> bool:
    return name.startswith(RESULTS) and name not in (RESULTS + RESULTS_JSON, RESULTS + PASSES)


def _made_anew(pages: Sequence[str], a: Analysed, about: About) -> dict[str, bytes]:
    """Pages and pictures by their names in the archive; slow ones only if it has some."""
    beside = difference(a, about.carried) if WHOLE_WORD in about.carried else ""
    if any(n.startswith((RESULTS + PICTURES, RESULTS + PDF)) for n in pages):
        files = published_files(a, about.published, beside)
    else:
        files = result_files(a, published=True, beside=beside)
    return {RESULTS + name: data for name, data in files.items()}


def faults_of_files(opened: Opened) -> Iterator[str]:
    """What of an archive's files isn't as its manifest and roadlog's packing have it."""
    told = (
        ("isn't what the manifest says", opened.changed),
        ("is in the manifest and missing", opened.missing),
        ("is not in the manifest", opened.added),
    )
    for fault, names in told:
        yield from (f"{name} {fault}" for name in names)
    yield from (
        f"{name} is a network kept from an earlier analysis, which no archive has: it wasn't used"
        for name in opened.names
        if _is_kept_network(name)
    )
    if opened.packing:
        yield (
            "the zip isn't as roadlog packs it, so it was packed again or altered beside its files "
            f"(first at {opened.packing})"
        )


def _is_kept_network(name: str) -> bool:
    return name.casefold().startswith(f"{STUDY}{KEPT_NETWORK}")


def _anew(opened: Opened, progress: bool) -> Analysed:
    study = load_study(opened.study)
    require_own_files(study)
    sources = study_sources(opened.study, study)
    for name in filter(_is_kept_network, opened.names):
        (opened.folder / name).unlink()
    analysed = analyse(
        study,
        sources,
        switched_by=opened.about.switched_by,
        order=opened.about.order,
        now=opened.about.published,
        progress=progress,
    )
    return dataclasses.replace(analysed, trials=load_all(opened.study))


def require_own_files(study: Study) -> None:
    """Raise InputError if a study that anybody may have written names files outside its folder."""
    cars = (study.vehicle, None if study.control is None else study.control.vehicle)
    named: list[str | None] = [
        *study.logs.baseline, *study.logs.fitted, *study.logs.any, *study.logs.positions,
        study.road.gates, study.road.elevation, study.weather.metar, study.runout.file,
        study.standing_start.starts_file, *study.standing_start.baseline,
        *study.standing_start.fitted, *study.standing_start.any,
        *((*study.control.logs, study.control.notes) if study.control else ()),
        *(car.coastdown for car in cars if car is not None),
    ]  # fmt: skip
    for name in named:
        if name and (
            ".." in PurePosixPath(name.replace("\\", "/")).parts
            or re.match(r"[/\\~]|[A-Za-z]:", name)
        ):
            raise InputError(f"study.toml names '{name}', which isn't in the archive: not read")


def _published(opened: Opened) -> dict[str, Any]:
    try:
        text = (opened.results / RESULTS_JSON).read_text(encoding="utf-8")
        there = json.loads(text, object_pairs_hook=each_once)
    except (ValueError, RecursionError) as e:
        raise InputError(f"results.json in the archive can't be read: {e}") from e
    if not isinstance(there, dict):
        raise InputError("results.json in the archive is no table of results")
    return there


def _published_passes(opened: Opened, there: dict[str, Any], faults: list[str]) -> str | None:
    """The published pass table; what is wrong with it goes to `faults`."""
    if f"{RESULTS}{PASSES}" not in opened.names:
        faults.append(f"{RESULTS}{PASSES} is missing, so no pass was compared")
        return None
    content = (opened.results / PASSES).read_bytes()
    if there.get(DIGEST, digest := hashlib.sha256(content).hexdigest()) != digest:
        faults.append(f"{RESULTS}{PASSES} is not the one that results.json was made with")
    return content.decode("utf-8", errors="replace")


def _other_fingerprint(analysed: Analysed | None, given: str) -> str:
    oversight = None if analysed is None else analysed.oversight
    if oversight is None or oversight.registered_sha256 is None:
        return "no plan was registered, so none has the fingerprint that you gave"
    if oversight.registered_late:
        return "the plan was registered only after the first fitted run"
    if oversight.registered_sha256 != given:
        return f"the registered plan's fingerprint is {oversight.registered_sha256}"
    return ""


def _other_versions(opened: Opened) -> Iterator[tuple[str, str, str]]:
    there, here = opened.about.versions, versions()
    for name in dict.fromkeys((*there, *here)):
        a, b = there.get(name, "none"), here.get(name, "none")
        if a != b:
            yield name, a[:12] if name == CODE else a, b[:12] if name == CODE else b


def _carried(opened: Opened, analysed: Analysed | None) -> Iterator[str]:
    for name, value in opened.about.carried.items():
        yield f"{name}: {value:.2f}" if isinstance(value, float) else f"{name}: {value}"
    for trial in () if analysed is None else analysed.trials:
        yield f"the trial '{trial.trial}'"


def _without_folder(error: RoadlogError, opened: Opened) -> str:
    """The sentence without the temporary folder's name."""
    return str(error).replace(f"{opened.study}/", "").replace(str(opened.study), "the study")
