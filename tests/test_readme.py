"""What README shows is what the program prints and draws now; what it runs, CI runs too."""

import os
import re
import subprocess
from pathlib import Path

import pytest

from roadlog.cli import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
LINK = re.compile(r"(?<!`)\[[^\]]*\]\(([^)#\s]+)(#[^)\s]*)?\)")


@pytest.fixture(scope="module")
def report(tmp_path_factory) -> tuple[str, str]:
    """What `roadlog analyze sample_logs` prints, and the report that it writes."""
    import contextlib
    import io

    out = tmp_path_factory.mktemp("readme") / "results"
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        assert main(["analyze", str(ROOT / "sample_logs"), "--out", str(out)]) == 0
    return printed.getvalue(), (out / "report.html").read_text(encoding="utf-8")


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
