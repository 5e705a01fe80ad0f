"""The bench draws the range of the report: by whatever look, with or without a conclusion."""

import json
from dataclasses import replace
from pathlib import Path

from roadlog.analysis.answered import answer_of
from roadlog.analysis.result import Analysed
from roadlog.bench.last_answers import result
from roadlog.report.json_out import to_json
from roadlog.report.span import span_picture
from roadlog.stats.interval import Finding
from tests.report.conftest import Change
from tests.report.test_narrow import oversight


def test_bench_and_report_draw_one_range(
    tmp_path: Path, change: Change, variants: dict[str, Analysed]
) -> None:
    waits = oversight(interim=True)
    spends = replace(waits, spends_alpha=True, look=replace(waits.look, level=0.99))
    vetoed = Finding("undecided", ("Not firm.",), vetoes=("The fuel figure could be bent.",))
    early, by_wide, forbidden = (
        change(oversight=waits), change(oversight=spends), change(finding=vetoed)
    )  # fmt: skip
    (tmp_path / "study.toml").write_text('name = "x"\n[device]\nname = "collar"\n')
    (tmp_path / "results").mkdir()
    drawn = []
    for found in (early, by_wide, forbidden, *variants.values()):
        text = json.dumps(to_json(found), allow_nan=False)
        (tmp_path / "results" / "results.json").write_text(text)
        shown, told = result(folder=str(tmp_path))["found"], answer_of(found)
        assert shown["picture"] == span_picture(told)
        assert shown["doubted"] == told.doubted
        drawn.append(shown)
    assert drawn[0]["doubted"]
    assert drawn[2]["doubted"]
    assert "range doubted" in drawn[2]["picture"]
    assert not drawn[1]["doubted"]
    assert drawn[1]["picture"] != drawn[0]["picture"]
