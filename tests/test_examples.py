"""Every example in a docstring, and those of the page on the API, give what they say."""

import doctest
import inspect
from importlib import import_module
from pathlib import Path

import pytest

import roadlog
from roadlog import physics, trials

ROOT = Path(__file__).resolve().parents[1]
MODULES = [
    ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for p in sorted((ROOT / "roadlog").rglob("*.py"))
    if ">>> " in p.read_text()
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_hold(name, monkeypatch):
    monkeypatch.chdir(ROOT)
    ran = doctest.testmod(import_module(name))
    assert ran.attempted
    assert not ran.failed


def test_the_page_on_the_api_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    ran = doctest.testfile(str(ROOT / "docs" / "api.md"), module_relative=False)
    assert ran.attempted > 10
    assert not ran.failed


@pytest.mark.parametrize("place", [roadlog, trials, physics], ids=lambda p: p.__name__)
def test_every_public_function_has_an_example(place):
    public = {n: getattr(place, n) for n in (*dir(place), *getattr(place, "__all__", ()))}
    functions = {n: f for n, f in public.items() if inspect.isfunction(f) and n[0] != "_"}
    assert functions
    assert [n for n, f in functions.items() if ">>> " not in inspect.getdoc(f)] == []
