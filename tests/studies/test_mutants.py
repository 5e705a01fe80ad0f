"""Damaged logs go through reading to their totals, and on to the effect, or are refused by name."""

from pathlib import Path

import pytest

from roadlog.errors import InputError
from roadlog.ingest import Log
from tests.studies import mutants
from tests.studies.mutants import Outcome, read_stretch, run, summary, tables
from tests.studies.mutations import mutant

QUICK = [n for n in range(1, 62) if n % mutants.WHOLE_EVERY]


def failures(found: list[Outcome]) -> list[tuple[int, tuple[str, ...]]]:
    """Mutants that raised what is no error of ours, or moved the effect without a word."""
    bad = [o for o in found if "failed" in (o.read, o.whole) or o.whole == "silent"]
    return [(o.number, o.said) for o in bad]


def test_sixty_damaged_stretches_are_read_to_their_totals_or_refused(tmp_path: Path) -> None:
    found = [read_stretch(n, tmp_path, rows=80) for n in QUICK]
    assert not failures(found)
    assert {"read", "refused"} == {o.read for o in found}
    assert any(o.moved for o in found)
    assert any(o.read == "read" and not o.moved for o in found)


def test_the_same_seed_does_the_same_damage() -> None:
    first, other, *_ = tables().values()
    assert mutant(first[:80], other[:80], (1, 7)) == mutant(first[:80], other[:80], (1, 7))
    assert len({mutant(first[:80], other[:80], (1, n))[0] for n in range(20)}) > 15


def test_a_traceback_is_a_failure_and_a_refusal_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def raises(error: Exception) -> None:
        def read(path: Path) -> Log:
            raise error

        monkeypatch.setattr(mutants, "read_log", read)

    raises(InputError("log.csv: line 3: no"))
    assert read_stretch(1, tmp_path).read == "refused"
    raises(KeyError("speed_kmh"))
    failed = read_stretch(1, tmp_path)
    assert failed.read == "failed"
    assert "1 failed" in summary([failed])
    assert failures([failed])


def test_a_silent_move_of_the_effect_is_listed_by_its_number() -> None:
    silent = Outcome(40, ("spikes",), ("a.csv",), "read", True, "silent", 0.5)
    told = Outcome(80, ("spikes",), ("a.csv",), "read", True, "told", 0.5, ("a warning",))
    assert [n for n, _ in failures([silent, told])] == [40]
    assert "40: spikes in 1: a.csv: +0.50 points" in summary([silent, told])
    assert "80:" not in summary([silent, told])


@pytest.mark.slow
def test_four_hundred_mutants_ten_of_them_through_the_whole_analysis(tmp_path: Path) -> None:
    run(tmp_path, 400)
    found = mutants.outcomes(tmp_path)
    assert len(found) == 400
    assert sum(bool(o.whole) for o in found) == 10
    assert not failures(found)
    before = (tmp_path / "00.json").stat().st_mtime_ns
    run(tmp_path, 400)
    assert (tmp_path / "00.json").stat().st_mtime_ns == before
