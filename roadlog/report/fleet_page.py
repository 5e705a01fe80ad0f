"""fleet.html: a `FleetStudy` in, one self-contained page out, of bounded size for any fleet.

The answer comes first, as on one car's page; then every vehicle, the road and what was left out;
estimates and their statistics stand in the annex.
"""

import math

from roadlog import __version__
from roadlog.fleet.answer import FleetStudy
from roadlog.fleet.answered import answer_of_fleet
from roadlog.fleet.asked import veto_of
from roadlog.report.fleet_map import fleet_map
from roadlog.report.fleet_plot import vehicles_plot
from roadlog.report.fleet_words import (
    figures,
    first_lines,
    of_fills,
    readable,
    reasons,
    silent,
    told_reasons,
    unused_fills,
)
from roadlog.report.span import span_picture
from roadlog.report.templating import NO_NETWORK, raw, render
from roadlog.wording.units import in_own_units

MOST_ROWS = 1500  # of a table: what is more stands in the CSV file beside the page


@in_own_units
def fleet_page(found: FleetStudy, *, with_map: bool = True) -> str:
    """The whole page; without the map it shows no place."""
    records = found.tables.compared
    answer = answer_of_fleet(found)
    drawn = fleet_map((r.vehicle, r.segments) for r in records) if with_map else None
    vehicles = found.result.vehicles.sort_values(
        ["estimate", "vehicle"], kind="stable", ignore_index=True
    )
    warnings = [str(w.message) for w in found.result.warnings]
    own = [f"{r.vehicle}: {veto_of(d).bare}" for r in records for d in r.doubts]
    left_out = found.left_out.head(MOST_ROWS).to_dict("records")
    mute = silent(found)
    fuel, unused = found.result.filled, unused_fills(found)
    return render(
        "fleet.html",
        study=found.study,
        policy=NO_NETWORK,
        base_css=raw("base.css"),
        report_css=raw("report.css"),
        fleet_css=raw("fleet.css"),
        answer=answer,
        span=span_picture(answer),
        first_lines=first_lines(found),
        word=found.result.finding.word,
        figures=figures(found),
        reasons=told_reasons(found),
        exposure=_exposure(found),
        rows=[r for r in found.result.rows() if math.isfinite(r.interval.estimate)],
        plot=vehicles_plot(found),
        vehicles=vehicles.head(MOST_ROWS).to_dict("records"),
        more_vehicles=max(0, len(vehicles) - MOST_ROWS),
        silent=mute[:MOST_ROWS],
        n_silent=len(mute),
        reasons_out=reasons(found.left_out),
        left_out=[{**row, "what": readable(str(row["what"]))} for row in left_out],
        n_left_out=len(found.left_out),
        map=drawn,
        fills=of_fills(found),
        filled=[] if fuel is None else fuel.vehicles.head(MOST_ROWS).to_dict("records"),
        more_filled=0 if fuel is None else max(0, len(fuel.vehicles) - MOST_ROWS),
        unused=unused.head(MOST_ROWS).to_dict("records"),
        n_unused=len(unused),
        warnings=[*warnings, *own[:MOST_ROWS]],
        result=found.result,
        version=__version__,
    )


def _exposure(found: FleetStudy) -> list[dict[str, object]]:
    """Rows of the effect by time since the add-on came, with the days that each is of."""
    days = found.design.period_days
    return [
        {
            **{str(k): v for k, v in row.items()},
            "days": f"{days * int(row['periods'])} to {days * (int(row['periods']) + 1) - 1}",
        }
        for row in found.result.exposure.to_dict("records")
    ]
