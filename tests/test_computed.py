"""Kept tables: what comes back is what was computed, to the last bit, or it isn't there."""

import errno
import os
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from roadlog.study import computed
from roadlog.study.computed import Computed, Kept, place_of_tables
from roadlog.study.keys import NotKeyable, key_of
from roadlog.study.settings import Study, parse_study
from tests.kills import killed_at_step

KEY, OTHER = key_of("a log"), key_of("another")
TABLE = pd.DataFrame(
    {
        "t_s": np.arange(500) * 0.1,
        "maf_g_s": np.where(np.arange(500) % 7 == 0, np.nan, np.linspace(-0.0, 80, 500)),
        "n": np.arange(500),
        "on": np.arange(500) % 2 == 0,
    }
)
TOLD = {"start": "2026-03-02", "lag_s": 1.1 + 2.2, "facts": [["frozen", 3]]}


def place(tmp_path: Path) -> Path:
    return tmp_path / "cache"


def kept_one(where: Path) -> Path:
    """Keep the table; its file."""
    store = Computed(where, "study")
    store.keep(KEY, Kept(TABLE, TOLD))
    assert not store.failed
    (path,) = store.folder.iterdir()
    return path


def require_exact(found: Kept | None) -> None:
    assert found is not None
    pd.testing.assert_frame_equal(found.frame, TABLE, check_exact=True, check_index_type=True)
    assert found.frame["maf_g_s"].to_numpy().tobytes() == TABLE["maf_g_s"].to_numpy().tobytes()
    assert found.told == TOLD


def test_a_table_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    kept_one(place(tmp_path))
    require_exact(Computed(place(tmp_path), "study").find(KEY))
    assert Computed(place(tmp_path), "study").find(OTHER) is None
    assert Computed(place(tmp_path), "another study").find(KEY) is None


@pytest.mark.parametrize("values", [[], [np.nan, np.inf, -np.inf, -0.0, 5e-324, 0.1]])
def test_odd_values_and_no_rows_come_back(tmp_path: Path, values: list[float]) -> None:
    frame = pd.DataFrame({"x": np.array(values, dtype=float)})
    Computed(place(tmp_path), "s").keep(KEY, Kept(frame))
    found = Computed(place(tmp_path), "s").find(KEY)
    assert found is not None
    assert found.frame["x"].to_numpy().tobytes() == frame["x"].to_numpy().tobytes()
    assert len(found.frame) == len(values)


@pytest.mark.parametrize(
    "frame",
    [
        TABLE.set_index("t_s"),
        TABLE.assign(state="cut"),
        TABLE.assign(at=pd.Timestamp("2026-03-02")),
        TABLE.astype({"maf_g_s": "float32"}),
        TABLE.iloc[5:],
        TABLE.rename(columns={"n": "t_s"}),
        TABLE.rename(columns={"n": 3}),
    ],
)
def test_a_table_that_might_not_come_back_is_not_kept(tmp_path: Path, frame: pd.DataFrame) -> None:
    store = Computed(place(tmp_path), "s")
    store.keep(KEY, Kept(frame))
    store.keep(OTHER, Kept(TABLE, {"set": {1, 2}}))
    assert not list(store.folder.iterdir())


def test_altered_cut_renamed_or_foreign_files_are_no_tables(tmp_path: Path) -> None:
    path = kept_one(place(tmp_path))
    whole = path.read_bytes()
    spoiled = [whole[:n] for n in range(0, len(whole), len(whole) // 9)]
    spoiled += [
        whole[:n] + bytes([whole[n] ^ 1]) + whole[n + 1 :] for n in range(0, len(whole), 997)
    ]
    spoiled += [whole + b"\0", b"PAR1" * 9]
    for data in spoiled:
        path.write_bytes(data)
        assert Computed(place(tmp_path), "study").find(KEY) is None
        assert not path.exists()
    path.write_bytes(whole)
    path.rename(path.with_name(path.name.replace(KEY, OTHER)))
    assert Computed(place(tmp_path), "study").find(OTHER) is None
    elsewhere = kept_one(tmp_path / "other machine")
    shutil.copy(elsewhere, path.with_name(elsewhere.name))
    assert Computed(place(tmp_path), "study").find(KEY) is None
    path.mkdir()
    assert Computed(place(tmp_path), "study").find(KEY) is None


def test_a_changed_or_lost_secret_makes_every_table_none(tmp_path: Path) -> None:
    secret = place(tmp_path) / "roadlog-secret"
    for spoil in (lambda: secret.write_bytes(bytes(32)), lambda: secret.write_bytes(b"short"),
                  secret.unlink):  # fmt: skip
        kept_one(place(tmp_path))
        assert secret.stat().st_mode & 0o077 == 0
        spoil()
        assert Computed(place(tmp_path), "study").find(KEY) is None
        shutil.rmtree(place(tmp_path))


def test_killed_at_any_step_the_tables_are_whole_or_not_there(tmp_path: Path) -> None:
    def act() -> None:
        store = Computed(place(tmp_path), "study")
        store.keep(KEY, Kept(TABLE, TOLD))
        store.keep(OTHER, Kept(TABLE, TOLD))
        store.tidy()

    step, ended = 0, False
    while not ended:
        ended = not killed_at_step(step, act)
        store = Computed(place(tmp_path), "study")
        for key in (KEY, OTHER):
            found = store.find(key)
            if found is not None or ended:
                require_exact(found)
        if step % 3 == 0 and not ended:
            shutil.rmtree(place(tmp_path))
        step += 1
    assert step > 12
    assert len(list(store.folder.iterdir())) == 2  # no part is left


def test_two_processes_at_once_find_whole_tables_only(tmp_path: Path) -> None:
    children = []
    for _ in range(2):
        child = os.fork()
        if not child:
            try:
                for i in range(40):
                    store = Computed(place(tmp_path), "study")
                    found = store.find(KEY)
                    if found is not None:
                        require_exact(found)
                    store.keep(KEY if i % 2 else OTHER, Kept(TABLE, TOLD))
                    store.tidy()
            except BaseException:
                os._exit(3)
            os._exit(0)
        children.append(child)
    assert [os.waitpid(c, 0)[1] for c in children] == [0, 0]


@pytest.mark.parametrize("why", [errno.ENOSPC, errno.EROFS, errno.EDQUOT])
def test_a_full_or_read_only_disk_keeps_nothing_and_says_so(
    tmp_path: Path, why: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept_one(place(tmp_path))

    def full(*_a: object, **_k: object) -> None:
        raise OSError(why, os.strerror(why))

    monkeypatch.setattr(computed, "written_at_once", full)
    store = Computed(place(tmp_path), "study")
    store.keep(OTHER, Kept(TABLE, TOLD))
    assert store.failed == os.strerror(why)
    require_exact(store.find(KEY))
    assert store.find(OTHER) is None
    Computed(tmp_path / "new", "study").keep(KEY, Kept(TABLE, TOLD))
    assert not list(tmp_path.glob("new/**/*.parquet"))


def test_a_file_where_the_folder_should_be_keeps_nothing(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("mine")
    store = Computed(place(tmp_path), "study")
    assert store.failed
    store.keep(KEY, Kept(TABLE, TOLD))
    assert store.find(KEY) is None
    store.tidy()
    assert (tmp_path / "cache").read_text() == "mine"


def test_what_was_not_used_goes_and_what_was_stays(tmp_path: Path) -> None:
    kept_one(place(tmp_path))
    first = Computed(place(tmp_path), "study")
    first.keep(OTHER, Kept(TABLE, TOLD))
    first.tidy()
    assert Computed(place(tmp_path), "study").find(KEY) is None
    require_exact(Computed(place(tmp_path), "study").find(OTHER))


def test_all_studies_together_are_bounded_oldest_first_whatever_the_clock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i, at in enumerate((4e9, 1e9, 2e9)):  # one of them in the year 2096
        store = Computed(place(tmp_path), f"study {i}")
        store.keep(KEY, Kept(TABLE, TOLD))
        os.utime(store.folder, (at, at))
    size = sum(p.stat().st_size for p in store.folder.iterdir())
    monkeypatch.setattr(computed, "MOST_BYTES", 3 * size)
    last = Computed(place(tmp_path), "study 3")
    last.keep(KEY, Kept(TABLE, TOLD))
    last.tidy()
    found = [Computed(place(tmp_path), f"study {i}").find(KEY) for i in range(4)]
    assert [f is not None for f in found] == [True, False, True, True]


def test_a_folder_that_holds_something_else_stops_nothing_and_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bound was never held again once the oldest folder couldn't be taken away."""
    for i in range(3):
        store = Computed(place(tmp_path), f"study {i}")
        store.keep(KEY, Kept(TABLE, TOLD))
        if not i:
            (store.folder / "mine.bin").write_bytes(bytes(1 << 16))
        os.utime(store.folder, (1000 + i, 1000 + i))
    size = max(p.stat().st_size for p in store.folder.iterdir())
    monkeypatch.setattr(computed, "MOST_BYTES", size)
    last = Computed(place(tmp_path), "study 3")
    last.keep(KEY, Kept(TABLE, TOLD))
    last.tidy()
    found = [Computed(place(tmp_path), f"study {i}").find(KEY) for i in range(4)]
    assert [f is not None for f in found] == [False, False, False, True]


def test_whatever_else_lies_in_the_place_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """ROADLOG_CACHE may name a folder that holds a user's own things."""
    monkeypatch.setattr(computed, "MOST_BYTES", 1)
    store = Computed(place(tmp_path), "study")
    theirs = [
        place(tmp_path) / "tables" / "oak" / "photo.jpg",
        place(tmp_path) / "tables" / ("a" * 64) / "letter.parquet",
        store.folder / "notes.txt",
        place(tmp_path) / "secret",
    ]
    for path in theirs:
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine")
    store.keep(KEY, Kept(TABLE, TOLD))
    store.tidy()
    Computed(place(tmp_path), "study").tidy()
    assert [p.read_text() for p in theirs] == ["mine"] * 4


def test_the_place_is_the_users_or_as_named_or_nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    assert place_of_tables() is None  # as the tests have it
    monkeypatch.setenv("ROADLOG_CACHE", "/somewhere")
    assert place_of_tables() == Path("/somewhere")
    monkeypatch.delenv("ROADLOG_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", "/home/me/.cache")
    monkeypatch.setattr("sys.platform", "linux")
    assert place_of_tables() == Path("/home/me/.cache/roadlog")


def test_a_key_tells_all_apart_that_could_change_a_number() -> None:
    study = parse_study({"vehicle": {"mass_kg": 1310.0}})
    values: list[object] = [
        0, 0.0, -0.0, False, None, "", "0", b"0", (), [], {}, ("a", "b"), ("ab",), (("a",), "b"),
        {"a": 1, "b": 2}, {"b": 2, "a": 1}, frozenset({"a"}), Path("a"),
        np.float64(0), np.float32(0),
        np.zeros(2), np.zeros((2, 1)), np.zeros((1, 2)), TABLE,
        TABLE.iloc[:-1].reset_index(drop=True),
        TABLE[["maf_g_s", "t_s", "n", "on"]], TABLE.rename(columns={"t_s": "t"}),
        TABLE.astype({"n": float}), Study(), study, parse_study({"vehicle": {"mass_kg": 1310.5}}),
        pd.Timestamp("2026-03-02"), pd.Timestamp("2026-03-02", tz="UTC"),
    ]  # fmt: skip
    assert len({key_of(v) for v in values}) == len(values)
    assert key_of(TABLE.copy(), study.model_copy()) == key_of(TABLE, study)
    said = parse_study({"device": {"acts_on": "intake"}})
    assert key_of(said) != key_of(parse_study({"device": {"acts_on": "fuel"}}))
    for unknown in (object(), print, iter([]), TABLE.set_index("t_s")):
        with pytest.raises(NotKeyable):
            key_of([unknown])
