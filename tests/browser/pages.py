"""Every kind of page that roadlog writes, by name: a new page gets a line in `PAGES`.

All tests of `test_pages.py` then hold for it.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from roadlog.analysis.result import Analysed
from roadlog.check import check_study
from roadlog.plan.schedule import draw_schedule, driving_days, switch_units
from roadlog.plan.sheet import sheet_page
from roadlog.publish.pool.entry import Refused
from roadlog.publish.pool.known import known
from roadlog.publish.pool.page import known_page
from roadlog.publish.write import difference, whole_beside
from roadlog.report.check_page import check_page
from roadlog.report.fleet_page import fleet_page
from roadlog.report.map import map_page
from roadlog.report.objections.page import objections_page
from roadlog.report.page import report_page
from roadlog.report.write import result_files
from roadlog.runs.table import open_study
from roadlog.study.settings import Plan
from tests.fleet.invented import invented_answer
from tests.publish.test_pool import TWELVE, entry
from tests.report.test_claims import CEILING, SIGNALS, STARTS, payback

SHA256 = "0123456789abcdef" * 4
CHECKED_RUNS = 2
SHEET_DAYS = 20
_made: dict[str, bytes] = {}  # the published pages, made once a worker


@dataclass(frozen=True)
class Sources:
    """What pages are made of: an invented finished analysis, and the demo's folder on demand."""

    analysed: Analysed
    study: Callable[[], Path]


def _report(sources: Sources) -> str:
    """With every kind of trial beside the road test, so that the table of the claim is in it."""
    beside = replace(sources.analysed, trials=(SIGNALS, CEILING, STARTS, payback()))
    return report_page(beside, passes_sha256=SHA256)


def _objections(sources: Sources) -> str:
    return objections_page(sources.analysed)


def _map(sources: Sources) -> str:
    return map_page(sources.analysed)


def _published(name: str) -> Callable[[Sources], str]:
    """A page as `roadlog publish` makes it."""

    def page(sources: Sources) -> str:
        return _published_files(sources.analysed)[name].decode("utf-8")

    return page


def _published_files(analysed: Analysed) -> dict[str, bytes]:
    if not _made:
        beside = difference(analysed, whole_beside(analysed))
        _made.update(result_files(analysed, published=True, beside=beside))
    return _made


def _check(sources: Sources) -> str:
    study, files = open_study(sources.study())
    few = replace(files, runs=files.runs[:CHECKED_RUNS])
    return check_page(check_study(study, few))


def _sheet(sources: Sources) -> str:
    plan = Plan.model_validate({"days": SHEET_DAYS})
    units = switch_units(plan, driving_days(plan, dt.date(2027, 3, 1)))
    schedule = draw_schedule(units, block_size=2, seed=2)
    study = sources.analysed.study.model_copy(update={"plan": plan, "schedule": schedule})
    return sheet_page(study, reader="everyone", claim="12 % more distance on the same fuel")


def _known(sources: Sources) -> str:
    """A pool with every column filled, names of any script and archives that aren't in it."""
    names = (
        "<b>Anna</b>",
        "\N{ROCKET} a test with a rather long name of many words",
        "اختبار",
        "d",
    )
    changes = (0.0, 0.01, -0.02, 0.03)
    entries = [
        entry(c, name=n, se=0.01, synthetic=True) for n, c in zip(names, changes, strict=True)
    ]
    left_out = [Refused("a/very/long/path/to/somebodys/archive.zip", "a pilot", "it isn't over")]
    return known_page(known("Bramble collar", TWELVE, entries, left_out, ("ab" * 32,)))


def _fleet(_: Sources) -> str:
    return fleet_page(invented_answer())


PAGES: dict[str, Callable[[Sources], str]] = {
    "report": _report,
    "objections": _objections,
    "map": _map,
    "published report": _published("index.html"),
    "published objections": _published("objections.html"),
    "published map": _published("map.html"),
    "check": _check,
    "sheet": _sheet,
    "known": _known,
    "fleet": _fleet,
}
