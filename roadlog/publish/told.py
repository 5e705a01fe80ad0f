"""What `roadlog recheck` says: a `Rechecked` in, a short screen, a list or a table out."""

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

from roadlog.publish.about import MOVED
from roadlog.publish.compare import SAME, Value
from roadlog.publish.recheck import Rechecked
from roadlog.wording.screen import grid, one_line, paragraph

PROOF = (
    "That the published numbers follow from the data in the archive, and no more: whoever made it "
    "could have changed data, numbers and manifest together. Against that helps only what was "
    "shown elsewhere at another time: hold the archive's SHA-256 (--sha256) and the registered "
    "plan's fingerprint (--fingerprint) against it."
)
# Keys of results.json by what they tell; the rest is told last.
GROUPS = {
    "the answer": (
        "fuel_use_change_pct", "economy_change_pct", "economy_change_mpg_us", "claim", "finding",
        "finding_reasons", "finding_vetoes", "margin_pct", "claim_p", "claim_p_of", "held_equal",
        "smallest_detectable_pct",
    ),
    "fuel and distance by arm": (
        "baseline", "fitted", "road_use", "fuel_estimator", "fuel_ambiguity_pct",
    ),
    "other ways to estimate": (
        "randomisation", "carry_over_pct", "total_effect_pct", "unadjusted_change_pct",
        "mixed_model_pct", "crosschecks", "sensitivity",
    ),
    "fuel weighed, the car's signals": ("closure", "evidence", "accessory"),
    "plan and looks at the data": ("oversight", "planned", "switched_by"),
    "control car": ("control",),
    "runs": ("runs",),
    "segments": ("segments",),
    "passes.csv": ("passes.csv",),
}  # fmt: skip
_GROUP_OF = {key: group for group, keys in GROUPS.items() for key in keys}
REST = "all else in results.json"
_LISTED = 12  # differences shown without --all
_NAMED = 40  # versions
_LONGEST = 60


def screen(done: Rechecked, *, everything: bool = False) -> list[str]:
    """The lines that the command prints, at most 88 columns wide."""
    opened, about = done.opened, done.opened.about
    whole = "each as the manifest says" if opened.whole else "not all as the manifest says"
    lines = paragraph("Archive", f"{len(opened.names)} files, {whole}. SHA-256:")
    lines += paragraph(" ", opened.sha256)
    synthetic = " SYNTHETIC DATA, not measured." if about.synthetic else ""
    lines += paragraph("Study", f"{about.study}.{synthetic}")
    moved = MOVED if about.dates_moved else ""
    lines += paragraph("Published", f"{about.published:%Y-%m-%d}{moved} under {about.licence}.")
    for text in done.confirmed:
        lines += paragraph("Shown", f"{text}.")
    settings = {"switched by": about.switched_by, "order": about.order}
    if said := ", ".join(f"{k} {v}" for k, v in settings.items() if v is not None):
        lines += paragraph("Settings", f"{said}, which study.toml doesn't say.")
    for text in done.faults[:_LISTED]:
        lines += paragraph("Wrong", f"{text}.", hang=2)
    if len(done.faults) > _LISTED:
        lines.append(f"... and {len(done.faults) - _LISTED} more")
    lines += [*_computed(done, everything), *_versions(done)]
    if done.carried:
        text = "; ".join(done.carried)
        lines += paragraph("Carried over", f"not computed anew: {text}.")
    if about.cannot_tell:
        lines += paragraph("Trimmed", " ".join(about.cannot_tell))
    if done.remade:
        text = f"{len(done.remade)} pages and pictures, byte for byte the same."
        lines += paragraph("Made anew", text)
    if done.unchecked:
        lines += paragraph("Not checked", _unchecked(done.unchecked))
    lines += paragraph("It shows", PROOF)
    return [*lines, *paragraph("Result", _result(done))]


def table(done: Rechecked) -> str:
    """Every value as comma-separated text."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["group", "place", "published", "recomputed", "how", "difference"])
    for v in done.values:
        said = (v.group, v.place, _shown(v.published), _shown(v.recomputed), v.how)
        rows.writerow([*map(no_formula, said), "" if v.by is None else repr(v.by)])
    return text.getvalue()


def no_formula(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: the archive's texts are anybody's."""
    number = re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?", cell)
    return f"'{cell}" if cell[:1] in "=+-@" and cell and not number else cell


def _computed(done: Rechecked, everything: bool) -> list[str]:
    """The groups, then what differs (or every value)."""
    if done.analysed is None:
        return []
    lines = ["", *grid(("", "values", "computed anew"), _groups(done.values))]
    odd = [v for v in done.values if not v.same]
    shown = list(done.values) if everything else odd[:_LISTED]
    if shown:
        lines += ["", *(line for v in shown for line in paragraph("", _value(v), hang=4))]
    if len(odd) > _LISTED and not everything:
        lines.append(f"... and {len(odd) - _LISTED} more (--all)")
    return [*lines, ""]


def _groups(values: Sequence[Value]) -> list[tuple[str, str, str]]:
    """A row a group: its name, how many values it has, how many are the same."""
    counts: dict[str, Counter[str]] = {group: Counter() for group in (*GROUPS, REST)}
    for v in values:
        counts[_GROUP_OF.get(v.group, REST)][v.how] += v.count
    return [(g, f"{c.total():,}", _how(c)) for g, c in counts.items() if c]


def _how(counts: Counter[str]) -> str:
    odd = [f"{n:,} {how.upper()}" for how, n in counts.items() if how not in SAME]
    same = sum(counts[how] for how in SAME)
    if odd:
        return ", ".join([*odd, *([f"{same:,} the same"] if same else [])])
    close = ", ".join(f"{counts[how]:,} {how}" for how in SAME[1:] if counts[how])
    return "the same" + (f" ({close})" if close else "")


def _value(v: Value) -> str:
    place = f"{v.group} / {v.place}" if v.place else v.group
    if v.how == "the same":
        return f"{place}: {_shown(v.published)}, the same"
    if v.how in SAME:
        return f"{place}: {_shown(v.published)}, the same {v.how} (by {v.by:.2g})"
    if v.how == "not recomputed":
        return f"{place}: published {_shown(v.published)}, not computed by this roadlog"
    if v.how == "not published":
        return f"{place}: {_shown(v.recomputed)} here, not published"
    by = "" if v.by is None else f", differs by {v.by:.4g}"
    return f"{place}: published {_shown(v.published)}, here {_shown(v.recomputed)}{by}"


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, str):
        text = one_line(value)
    else:
        text = one_line(json.dumps(value, ensure_ascii=False))
    return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 1]}…"


def _versions(done: Rechecked) -> list[str]:
    made = done.opened.about.versions.get("roadlog", "unknown")
    if not done.other_versions:
        return paragraph("Made by", f"roadlog {made} with the same packages as here.")
    named = "; ".join(f"{name} {a}, here {b}" for name, a, b in done.other_versions[:_NAMED])
    more = len(done.other_versions) - _NAMED
    named += f"; and {more} more" if more > 0 else ""
    moved = "" if any(not v.same for v in done.values) else ", and no number moved by it"
    return paragraph("Made by", f"other versions than here{moved}: {named}.")


def _unchecked(names: tuple[str, ...]) -> str:
    few = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
    return (
        f"pages and pictures whose numbers nothing here reads ({few}): other bytes come out here, "
        "as other versions, fonts or last digits make them; look at them yourself."
    )


def _result(done: Rechecked) -> str:
    if not done.same:
        odd = sum(not v.same for v in done.values)
        numbers = f"{odd} of {len(done.values)} values differ" if odd else "no value differs"
        if done.analysed is None:
            numbers = "nothing could be computed anew"
        other = f", and {len(done.faults)} other fault(s) above" if done.faults else ""
        return f"NOT THE SAME: {numbers}{other}."
    total = sum(v.count for v in done.values)
    close = sum(v.count for v in done.values if v.how != "the same")
    how = "to the last digit"
    if close:
        how = (
            f"{total - close:,} to the last digit, {close:,} within a millionth, which is less "
            "than a thousandth of a printed digit (processors and libraries round differently)"
        )
    return f"THE SAME: all {total:,} values, {how}."
