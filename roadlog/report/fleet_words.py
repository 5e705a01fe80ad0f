"""A fleet's result in plain sentences, alike on screen and page."""

from roadlog.fleet.answer import FleetStudy
from roadlog.stats.interval import Interval
from roadlog.wording.numbers import ends_of, number, percent, signed
from roadlog.wording.screen import paragraph

HOW = {
    "within": "each vehicle drove with and without the add-on, switched by the day",
    "vehicle": "each vehicle drove with or without the add-on, for good",
    "rollout": "all vehicles began without the add-on, and got it at different times",
}


def lines_of_effect(found: FleetStudy) -> list[tuple[str, str]]:
    """Label and sentence of what was found: the fleet's mean, the next car, the spread."""
    r = found.result
    n = f"{r.n_vehicles} vehicle{'s' * (r.n_vehicles != 1)}"
    lines = [("mean", f"over {n}, fuel use changed by {_changed(r.effect)}")]
    ends = None if r.next_vehicle is None else ends_of(r.next_vehicle)
    lines.append(
        (
            "next car",
            "what a single further vehicle would get can't be told from this test"
            if ends is None
            else "the next vehicle of this kind may see its fuel use change by "
            f"{signed(ends[0])} to {signed(ends[1])} % (95 % prediction interval)",
        )
    )
    if r.spread is not None and (both := ends_of(r.spread)) is not None:
        lines.append(
            (
                "spread",
                f"the vehicles' own effects differ by a standard deviation of "
                f"{number(r.spread.estimate)} points (95 % interval {number(both[0])} to "
                f"{number(both[1])})",
            )
        )
    lines.append(
        (
            "fuel use",
            f"{number(r.baseline.l_per_100km, 2)} L/100 km without, "
            f"{number(r.fitted.l_per_100km, 2)} with the add-on (plain sums, unadjusted)",
        )
    )
    lines.append(("switched", HOW[r.design] + _by_chance(found)))
    return lines


def _by_chance(found: FleetStudy) -> str:
    return "; chance decided" if found.design.randomised else "; chance didn't decide it"


def _changed(effect: Interval) -> str:
    ends = ends_of(effect)
    if ends is None:
        return f"{percent(effect.estimate)} (no interval can be given)"
    return (
        f"{percent(effect.estimate)} (95 % interval {signed(ends[0])} to {signed(ends[1])} %) at "
        "equal driving"
    )


def fleet_lines(found: FleetStudy) -> list[str]:
    """The summary for a screen, ending in the finding."""
    records = found.tables.compared
    first = found.study.name + (" (SYNTHETIC DATA)" if found.study.synthetic else "")
    lines = paragraph("Fleet", first)
    out = found.left_out
    whole = out.loc[out["what"] == "", "vehicle"].nunique()
    lines += paragraph(
        "Data",
        f"{len(records)} vehicles, {sum(r.n_used for r in records):,} runs, "
        f"{sum(r.km for r in records):,.0f} km; {whole} vehicle{'s' * (whole != 1)} and "
        f"{int((out['what'] != '').sum())} logs or runs left out, listed with why in left_out.csv",
    )
    for label, text in lines_of_effect(found):
        lines += paragraph(f"{label[0].upper()}{label[1:]}", text)
    for w in found.result.warnings:
        lines += paragraph("Note", str(w.message))
    finding = found.result.finding
    if found.study.claim is not None:
        lines += paragraph("Claim", found.study.claim.as_change)
        lines += paragraph("Finding", str(finding.word))
    for reason in finding.reasons:
        lines += paragraph("", str(reason))
    return lines
