"""What the plan promised, kept on paper: to be held against what came.

A `Size` with its scatter goes into `computed/promised.json`, which only ever grows; the promise
that counts comes out, the last one made before the first fitted run, as for the registration.
"""

import datetime as dt
import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from roadlog.errors import InputError
from roadlog.plan.promise import Scatter
from roadlog.plan.register import is_before
from roadlog.plan.result import ChanceOfWord, Promised
from roadlog.plan.size import Size
from roadlog.study.car import Claim
from roadlog.study.durable import atomic_write

PROMISES = "computed/promised.json"


def promise_of(s: Size, scatter: Scatter, claim: Claim | None, now: dt.datetime) -> Promised:
    """The promise as it is kept."""
    return Promised(
        made_at=now.isoformat(timespec="seconds"),
        late=False,
        units=s.units,
        half_width_pct=s.half_width_pct,
        refutable_pct=s.refutable_pct,
        claim_pct=None if claim is None else claim.fuel_use_change_pct,
        chances=tuple(
            ChanceOfWord(c.true_pct, c.refuted, c.supported, c.undecided) for c in s.chances
        ),
        scatter_pct=100 * scatter.unit_sd,
        scatter_source=scatter.source,
    )


def keep_promise(folder: Path, promise: Promised) -> None:
    """Add the promise, unless the last one says the same.

    Raises
    ------
    InputError
        If the file was damaged.
    """
    rows = _rows(folder)
    plain = {k: v for k, v in asdict(promise).items() if k != "late"}
    new = json.loads(json.dumps(plain))
    if rows and {**rows[-1], "made_at": new["made_at"]} == new:
        return
    text = json.dumps({"promises": [*rows, new]}, indent=1, ensure_ascii=False) + "\n"
    atomic_write(folder / PROMISES, lambda p: p.write_text(text, encoding="utf-8"))


def promise_that_counts(folder: Path, first_fitted: dt.datetime | None) -> Promised | None:
    """The last promise from before the first fitted run; the first one, `late`, if all came after.

    Parameters
    ----------
    first_fitted : start of the first fitted run, as `roadlog.plan.register.is_before` takes it

    Raises
    ------
    InputError
        If the file was damaged.
    """
    path = folder / PROMISES
    try:
        made = [
            Promised(**{**row, "late": False, "chances": _chances(row)}) for row in _rows(folder)
        ]
        times = [dt.datetime.fromisoformat(p.made_at) for p in made]
        if first_fitted is None:
            return made[-1] if made else None
        before = [p for p, at in zip(made, times, strict=True) if is_before(at, first_fitted)]
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(_damaged(path)) from e
    if before:
        return before[-1]
    return replace(made[0], late=True) if made else None


def _chances(row: dict[str, Any]) -> tuple[ChanceOfWord, ...]:
    return tuple(ChanceOfWord(**c) for c in row["chances"])


def _rows(folder: Path) -> list[dict[str, Any]]:
    path = folder / PROMISES
    if not path.is_file():
        return []
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))["promises"]
        if not all(isinstance(r, dict) for r in rows):
            raise TypeError
    except (ValueError, KeyError, TypeError) as e:
        raise InputError(_damaged(path)) from e
    return list(rows)


def _damaged(path: Path) -> str:
    return f"{path}: can't be read: put back the copy that roadlog wrote"
