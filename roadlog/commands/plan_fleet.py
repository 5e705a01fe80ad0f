"""`roadlog plan` on a fleet: what each design can show, and the schedule drawn by chance."""

import argparse
import csv
import datetime as dt
import io
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from roadlog.errors import InputError

if TYPE_CHECKING:
    from roadlog.study.settings import Study

SCHEDULE, RECORD = "schedule.csv", "fleet_plan.json"
HOW = {"within": "by the day in each", "vehicle": "vehicle by vehicle", "rollout": "roll-out"}


def plan_fleet(a: argparse.Namespace, study: "Study") -> int:
    """Print the sizes, and write the schedule unless there is one."""
    from roadlog.fleet.plan import draw_fleet
    from roadlog.plan.schedule import driving_days
    from roadlog.study.durable import atomic_write

    if a.passphrase or a.register or a.pilot or a.sealed or a.spend_alpha:
        raise InputError(
            "--sealed, --passphrase, --register, --pilot and --spend-alpha are for one car"
        )
    if a.spread is not None and not 0 <= a.spread <= 50:
        raise InputError(f"--spread {a.spread:g}: give 0 to 50 %")
    rule = study.fleet
    assert rule is not None
    names, strata = _vehicles(a.study, study)
    plan = study.plan
    print("\n".join(_sizes(study, len(names), a.spread)))
    if not names:
        print(f"List the vehicles in {a.study / rule.vehicles} to draw their schedule.")
        return 0
    path = a.study / (rule.schedule or SCHEDULE)
    if a.dry_run:
        print("Nothing was written (--dry-run).")
        return 0
    if path.exists() and not a.redraw:
        print(f"Kept: {path} (--redraw draws another)")
        return 0
    today = dt.datetime.now().astimezone().date()
    days = driving_days(plan, plan.start or today + dt.timedelta(days=1))
    seed = study.seed if a.seed is None else a.seed
    rows = draw_fleet(rule.switched, names, days, seed, strata=strata,
                      block_size=plan.block_size, period_days=rule.period_days)  # fmt: skip
    half = days[len(days) // 2].isoformat()
    record = {"seed": seed, "switched": rule.switched, "vehicles": sorted(names), "strata": strata,
              "days": [d.isoformat() for d in days], "block_size": plan.block_size,
              "period_days": rule.period_days, "drawn": today.isoformat()}  # fmt: skip
    for file, text in ((path, _table(rows)), (a.study / RECORD, json.dumps(record, indent=1))):
        atomic_write(file, partial(Path.write_text, data=text + "\n", encoding="utf-8"))
    print(f"Written: {path} and {a.study / RECORD} (seed {seed})")
    need = [f'schedule = "{path.name}"', f'switched = "{rule.switched}"', "randomised = true"]
    if rule.switched == "vehicle":
        need.append(f"baseline_until = {half}")
    print(f"[fleet] of study.toml needs: {'; '.join(need)}")
    print(f"Next: drive by it, then roadlog fleet {a.study}")
    return 0


def _table(rows: list[tuple[str, str, str, str]]) -> str:
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(("vehicle", "day", "arm", "block"))
    out.writerows(rows)
    return text.getvalue().rstrip("\n")


def _vehicles(folder: Path, study: "Study") -> tuple[list[str], dict[str, str]]:
    """Names of the table of vehicles, and the label that chance deals within."""
    from roadlog.fleet.vehicles import read_vehicles

    rule = study.fleet
    assert rule is not None
    table = folder / rule.vehicles
    if not table.is_file():
        return [], {}
    listed = read_vehicles(table, study)
    if rule.strata is None:
        return list(listed), {}
    labels = {name: one.label(rule.strata) for name, one in listed.items()}
    bare = [n for n, label in labels.items() if not label]
    if bare:
        raise InputError(f"{table} tells no '{rule.strata}' of {bare[0]}, though [fleet] names it")
    return list(listed), labels


def _sizes(study: "Study", vehicles: int, spread_pct: float | None) -> list[str]:
    """The table: design, vehicles, half-widths, chance to settle the claim."""
    from roadlog.errors import DesignError
    from roadlog.fleet.plan import DESIGNS, SPREAD_PCT, size_fleet
    from roadlog.plan.size import assumed_scatter
    from roadlog.wording.screen import grid, paragraph

    plan, claim = study.plan, study.claim
    scatter = assumed_scatter(plan.road, plan.runs_per_day)
    spread = SPREAD_PCT if spread_pct is None else spread_pct
    claimed = None if claim is None else claim.fuel_use_change_pct
    counts = sorted({n for n in (6, 10, 20, 50, vehicles) if n >= 3})
    rows = []
    for switched in DESIGNS:
        for n in counts:
            try:
                s = size_fleet(
                    switched, n, plan.days, unit_sd=scatter.unit_sd, spread_sd=spread / 100,
                    claim_pct=claimed,
                )  # fmt: skip
            except DesignError:
                continue
            settles = "–" if s.settles is None else f"{100 * s.settles:.0f} %"
            mark = " *" if n == vehicles else ""
            rows.append((HOW[switched], f"{n}{mark}", f"±{s.half_width_pct:.1f} %",
                         f"±{s.next_pct:.1f} %", settles))  # fmt: skip
    lines = [study.name]
    if claim is not None:
        lines += paragraph("Claim", claim.words + ".")
    lines += paragraph(
        "Taken", f"{plan.days} days a vehicle, which scatter by {100 * scatter.unit_sd:.1f} %; "
        f"vehicles' own effects by {spread:g} % (--spread). Working assumptions for a "
        f"{plan.road} route: common practice, no source.",
    )  # fmt: skip
    lines += ["", *grid(("switched", "vehicles", "the mean", "next one", "settles"), rows), ""]
    return lines + paragraph(
        "Read", "half of the range of the mean and of the next vehicle; the chance to rule the "
        "claim out if the add-on does nothing, whichever vehicle is left out. What unequal driving "
        "and air may be worth comes on top." + (" * your table's." if vehicles else ""),
    )  # fmt: skip
