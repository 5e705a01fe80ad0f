"""`roadlog pool`: archives in, a page, a table and a JSON file out."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from roadlog.errors import InputError
from roadlog.publish.pool.apart import (
    counted_once,
    measured_only,
    one_plan_each,
    require_one_claim,
    require_one_device,
)
from roadlog.publish.pool.entry import Refused
from roadlog.publish.pool.gather import look_into, recheck_all
from roadlog.publish.pool.known import Known, known
from roadlog.publish.pool.page import known_page
from roadlog.publish.pool.told import as_json, table
from roadlog.study.durable import write_files
from roadlog.wording.answer import Claimed

PAGE, FIGURES, TABLE = "what-is-known.html", "pool.json", "studies.csv"


def pool_archives(
    paths: Sequence[Path],
    *,
    device: str | None = None,
    claim: Claimed | None = None,
    roots: Sequence[str] = (),
    plans: Sequence[str] = (),
    told: Callable[[str], None] = lambda _: None,
    refused: Callable[[Sequence[Refused]], None] = lambda _: None,
) -> Known:
    """Recheck archives and combine them.

    Parameters
    ----------
    paths : sequence of Path
    device : str, optional
        The add-on's name, where the studies call one thing by several.
    claim : Claimed, optional
        To hold the pool against, where the studies test several or none.
    roots, plans : sequence of str
        SHA-256 of time-stamp roots that the user trusts, and of plans shown in public.
    refused : callable
        Gets those that aren't pooled, before too few are left to be pooled.

    Raises
    ------
    InputError
        If the archives are of several add-ons or claims.
    DesignError
        If fewer than two can be pooled.
    """
    if not paths:
        raise InputError("no archive: name those that roadlog publish wrote")
    seen, out = look_into(paths)
    if seen:
        device = require_one_device([(s.name, s.device) for s in seen], device)
        require_one_claim([(s.name, s.claim) for s in seen], claim)
    entries, failed = recheck_all(seen, frozenset(roots), frozenset(plans), told)
    if entries:
        require_one_device([(e.path, e.device) for e in entries], device)
    entries, made = measured_only(entries)
    entries, twice = counted_once(entries)
    every = [*out, *failed, *made, *twice]
    if len(entries) < 2:
        refused(every)
    agreed = require_one_claim([(e.path, e.claim) for e in entries], claim)
    return known(device or "", agreed, one_plan_each(entries), every, plans)


def require_place(out: Path) -> None:
    """Raise InputError unless the files can be written to a folder: before the long work.

    Whether there is room shows only when they are written.
    """
    if out.exists() and not out.is_dir():
        raise InputError(f"--out {out} is a file: name a folder")
    for name in (PAGE, FIGURES, TABLE):
        if (out / name).is_dir():
            raise InputError(f"--out {out}: {name} in it is a folder: remove it or name another")
    there = next(p for p in (out, *out.absolute().parents) if p.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        raise InputError(f"--out {out}: {there} can't be written to: name another folder")


def write_known(k: Known, out: Path) -> list[Path]:
    """Write page, figures and table: all of them, or none."""
    contents = {PAGE: known_page(k), FIGURES: as_json(k), TABLE: table(k)}
    write_files(out, {name: text.encode("utf-8") for name, text in contents.items()})
    return [out / name for name in contents]
