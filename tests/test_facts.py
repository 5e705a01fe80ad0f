"""Facts travel as codes with values; a sentence is for reading only, and nothing reads it back."""

import ast
import importlib
import string
from collections.abc import Iterator
from datetime import date

from roadlog.quantities.facts import Fact, Kind
from roadlog.wording.alike import alike, together
from tests.test_layout import modules

CATALOGUES = ("analysis.facts", "fleet.facts", "fuel.facts", "ingest.facts", "passes.facts",
              "plan.facts", "quantities.against", "road.by_distance", "runs.facts",
              "wording.facts")  # fmt: skip
PROSE = {"message", "messages", "note", "notes", "reason", "reasons", "sentence", "why", "warning",
         "warnings", "fault", "cause", "how", "said", "told"}  # fmt: skip
READERS = {"startswith", "endswith", "removeprefix", "removesuffix", "match", "search", "fullmatch",
           "findall", "contains", "partition", "split"}  # fmt: skip
MAY_READ = {
    "cli": "adds the option that stands for [columns] to any error that names that table",
    "recorder.adapter": "messages of the adapter's protocol",
    "runs.deviations": "the driver's own note, for words agreed beforehand",
    "study.faults": "faults of the settings' model, which come from its library",
}
Made = Kind("Made", {
    "GAP": "[a gap|{n} gaps] of {s:.0f} s", "OFF": "{s:+.0f} s off", "NO_FIX": "no fix",
    "RUN": "run not used: {why}", "DAY": "begins on {day:%Y-%m-%d}", "LOG": "as {log}",
})  # fmt: skip


def kinds() -> dict[str, type[Kind]]:
    for name in CATALOGUES:
        importlib.import_module(f"roadlog.{name}")
    told = {f"roadlog.{name}" for name in CATALOGUES}
    return {kind.__name__: kind for kind in Kind.__subclasses__() if kind.__module__ in told}


def names(node: ast.AST) -> set[str | None]:
    return {getattr(n, "attr", getattr(n, "id", None)) for n in ast.walk(node)}


def readings(tree: ast.AST) -> Iterator[str]:
    """Calls that look into what a name of prose holds, also one by one, and `"…" in message`."""
    for node in ast.walk(tree):
        loops = isinstance(node, ast.ListComp | ast.SetComp | ast.GeneratorExp | ast.DictComp)
        if loops and PROSE & set().union(*(names(g.iter) for g in node.generators)):
            calls = (c.func for c in ast.walk(node) if isinstance(c, ast.Call))
            yield from (ast.unparse(f) for f in calls if getattr(f, "attr", "") in READERS)
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") in READERS:
            looked_at = [node.func.value, *node.args]  # type: ignore[attr-defined]
            texts = {c.value for n in looked_at for c in ast.walk(n) if isinstance(c, ast.Constant)}
            if PROSE & (texts | set().union(*map(names, looked_at))):
                yield ast.unparse(node)
        elif isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In | ast.NotIn):
            place = node.comparators[0]
            if isinstance(node.left, ast.Constant) and PROSE & {
                getattr(place, "attr", getattr(place, "id", None))
            }:
                yield ast.unparse(node)


def test_nothing_reads_a_sentence_back() -> None:
    found = {name: list(readings(tree)) for name, tree in modules().items()}
    assert {name for name, calls in found.items() if calls} == set(MAY_READ), found


def test_the_rule_sees_a_sentence_that_is_read() -> None:
    for code in ('w.message.endswith("the altitude")', "re.match(RULE, note)", '"km" in reason',
                 '[r for r in reasons if r.startswith("x")]',
                 'runs["reason"].str.startswith("x")'):  # fmt: skip
        assert list(readings(ast.parse(code))), code


def test_every_fact_is_made_with_the_values_that_its_sentence_names() -> None:
    known, made = kinds(), set()
    for name, tree in modules().items():
        for node in ast.walk(tree):
            member = getattr(node, "func", None)
            if not isinstance(node, ast.Call) or not isinstance(member, ast.Attribute):
                continue
            kind = known.get(getattr(member.value, "id", ""))
            if kind is None or any(k.arg is None for k in node.keywords):
                continue
            code = kind[member.attr]
            made.add(code)
            for sentence in (code.one, code.many):
                places = {field for _, field, _, _ in string.Formatter().parse(sentence) if field}
                given = {k.arg for k in node.keywords}
                assert places <= given <= places | {"n"}, f"{name}: {code}"
    assert len(made) > 50


def test_a_fact_says_its_sentence_for_its_count() -> None:
    assert str(Made.GAP(n=1, s=3.2)) == "a gap of 3 s"
    assert str(Made.GAP(n=2, s=3.2)) == "2 gaps of 3 s"
    assert Made.GAP(n=1, s=3.2) == Fact(Made.GAP, (("n", 1), ("s", 3.2)))
    assert Made.GAP(n=1, s=3.2).value("s") == 3.2


def test_facts_that_differ_in_numbers_are_told_together() -> None:
    shifts = [Made.OFF(s=s) for s in (12, 3, 3.4)]
    assert together(shifts) == "+3 to 12 s off"
    assert together([Made.RUN(why=f) for f in shifts]) == "run not used: +3 to 12 s off"
    assert together([Made.GAP(n=2, s=3), Made.GAP(n=4, s=5)]) == "… gaps of … s"
    assert together([Made.GAP(n=2, s=3), Made.GAP(n=4, s=3)]) == "2 to 4 gaps of 3 s"
    assert together([Made.OFF(s=-12), Made.OFF(s=-3)]) == "-12 to -3 s off"
    days = [Made.DAY(day=date(1970, 1, d)) for d in (1, 3)]
    assert together(days) == "begins on 1970-01-01 to 1970-01-03"


def test_a_name_with_a_digit_is_no_number_and_opposite_signs_stay_apart() -> None:
    told = alike([Made.LOG(log="a1.csv"), Made.LOG(log="a2.csv"), Made.OFF(s=2), Made.OFF(s=-2)])
    assert told == [("as a1.csv", 1), ("as a2.csv", 1), ("+2 s off", 1), ("-2 s off", 1)]
    assert alike(["x", "x", Made.NO_FIX()], [1, 2, 5]) == [("no fix", 5), ("x", 3)]
