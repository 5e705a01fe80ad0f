"""What README shows is what the program prints and draws now; what it runs, CI runs too."""

import html
import json
import os
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from roadlog.cli import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
LINK = re.compile(r"(?<!`)\[[^\]]*\]\(([^)#\s]+)(#[^)\s]*)?\)")


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> tuple[str, str, dict[str, Any]]:
    """What `roadlog analyze sample_logs` prints, the report that it writes, and results.json."""
    import contextlib
    import io

    out = tmp_path_factory.mktemp("readme") / "results"
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert main(["analyze", str(ROOT / "sample_logs"), "--out", str(out)]) == 0
    results = json.loads((out / "results.json").read_text(encoding="utf-8"))
    return printed.getvalue(), (out / "report.html").read_text(encoding="utf-8"), results


def words(svg: str) -> list[str]:
    return [re.sub(r"<[^>]*>", "", t) for t in re.findall(r"<text.*?</text>", svg, re.S)]


def test_the_output_shown_is_the_present_output(report):
    shown = re.search(r"```\n\$ roadlog analyze sample_logs --out results\n(.*?)```", README, re.S)
    assert shown is not None
    printed = re.sub(r"^Report: .*$", "Report: results/report.html", report[0], flags=re.M)
    assert shown[1] == printed


def test_the_picture_tells_the_present_numbers(report):
    estimates = report[1].partition('<section id="intervals">')[2]
    plot = re.search(r'<svg class="plot".*?</svg>', estimates, re.S)
    assert plot is not None
    drawn = words((ROOT / "docs" / "finding.svg").read_text(encoding="utf-8"))
    assert len(drawn) > 10
    assert drawn == words(plot[0]), "run: python docs/picture.py"


def shown(text: str) -> str:
    """The words of a page, minus signs and spaces as on a terminal."""
    told = html.unescape(re.sub(r"<[^>]*>", " ", text)).replace("\u2212", "-")
    return " ".join(told.split())


def section(page: str, name: str) -> str:
    found = re.search(rf'<(?:section|div)[^>]* id="{name}">.*?</(?:section|dl)>', page, re.S)
    assert found is not None, name
    return shown(found[0])


def test_figures_of_one_quantity_agree_or_say_why_not(report):
    """Fuel use by arm over passes and over whole runs; the range's ends on every page."""
    printed, page, results = " ".join(report[0].split()), report[1], report[2]
    arms = [results["baseline"], results["fitted"]]
    passes = [f"{a['l_per_100km']:.2f}" for a in arms]
    whole = [f"{a['whole_runs_l_per_100km']:.2f}" for a in arms]
    assert f"collar out {passes[0]}, collar in {passes[1]} L/100 km" in printed
    assert "over the passes compared" in printed
    assert f"L/100 km {passes[0]} {passes[1]}" in section(page, "numbers")
    used = results["fuel_estimator"]
    assert re.search(rf"{used} yes [\d. ]*{whole[0]} {whole[1]}", section(page, "fuel"))
    for arm, told in zip(("baseline", "fitted"), whole, strict=True):
        runs = [r for r in results["runs"] if r["arm"] == arm and r["used"]]
        litres, km = (sum(r[k] for r in runs) for k in ("fuel_l", "km"))
        assert f"{100 * litres / km:.2f}" == told
    assert passes != whole
    why = f"fuel use was {' and '.join(whole)} L/100 km; over the passes that are compared it was"
    for name in ("fuel", "runs"):
        assert why in section(page, name)
    ends = [results["fuel_use_change_pct"][k] for k in ("low", "high")]
    told = f"{ends[0]:+.1f} to {ends[1]:+.1f}"
    assert f"95 % interval {told} %" in printed
    assert f"Fuel use, % {told}" in section(page, "numbers")
    first = f"Between {-ends[0]:.1f} % less and {ends[1]:.1f} % more fuel"
    assert first in printed
    assert first in section(page, "answer")
    assert results["answer"]["sentences"][0].startswith(first)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs", "results"])
def test_links_lead_to_files_of_the_repository(page):
    """On the repository's page; the site's build checks the same links with their headings."""
    results = ROOT / "tests" / "studies" / "calibration" / "results"
    folder = {"docs": ROOT / "docs", "results": results}.get(page)
    pages = [ROOT / page] if folder is None else sorted(folder.glob("*.md"))
    dead = [
        f"{p.name}: {target}"
        for p in pages
        for target, _ in LINK.findall(p.read_text(encoding="utf-8"))
        if "://" not in target and not (p.parent / target).exists()
    ]
    assert dead == []


def test_ci_runs_both_commands_of_the_readme(tmp_path):
    """With programs that only write down how they were called."""
    (tmp_path / ".ci").mkdir()
    (tmp_path / ".ci" / "run").write_text((ROOT / ".ci" / "run").read_text())
    (tmp_path / "README.md").write_text(README)
    tools = tmp_path / ".venv" / "bin"
    tools.mkdir(parents=True)
    for path in (*(tools / n for n in ("pip", "ruff", "mypy", "pytest", "sphinx-build")),
                 tmp_path / "python3", tmp_path / "Rscript"):  # fmt: skip
        path.write_text(f'#!/bin/sh\necho {path.name} "$@" >> {tmp_path}/calls\n')
        path.chmod(0o755)
    env = {**os.environ, "PATH": f"{tmp_path}{os.pathsep}{os.environ['PATH']}"}
    subprocess.run(["bash", str(tmp_path / ".ci" / "run")], env=env, check=True)
    blocks = re.findall(r"<!-- the (?:test|documentation) command.*?```sh\n(.*?)```", README, re.S)
    wanted = [
        c.strip().removeprefix(".venv/bin/").replace("'", "")
        for block in blocks
        for c in block.split("&&")
    ]
    assert len(blocks) == 2
    assert (tmp_path / "calls").read_text().splitlines() == wanted
