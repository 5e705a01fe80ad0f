"""A second process is a matter of time alone: results, errors and their order are those of one."""

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.analysis import second
from roadlog.analysis.earlier import Earlier
from roadlog.analysis.second import MAY_HELP, meanwhile, shared_out
from roadlog.errors import InputError
from roadlog.study.computed import Computed, Kept
from roadlog.study.keys import key_of

HERE = os.getpid()


@pytest.fixture(autouse=True)
def helped(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Two cores and a command that asks; what the test's own runner does with threads apart."""
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    monkeypatch.setattr(threading, "enumerate", lambda: [threading.main_thread()])
    begun, fork = [], os.fork

    def told() -> int:
        begun.append(process := fork())
        return process

    monkeypatch.setattr(os, "fork", told)
    token = MAY_HELP.set(True)
    yield
    MAY_HELP.reset(token)
    for process in begun:
        with pytest.raises(ChildProcessError):
            os.waitpid(process, os.WNOHANG)  # it is gone, and was waited for


def where(item: int) -> tuple[int, bool]:
    return item, os.getpid() == HERE


def test_results_come_in_order_and_half_of_them_from_elsewhere() -> None:
    assert list(shared_out(where, range(6))) == [(i, i % 2 == 0) for i in range(6)]
    assert list(shared_out(where, range(6), lambda i: i != 3))[3] == (3, True)


@pytest.mark.parametrize("why", ["not asked", "threads", "one core", "few"])
def test_one_process_does_all_where_two_would_be_unsafe_or_slower(
    why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if why == "not asked":
        MAY_HELP.set(False)
    elif why == "threads":
        monkeypatch.setattr(threading, "enumerate", lambda: [threading.Thread()])
    elif why == "one core":
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0}, raising=False)
    n = 3 if why == "few" else 6
    assert all(here for _, here in shared_out(where, range(n)))


def test_an_error_is_the_first_ones_in_order_whoever_met_it() -> None:
    def work(item: int) -> int:
        if item >= 3:
            raise InputError(f"log {item}")
        return item

    found = shared_out(work, range(8))
    assert [next(found) for _ in range(3)] == [0, 1, 2]
    with pytest.raises(InputError, match="log 3"):
        next(found)


def test_what_a_killed_or_stuck_process_owes_is_done_here(monkeypatch: pytest.MonkeyPatch) -> None:
    def killed(item: int) -> tuple[int, bool]:
        if item == 5 and os.getpid() != HERE:
            os.kill(os.getpid(), signal.SIGKILL)
        return where(item)

    assert [h for _, h in shared_out(killed, range(8))] == [*[True, False] * 2, *[True] * 4]
    monkeypatch.setattr(second, "PATIENCE_S", 0.2)

    def stuck(item: int) -> tuple[int, bool]:
        if item == 3 and os.getpid() != HERE:
            time.sleep(60)
        return where(item)

    assert [h for _, h in shared_out(stuck, range(8))] == [True, False, *[True] * 6]


def test_what_cannot_be_handed_over_is_done_here() -> None:
    made = list(shared_out(lambda i: lambda: i, range(6)))
    assert [f() for f in made] == list(range(6))
    assert meanwhile(lambda: lambda: 7)()() == 7


def test_a_copy_is_no_second_program(capfd: pytest.CaptureFixture[str]) -> None:
    print("once", end="")
    drawn = meanwhile(lambda: (os.getpid() != HERE, MAY_HELP.get()))
    assert drawn() == (True, False)
    assert capfd.readouterr().out == "once"
    with pytest.raises(ZeroDivisionError):
        meanwhile(lambda: 1 // 0)()


def test_frames_are_the_same_to_the_last_bit_on_the_way() -> None:
    frame = pd.DataFrame({"x": [np.nan, -0.0, 5e-324, 0.1 + 0.2], "s": list("abcd")})
    frame.attrs["told_by"] = "names"
    for made in shared_out(lambda _: frame, range(4)):
        pd.testing.assert_frame_equal(made, frame, check_exact=True)
        assert made.attrs == frame.attrs
        assert made["x"].to_numpy().tobytes() == frame["x"].to_numpy().tobytes()


def test_tables_that_a_second_process_kept_stay_and_are_found(tmp_path: Path) -> None:
    table = pd.DataFrame({"x": [1.0, 2.0]})
    store = Computed(tmp_path / "cache", "study")
    earlier = Earlier(store)
    keys = [key_of(i) for i in range(6)]
    list(earlier.each(lambda key: store.keep(key, Kept(table)), keys))
    store.tidy()
    again = Computed(tmp_path / "cache", "study")
    assert all(again.find(key) is not None for key in keys)
    assert all(store.find(key) is not None for key in keys)


def test_a_disk_that_is_full_in_the_second_process_is_told_here(tmp_path: Path) -> None:
    store = Computed(tmp_path / "cache", "study")
    earlier = Earlier(store)

    def work(item: int) -> None:
        if os.getpid() != HERE:
            store.failed = "No space left on device"

    list(earlier.each(work, range(4)))
    assert "No space left on device" in (earlier.done() or "")
