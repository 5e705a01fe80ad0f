"""`roadlog standing-start`: is the car quicker off the line with the add-on fitted?"""

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.commands.sources import add_sources, chosen, held, require_one_source
from roadlog.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from roadlog.ingest import Log
    from roadlog.runs.table import Sources
    from roadlog.study.settings import Study
    from roadlog.trials.declared import Declared
    from roadlog.trials.standing_start import ClaimKind


def add(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the parser."""
    p = commands.add_parser(
        "standing-start",
        help="time full-throttle starts with the add-on in and out",
        description=(
            "Find full-throttle starts in logs, time them from 10 km/h to a target speed and "
            "compare the arms. For a closed course only, never a public road. Give a STUDY folder "
            "or two piles of logs."
        ),
        epilog=(
            "examples:\n"
            "  roadlog standing-start my_study --target 100 --claim-power 10\n"
            "  roadlog standing-start --baseline out1.csv out2.csv --fitted in1.csv in2.csv\n"
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_sources(p)
    p.add_argument("--target", type=float, metavar="KMH", help="speed to reach, km/h (100)")
    claim = p.add_mutually_exclusive_group()
    claim.add_argument("--claim-quicker", type=float, metavar="PCT", help="claimed: %% less time")
    claim.add_argument("--claim-seconds", type=float, metavar="S", help="claimed: seconds less")
    claim.add_argument("--claim-power", type=float, metavar="PCT", help="claimed: %% more power")
    p.add_argument(
        "--switched-by",
        choices=("day", "run", "stretch"),
        help="what was assigned to an arm independently (a run is one log)",
    )
    p.add_argument(
        "--randomised", action="store_true", default=None, help="chance decided the order of arms"
    )
    p.add_argument(
        "--alternating",
        action="store_true",
        help="without positions: every second start of a log was driven the other way",
    )
    p.add_argument(
        "--starts", type=Path, metavar="CSV",
        help="without pedal or throttle: the starts that count, columns file and at_s",
    )  # fmt: skip
    p.add_argument(
        "--only-starts",
        action="store_true",
        help="without pedal or throttle: the logs hold nothing but full-throttle starts",
    )
    p.add_argument("--grade", type=float, metavar="PCT", help="grade of the first direction, %%")
    p.add_argument("--mass", type=float, metavar="KG", help="test mass of the car, kg")
    p.add_argument("--turbo", action="store_true", help="not naturally aspirated: no power factor")
    p.add_argument("--each", action="store_true", help="list every start")
    p.set_defaults(run=held(_run, "roadlog standing-start"))


def _run(a: argparse.Namespace) -> int:
    require_one_source(a)
    if a.target is not None and not 30 <= a.target <= 250:
        raise InputError(f"--target {a.target:g} km/h: choose a speed from 30 to 250")
    from roadlog.physics.air import wind_share
    from roadlog.runs.table import build_runs, read_logs, with_day_order
    from roadlog.study.settings import override
    from roadlog.trials.result import save, screen
    from roadlog.trials.standing_start import gather_starts, standing_start_result

    study, sources = chosen(a, _sources)
    changes = {"mass_kg": a.mass, "aspiration": "turbo" if a.turbo else None}
    study = override(study, vehicle={k: v for k, v in changes.items() if v is not None}, device={})
    plan = study.standing_start
    study = with_day_order(study, sources)
    logs = read_logs(study, sources)
    unit = a.switched_by or plan.switched_by
    if unit is None:
        unit = study.schedule.switched_by if study.schedule else "stretch"
    runs = build_runs(study, sources, logs, unit)
    weather, said = _weather(study, sources, runs, logs)
    starts = gather_starts(
        logs,
        runs,
        study.vehicle,
        target_kmh=a.target or plan.target_kmh,
        grade_out=(plan.grade_out_pct if a.grade is None else a.grade) / 100,
        weather=weather,
        wind_at_car=wind_share(study.weather.shelter, study.weather.wind_height_m),
        alternating=a.alternating or plan.alternating,
        declared=_declared(a, study),
    )
    starts = replace(starts, notes=(*starts.notes, *said))
    result = standing_start_result(
        starts,
        claim=_claim(a, study),
        randomised=_randomised(a, study),
        device=study.device.name,
        labels=(study.label("baseline"), study.label("fitted")),
    )
    saved = None if a.study is None else save(result, a.study)
    print("\n".join(screen(result, synthetic=study.synthetic)))
    if a.each:
        print("\n" + "\n".join(_each(result.details["starts"])))
    if saved is not None:
        print(f"Saved: {saved}; the next 'roadlog analyze' shows it.")
    return 0 if result.low is not None else 1


def _declared(a: argparse.Namespace, study: "Study") -> "Declared":
    from roadlog.trials.declared import Declared, read_declared

    path = a.starts
    if path is None and study.standing_start.starts_file is not None and a.study is not None:
        path = a.study / study.standing_start.starts_file
    return Declared(
        {} if path is None else read_declared(path),
        a.only_starts or study.standing_start.only_starts,
    )


def _sources(folder: Path, study: "Study") -> "Sources":
    from roadlog.runs.table import study_sources

    plan = study.standing_start
    if plan.baseline or plan.fitted or plan.any:
        logs = study.logs.model_copy(
            update={"baseline": plan.baseline, "fitted": plan.fitted, "any": plan.any}
        )
        study = study.model_copy(update={"logs": logs})
    return study_sources(folder, study)


def _weather(
    study: "Study", sources: "Sources", runs: "pd.DataFrame", logs: "Sequence[Log]"
) -> "tuple[pd.DataFrame | None, list[str]]":
    """The study's weather, and sentences on how far its station is from the course."""
    from roadlog.weather.reports import study_weather, weather_file
    from roadlog.weather.station import about, drive_positions, locate, station_warnings

    if sources.root is None:
        return None, []
    weather = study_weather(sources.root, study, runs["start"])
    station = locate(weather, weather_file(study), drive_positions(log.frame for log in logs))
    if station is None:
        return None, []
    return weather, [about(station), *(f"{w}." for w in station_warnings(station))]


def _claim(a: argparse.Namespace, study: "Study") -> "tuple[ClaimKind, float] | None":
    plan = study.standing_start
    given: list[tuple[ClaimKind, float | None]] = [
        ("time_pct", a.claim_quicker),
        ("time_s", a.claim_seconds),
        ("power_pct", a.claim_power),
    ]
    if all(v is None for _, v in given):
        given = [
            ("time_pct", plan.claim_quicker_pct),
            ("time_s", plan.claim_quicker_s),
            ("power_pct", plan.claim_power_pct),
        ]
    for kind, value in given:
        if value is not None:
            if not value > 0 or (kind == "time_pct" and value >= 100):
                raise InputError(f"claim {value:g}: give what is promised as a positive number")
            return kind, value
    return None


def _randomised(a: argparse.Namespace, study: "Study") -> bool:
    plan = study.standing_start.randomised
    if a.randomised is not None or plan is not None:
        return bool(a.randomised or plan)
    return study.randomised


def _each(rows: object) -> list[str]:
    from roadlog.wording.screen import grid

    assert isinstance(rows, list)
    headings = ("log", "arm", "way", "at s", "s", "±", "at std air", "kW")
    return grid(
        headings,
        [
            (
                str(r["file"]), str(r["arm"]), str(r["direction"]), f"{r['at_s']:.1f}",
                f"{r['time_s']:.2f}", f"{r['u_time_s']:.2f}", f"{r['std_time_s']:.2f}",
                f"{r['power_kw']:.1f}",
            )
            for r in rows
        ],
    )  # fmt: skip
