"""The layout, held by a rule: rooms import downwards, and only named modules touch files.

A room is a folder or a module at roadlog's top. The layers stand as contracts in pyproject.toml;
what such a contract can't say is checked here on the syntax trees.
"""

import ast
import subprocess
import sys
from collections import Counter
from functools import cache
from graphlib import TopologicalSorter
from itertools import pairwise
from pathlib import Path

from importlinter.cli import lint_imports

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "roadlog"
MOST_ROOMS = 28
MOST_MODULES_AT_TOP = 8
MOST_ARROWS = 190  # 140 before publish, bench, fleet and pool came
MOST_IMPORT_S = 0.1
STAGES = ("gather", "meter", "place", "compare", "hold_against")

# Calls that read, write or list files, by the name of the function or method.
FILE_CALLS = {
    "open", "fdopen", "read_text", "read_bytes", "write_text", "write_bytes", "read_csv",
    "read_parquet", "to_csv", "to_parquet", "mkdir", "unlink", "rename_file", "touch", "chmod",
    "glob", "rglob", "iterdir", "rmtree", "copyfile", "copyfileobj", "fsync", "savefig",
}  # fmt: skip
# What each module that touches files has to do with them. `bench`, `commands` and `demo` are edges.
FILES = {
    "analysis.standing": "what a study's folder holds by today",
    "analysis.trial_ceiling": "reads the road test that is kept in a study",
    "analysis.trial_payback": "reads the road test that is kept in a study",
    "analysis.pilot": "lists a pilot's logs",
    "closure.fillnote": "writes a fill into fills.csv",
    "fleet.inputs": "finds the logs of many vehicles",
    "fleet.store": "keeps samples, pass tables and records",
    "ingest.clock.dayorder": "first dates of a text log",
    "ingest.drives": "writes one drive of a log that holds several",
    "ingest.journal.clock": "the kernel's clock",
    "ingest.journal.file": "appends to a journal",
    "ingest.journal.replay": "reads a journal",
    "ingest.table.rows": "parses text that is already read",
    "ingest.text.handtable": "reads a table kept by hand",
    "ingest.text.source": "reads a log's text in pieces",
    "plan.looks": "appends to the log of looks",
    "plan.promised": "keeps the plan's promise",
    "plan.proposal": "writes a plan: schedule, papers, an empty notes.csv",
    "plan.register": "keeps the registration",
    "plan.seal_log": "keeps when a schedule was sealed and opened",
    "plan.stamp_file": "keeps time-stamps of registrations",
    "plan.studyfile": "writes study.toml",
    "publish.archive": "packs a study and its results",
    "publish.recheck": "reads what an archive publishes",
    "publish.write": "puts the published folder together",
    "publish.unpack": "unpacks an archive into a folder of ours",
    "publish.contents": "opens what is to be published, for the leak test",
    "publish.coordinates": "parses a table that is already read",
    "publish.leaks": "numbers of vehicles and radios at the head of raw logs",
    "publish.private": "keeps what was drawn for a study's privacy",
    "publish.public_logs": "writes trimmed logs",
    "publish.records": "reads promises and looks",
    "publish.trim": "writes a trimmed study",
    "publish.pdf": "a temporary folder for the typesetter",
    "recorder.memory": "what the recorder remembers of a car",
    "recorder.runs": "lists the journals of a folder",
    "report.fleet_write": "writes a fleet's page and tables",
    "report.leaflet": "installed scripts",
    "report.templating": "installed templates",
    "report.write": "writes results and pages",
    "road.gates": "reads gates",
    "road.raster": "reads a raster of heights",
    "road.store": "keeps a network",
    "runs.accessory_notes": "writes answers into notes.csv",
    "runs.daily_notes": "writes a day into notes.csv",
    "runs.intake": "takes logs into a study",
    "runs.seen": "keeps what a check said of each log",
    "runs.table": "finds the logs of a study",
    "runs.taken": "the list of logs taken in",
    "analysis.earlier": "hashes raw logs",
    "runs.vehicle_numbers": "numbers of vehicles at the head of raw logs",
    "study.computed": "keeps computed tables, and lets them go",
    "study.own_code": "hashes roadlog's own code",
    "study.recording": "says in a study's folder what its recorder does",
    "study.lock": "locks a folder while something is written into it",
    "study.durable": "whole files or none",
    "study.folder": "reads study.toml, finds files by pattern",
    "trials.inspection": "photographs and their sealed key",
    "trials.result": "keeps a trial's result",
    "weather.reports": "reads weather reports",
}

# What a function may import by itself: packages whose import takes longer than reading a log.
SLOW_IMPORTS = {
    "PIL", "branca", "dask", "distributed", "folium", "gpxpy", "icalendar", "jinja2",
    "matplotlib", "metar", "obd",
    "pyproj", "rasterio", "rocrate", "scipy", "serial", "statsmodels", "tomlkit", "tqdm",
    "typst",
}  # fmt: skip
MOST_LINES = 60  # of a function's code, its docstring not counted
LONG_FUNCTIONS = {
    "analysis.analyse.analyse": "the stages in order, each by its name",
    "analysis.compared.compare": "the comparisons in order",
    "demo.make.make_study": "one variant of the study is one parameter",
    "ingest.table.delimited.read_delimited": "columns leave the table as they are claimed, so that "
    "none is in memory twice; a function that takes the table would hold it",
}


@cache
def modules() -> dict[str, ast.Module]:
    """Syntax tree of each module by its name without `roadlog.`; `__init__` stands for a folder."""
    return {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts): ast.parse(path.read_text())
        for path in sorted(PACKAGE.rglob("*.py"))
    }


def imported(tree: ast.Module) -> set[str]:
    """Modules of roadlog that a module imports anywhere, without `roadlog.`."""
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "roadlog":
            inside = (node.module or "").partition(".")[2]
            names |= {f"{inside}.{a.name}".strip(".") for a in node.names}
        elif isinstance(node, ast.Import):
            names |= {a.name.partition(".")[2] for a in node.names if a.name.startswith("roadlog.")}
    return names


def arrows() -> set[tuple[str, str]]:
    """Pairs of rooms of which the first imports the second."""
    rooms = {name.split(".")[0] for name in modules()}
    found = {
        (name.split(".")[0], target.split(".")[0])
        for name, tree in modules().items()
        for target in imported(tree)
    }
    return {(a, b) for a, b in found if a != b and b in rooms}


def file_calls(tree: ast.Module) -> set[str]:
    """Names of the calls of a module that touch files."""
    called = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            f = node.func
            called.add(f.attr if isinstance(f, ast.Attribute) else getattr(f, "id", ""))
    return called & FILE_CALLS


def test_rooms_import_downwards_only() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == 0


def test_few_rooms_and_few_arrows_between_them() -> None:
    rooms = {name.split(".")[0] for name in modules()}
    assert len(rooms) <= MOST_ROOMS
    assert sum("." not in name for name in modules()) <= MOST_MODULES_AT_TOP
    assert len(arrows()) <= MOST_ARROWS


def test_no_module_imports_itself_by_way_of_others() -> None:
    names = {name.removesuffix(".__init__") for name in modules()}
    graph: dict[str, set[str]] = {}
    for name, tree in modules().items():
        at_top = imported(
            ast.Module([n for n in tree.body if isinstance(n, ast.Import | ast.ImportFrom)], [])
        )
        found = {t if t in names else t.rpartition(".")[0] for t in at_top}
        graph[name.removesuffix(".__init__")] = found & names - {name.removesuffix(".__init__")}
    list(TopologicalSorter(graph).static_order())


def test_only_named_modules_touch_files() -> None:
    touching = {
        name
        for name, tree in modules().items()
        if file_calls(tree) and name.split(".")[0] not in ("bench", "commands", "demo")
    }
    assert touching == set(FILES)


def functions(tree: ast.Module) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    """Every function of a module, inner ones too."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return [n for n in ast.walk(tree) if isinstance(n, kinds)]


def own_imports(tree: ast.Module) -> set[str]:
    """Modules that the functions of a module import by themselves."""
    nodes = [n for f in functions(tree) for n in ast.walk(f)]
    names = {a.name for n in nodes if isinstance(n, ast.Import) for a in n.names}
    return names | {n.module or "" for n in nodes if isinstance(n, ast.ImportFrom)}


def code_lines(f: ast.FunctionDef | ast.AsyncFunctionDef, text: list[str]) -> int:
    """Lines of a function without its docstring, blank lines and comments."""
    quiet: set[int] = set()
    if ast.get_docstring(f) is not None:
        quiet = set(range(f.body[0].lineno, (f.body[0].end_lineno or 0) + 1))
    lines = range(f.lineno, (f.end_lineno or 0) + 1)
    return sum(
        n not in quiet and bool(text[n - 1].strip()) and not text[n - 1].strip().startswith("#")
        for n in lines
    )


def test_functions_import_by_themselves_only_what_is_slow() -> None:
    odd = {
        (name, target)
        for name, tree in modules().items()
        if name.split(".")[0] not in ("bench", "commands", "cli")
        for target in own_imports(tree)
        if target.split(".")[0] not in SLOW_IMPORTS
    }
    assert odd == {
        ("recorder.adapter", "roadlog.recorder.links"),  # on python-OBD's serial port
        ("study.lock", "fcntl"),  # each is on its own systems only
        ("study.lock", "msvcrt"),
    }


def test_no_function_is_long_without_a_reason() -> None:
    long = {
        f"{name}.{f.name}"
        for name, tree in modules().items()
        for f in functions(tree)
        if code_lines(f, (PACKAGE / (name.replace(".", "/") + ".py")).read_text().splitlines())
        > MOST_LINES
    }
    assert long == set(LONG_FUNCTIONS)


def test_a_call_that_touches_files_is_seen() -> None:
    assert file_calls(ast.parse("import numpy as np\nnp.zeros(3)\n")) == set()
    assert file_calls(ast.parse("def f(p):\n    return p.read_text()\n")) == {"read_text"}


def test_no_module_has_two_names_for_its_subject() -> None:
    words = ("manager", "helper", "util", "utils", "misc", "common")
    parts = {part for name in modules() for part in name.split(".")}
    assert not parts & set(words)


def test_the_public_package_is_imported_at_once() -> None:
    took = []
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-X", "importtime", "-c", "import roadlog"],
            capture_output=True, text=True, check=True, cwd=ROOT,
        )  # fmt: skip
        line = next(x for x in done.stderr.splitlines() if x.endswith("| roadlog"))
        took.append(float(line.split("|")[1]) / 1e6)
    assert min(took) <= MOST_IMPORT_S


@cache
def homes(name: str) -> dict[str, tuple[str, str]]:
    """What a module's imported names stand for: the module, and the name in it ("" for itself)."""
    found: dict[str, tuple[str, str]] = {}
    for node in ast.walk(modules()[name]):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "roadlog":
            inside = (node.module or "").partition(".")[2]
            for a in node.names:
                whole = f"{inside}.{a.name}".strip(".")
                is_module = whole in modules() or f"{whole}.__init__" in modules()
                found[a.asname or a.name] = (whole, "") if is_module else (inside, a.name)
    return found


def stations(name: str, function: str) -> list[str]:
    """Rooms that a function enters in the order of its calls, by way of `STAGES` beneath it.

    Names and units (`quantities`), settings (`study`), words and errors are no stages.
    """
    own = {n.name: n for n in modules()[name].body if isinstance(n, ast.FunctionDef)}
    if function not in own:
        return []
    calls = [n for n in ast.walk(own[function]) if isinstance(n, ast.Call)]
    way: list[str] = []
    for call in sorted(calls, key=lambda n: (n.end_lineno or 0, n.end_col_offset or 0)):
        f = call.func
        root = f.value if isinstance(f, ast.Attribute) else f
        if not isinstance(root, ast.Name):
            continue
        if root.id in homes(name):
            home, target = homes(name)[root.id]
            way += stations(home, target) if target in STAGES else [home.split(".")[0]]
    return [w for w in way if w not in ("analysis", "errors", "quantities", "study", "wording")]


def test_analyse_enters_no_room_more_than_twice() -> None:
    way = stations("analysis.analyse", "analyse")
    entered = way[:1] + [b for a, b in pairwise(way) if a != b]
    assert {"runs", "ingest", "fuel", "passes", "effect", "closure"} <= set(entered)
    assert max(Counter(entered).values()) <= 2, entered
