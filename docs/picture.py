"""Draws docs/finding.svg: the estimates of the sample study with their intervals, and the claim.

Run it as `python docs/picture.py` after a change that moves a number of `sample_logs`; a test
(tests/test_readme.py) holds the words in the picture to what the program says now.
"""

import re
import sys
import tempfile
from pathlib import Path

from roadlog.cli import main

HERE = Path(__file__).parent


def interval_plot(report: Path) -> str:
    """The plot of all estimates of a report as a file of its own, on white."""
    text = report.read_text(encoding="utf-8").partition('<section id="intervals">')[2]
    plot = re.search(r'<svg class="plot".*?</svg>', text, re.S)
    if plot is None:
        sys.exit(f"{report} has no plot")
    head = '<svg xmlns="http://www.w3.org/2000/svg" style="background:#ffffff"'
    return plot[0].replace('<svg class="plot"', head, 1) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        main(["analyze", str(HERE.parent / "sample_logs"), "--out", folder])
        svg = interval_plot(Path(folder) / "report.html")
    (HERE / "finding.svg").write_text(svg, encoding="utf-8")
