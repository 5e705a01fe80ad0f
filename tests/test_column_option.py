"""`--column` settles for two piles of logs what [columns] settles for a study."""

import re
from pathlib import Path

import numpy as np
import pytest

from roadlog.cli import main
from roadlog.errors import InputError
from roadlog.study.settings import ColumnRule, column_rules

N = 900
_T = np.arange(N)
_KMH = np.round(50 + 40 * np.sin(_T / 60))


def _pile(folder: Path, day: int, header: str = "V", clock: str = "Time") -> Path:
    folder.mkdir()
    rows = [
        f"2026-03-{day:02d} 07:{t // 60:02d}:{t % 60:02d},{v / 1.609344:.4f},{1000 + 20 * v:g},"
        f"{3 + v / 8:.2f}"
        for t, v in zip(_T, _KMH, strict=True)
    ]
    text = "\n".join([f"{clock},{header},RPM,MAF (g/s)", *rows])
    (folder / f"{folder.name}.csv").write_text(text + "\n")
    return folder


def _km(text: str) -> list[float]:
    return [float(m[1]) for m in re.finditer(r"(?m)^\w+\.csv .*?\s(\d+\.\d)\s+1\.0\s", text)]


def test_a_column_is_settled_for_two_piles(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, fitted = _pile(tmp_path / "out", 3), _pile(tmp_path / "in", 4)
    piles = ["--baseline", str(out), "--fitted", str(fitted), "--out", str(tmp_path / "r")]
    assert main(["check", *piles, "--column", "V=speed_kmh[mph]"]) == 0
    km = _km(capsys.readouterr().out)
    assert km == pytest.approx([_KMH.sum() / 3600] * 2, abs=0.1)


def test_the_message_for_two_piles_names_the_option(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    piles = ["--baseline", str(_pile(tmp_path / "out", 3)), "--fitted"]
    piles.append(str(_pile(tmp_path / "in", 4, clock="Moment")))
    assert main(["analyze", *piles]) == 2
    assert "--column 'HEADER=signal[unit]'" in capsys.readouterr().err


def test_forms_of_the_option() -> None:
    rules = column_rules(
        [
            "a=b=speed_kmh[mph]",
            "Speed 2=ignore",
            "Rate = fuel_rate_l_h [gal (imp)/h]",
            "T=time[min]",
        ]
    )
    assert rules["a=b"] == ColumnRule(signal="speed_kmh", unit="mph")
    assert rules["Speed 2"].signal == "ignore"
    assert rules["Rate"].unit == "gal (imp)/h"
    assert rules["T"].unit == "min"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("speed_kmh", "write it as"),
        ("=speed_kmh", "write it as"),
        ("V=", "write it as"),
        ("V=speed_kmh[mph", "write it as"),
        ("V=sped_kmh", "did you mean 'speed_kmh'"),
    ],
)
def test_a_rule_that_can_not_be_is_refused_in_one_sentence(text: str, says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        column_rules([text])
    assert "\n" not in str(caught.value)


def test_one_header_has_one_rule() -> None:
    with pytest.raises(InputError, match="named twice"):
        column_rules(["V=speed_kmh", "V=ignore"])
