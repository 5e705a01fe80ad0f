"""The sealed schedule from draw to report: what the driver may know, and what "blind" needs."""

import datetime as dt
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from roadlog.analysis.analyse import analyse
from roadlog.analysis.blinded import with_blinding
from roadlog.analysis.result import Analysed
from roadlog.check import check_study
from roadlog.cli import main
from roadlog.errors import DesignError, InputError
from roadlog.plan.register import REGISTER, read_register, register
from roadlog.plan.schedule import draw_schedule, drawn_anew, driving_days, switch_units, weekday_gap
from roadlog.plan.seal import hidden, locked, opened, read_sealed, seal, system_generator
from roadlog.plan.seal_log import OPENED, SEAL_LOG, read_seal_log
from roadlog.plan.sheet import sheet_page, sheet_rows
from roadlog.publish.clock import PublicClock
from roadlog.publish.leaks import PrivateFacts
from roadlog.publish.records import write_records
from roadlog.report.blinded import who_knew
from roadlog.report.check_page import check_page
from roadlog.report.json_out import to_json
from roadlog.runs.facts import OfTaking
from roadlog.runs.intake import propose
from roadlog.runs.table import Sources, study_sources
from roadlog.study.folder import load_study
from roadlog.study.settings import Plan, Schedule, Study, parse_study
from tests.plan.sealed_study import (
    AFTERWARDS,
    FIRST_RUN,
    HALF_WAY,
    PLANNED,
    guess,
    open_at,
    sealed_copy,
    words_of_arms,
)

DAY = dt.timedelta(days=1)
NOTHING = PrivateFacts()


def drawn(days: int, seed: int = 1, **plan: object) -> Schedule:
    p = Plan.model_validate({"days": days, **plan})
    units = switch_units(p, driving_days(p, dt.date(2027, 3, 1)))
    return draw_schedule(units, block_size=4, seed=seed)


@pytest.fixture
def shut_study(study_without_positions: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "shut"
    sealed_copy(study_without_positions, folder)
    return folder


@pytest.fixture(scope="module")
def finished(
    study_without_positions: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Analysed]:
    """A study that was sealed, driven and opened as it should be, analysed once."""
    folder = tmp_path_factory.mktemp("sealed") / "study"
    sealed = sealed_copy(study_without_positions, folder, dummies=2)
    open_at(folder, sealed, AFTERWARDS)
    study = load_study(folder)
    return folder, analyse(study, study_sources(folder, study), now=AFTERWARDS)


def again(finished: tuple[Path, Analysed], folder: Path, change) -> Analysed:
    """The finished study with something changed, its records read anew."""
    shutil.copytree(finished[0], folder)
    change(folder)
    study = load_study(folder)
    bare = replace(finished[1], study=study, blinding=None)
    return with_blinding(bare, study_sources(folder, study))


# What the driver may know


def test_a_sealed_text_is_as_long_whatever_the_order():
    """Its length, and that of its encrypted copy in the driver's folder, must not tell the arms."""
    lengths = set()
    for seed in range(30):
        schedule = drawn(13, seed)  # an odd block: chance decides which arm gets the odd day
        fitted = sum(u.arm == "fitted" for u in schedule.unit)
        sealed = seal(schedule, seed % 3, np.random.default_rng(seed))
        lengths.add((fitted, len(sealed.text)))
    assert len({fitted for fitted, _ in lengths}) == 2
    assert len({length for _, length in lengths}) == 1


def test_a_hash_of_the_order_alone_can_be_tried_and_a_sealed_one_can_not():
    schedule = drawn(8)
    rng = np.random.default_rng(3)
    first, second = seal(schedule, 0, rng), seal(schedule, 0, np.random.default_rng(3))
    assert first.arms == second.arms
    assert first.sha256 != second.sha256


def test_sealed_orders_are_those_that_chance_could_have_drawn_each_as_often():
    schedule = drawn(8)
    counts: dict[str, int] = {}
    for _ in range(1800):
        order = drawn_anew(schedule, system_generator())
        word = "".join("F" if u.arm == "fitted" else "b" for u in order.unit)
        counts[word] = counts.get(word, 0) + 1
    assert len(counts) == 36
    expected = 1800 / 36
    chi2 = sum((c - expected) ** 2 / expected for c in counts.values())
    assert chi2 < 80  # 35 degrees of freedom: the 99.998 % point


def test_a_sealed_order_keeps_the_weekday_limit_that_is_told():
    schedule = drawn(20)
    assert schedule.weekday_limit is not None
    units = [(u.unit,) for u in schedule.unit]
    for seed in range(4):
        order = drawn_anew(schedule, np.random.default_rng(seed))
        arms = np.array([[int(u.arm == "fitted") for u in order.unit]], dtype=np.int8)
        assert weekday_gap(arms, units)[0] <= schedule.weekday_limit


HASHES = r"[0-9a-f]{64}|([0-9a-f]{4} ){7}[0-9a-f]{4}"
TIMES = r"\d\d:\d\d:\d\d|\d{6}Z|\d{4}-\d\d-\d\d \d\d:\d\d"


def test_what_the_plan_writes_and_says_is_the_same_whatever_was_drawn(tmp_path, capsys):
    """Two plans of one study differ in the seal's hash alone, and in what is made of it."""
    told = []
    for name in ("plan-a", "plan-b"):
        folder = tmp_path / name / "study"
        new = ["new", str(folder), "--name", "collar", "--claim-economy", "12", "--days", "10"]
        assert main([*new, "--switched-by-other", "yes"]) == 0
        argv = ["plan", str(folder), "--start", "2027-03-01", "--sealed"]
        assert main([*argv, str(tmp_path / name / "stick.json")]) == 0
        out = capsys.readouterr().out
        assert not re.search("fitted|baseline", out)
        written = sorted(p for p in folder.rglob("*") if p.is_file() and p.suffix != ".png")
        texts = [out, *(str(p) for p in written), *(p.read_text() for p in written)]
        plain = [re.sub("<path.*?/>|" + HASHES + "|" + TIMES, "*", t) for t in texts]
        told.append([t.replace(name, "*") for t in plain])
        assert words_of_arms(folder) == []
        assert not list(folder.rglob("switcher*"))
    assert told[0] == told[1]


def test_nothing_shown_before_the_opening_tells_an_arm(shut_study, capsys, tmp_path):
    assert words_of_arms(shut_study) == []
    study = load_study(shut_study)
    check = check_study(study, study_sources(shut_study, study))
    page = check_page(check)
    text = "\n".join(check.lines(120))
    assert "sealed" in text
    assert not re.search("fitted|baseline|collar in|collar out", text)
    assert not re.search("collar in|collar out", page)
    assert {r.arm for r in check.runs} == {""}
    assert main(["analyze", str(shut_study), "--out", str(tmp_path / "out")]) == 1
    told = capsys.readouterr()
    assert told.err.count("\n") == 1
    assert "roadlog unseal" in told.err
    assert not (tmp_path / "out").exists()
    assert not (shut_study / "computed" / "looks.jsonl").exists()


def test_air_conditioning_is_asked_while_the_schedule_is_sealed(shut_study, capsys):
    assert main(["accessory", str(shut_study), "--answer", "2026-03-02=off"]) == 0
    told = capsys.readouterr().out
    assert "Kept 1 answers" in told
    assert "looks on" not in told  # an add-on that moves idle air would show itself by day
    assert not re.search("fitted|baseline|collar in|collar out", told)


def test_next_and_note_tell_no_arm(shut_study, capsys):
    for argv in (
        ["next", str(shut_study), "--date", "2026-03-05"],
        ["next", str(shut_study), "--date", "2026-04-05"],
        ["note", str(shut_study), "--date", "2026-03-05", "--set", "guess=don't know"],
    ):
        main(argv)
        told = capsys.readouterr()
        assert not re.search("fitted|baseline|collar in|collar out", told.out + told.err)
    assert main(["next", str(shut_study), "--date", "2026-04-05"]) == 0
    assert words_of_arms(shut_study) == []


@pytest.mark.parametrize("command", ["engine-signals", "standing-start"])
def test_no_other_command_goes_round_the_seal(shut_study, command, capsys):
    assert main([command, str(shut_study)]) in (1, 2)
    told = capsys.readouterr()
    assert not re.search("fitted|collar in", told.out)


def test_arms_by_folder_don_t_open_a_sealed_schedule(shut_study):
    """A driver who sorts the logs by what he thinks gets no effect either."""
    for i, log in enumerate(sorted((shut_study / "logs").glob("*.csv"))):
        place = shut_study / "logs" / ("fitted" if i % 4 < 2 else "baseline")
        place.mkdir(exist_ok=True)
        log.rename(place / log.name)
    study = load_study(shut_study)
    with pytest.raises(DesignError, match="sealed"):
        analyse(study, study_sources(shut_study, study))


def test_logs_are_taken_in_without_an_arm(shut_study, tmp_path):
    log = next((shut_study / "logs").glob("*2026-03-03*"))
    elsewhere = tmp_path / log.name
    log.rename(elsewhere)
    study = load_study(shut_study)
    made = propose(shut_study, study, [elsewhere])[0]
    assert not made.refused
    assert made.arm is None
    assert made.targets == (f"logs/{log.name}",)
    said = propose(shut_study, study, [elsewhere], arm="fitted")[0]
    assert said.refused
    assert said.refused.code is OfTaking.ARM_SEALED
    assert main(["take", str(shut_study), str(elsewhere)]) == 0
    assert '"arm": null' in (shut_study / "logs" / "taken.json").read_text()
    assert words_of_arms(shut_study) == []


def test_a_drive_beside_the_plan_is_no_part_of_a_sealed_test(shut_study, tmp_path):
    log = next((shut_study / "logs").glob("*2026-03-03*"))
    other = tmp_path / "saturday.csv"
    other.write_text(log.read_text().replace("2026-03-03", "2026-03-07"))
    study = load_study(shut_study)
    for arm in (None, "baseline"):
        assert (
            "no switch unit is scheduled on 2026-03-07"
            in propose(shut_study, study, [other], arm=arm)[0].refused
        )


def test_driver_s_sheet_hides_and_switcher_s_sheet_tells_dummy_days():
    schedule = drawn(12)
    sealed = seal(schedule, 3, np.random.default_rng(1))
    dummies = {u.unit for u in sealed.units if u.dummy}
    assert len(dummies) == 3
    assert {sealed.arms[u] for u in dummies} == {"baseline"}
    plan = Plan(days=12, switched_by_other=True, dummy_days=3)
    known = Study(plan=plan, schedule=schedule)
    shut = Study(plan=plan, schedule=hidden(schedule, sealed))
    rows = sheet_rows(known, dummies)
    acts = [i for i, r in enumerate(rows) if "act as if to fit" in r.switch]
    assert len(acts) == 3
    for i in acts:  # what was in the day before has to come out first
        was_in = i > 0 and rows[i - 1].fitted
        assert rows[i].switch.startswith("take out, then") == was_in
    page = sheet_page(known, reader="switcher", claim=None, dummies=dummies)
    assert "Act as if to fit" in page
    driver = sheet_page(shut, reader="driver", claim=None, sha256="0123456789abcdef" * 4)
    assert "act as if" not in driver.lower()
    assert "0123 4567 89ab cdef" in driver
    assert "don't know" in driver
    assert not re.search(r"<td[^>]*>(fitted|baseline|fit|take out)", driver)


def test_no_more_dummy_days_than_every_order_has_baseline_days():
    with pytest.raises(DesignError, match="only 6 switch units are sure"):
        seal(drawn(13), 7, np.random.default_rng(1))


# Planning


@pytest.fixture
def new_study(tmp_path, capsys) -> Path:
    folder = tmp_path / "collar"
    argv = ["new", str(folder), "--claim-economy", "12", "--days", "8"]
    assert main([*argv, "--switched-by-other", "yes"]) == 0
    capsys.readouterr()
    return folder


def test_plan_for_a_switcher_wants_a_place_outside_the_study(new_study, tmp_path, capsys):
    argv = ["plan", str(new_study), "--start", "2027-03-01"]
    for more, why in (
        ([], "--sealed FILE"),
        (["--sealed", str(new_study / "plan" / "x.json")], "lies in the study"),
        (["--sealed", str(tmp_path / "x.txt")], "suffix .json"),
        (["--sealed", str(tmp_path / "x.json"), "--seed", "4"], "takes no seed"),
        (["--passphrase"], "with --sealed FILE"),
    ):
        assert main([*argv, *more]) == 2
        assert why in capsys.readouterr().err
    link = tmp_path / "link"
    link.symlink_to(new_study, target_is_directory=True)
    assert main([*argv, "--sealed", str(link / "x.json")]) == 2
    assert load_study(new_study).schedule is None
    assert not (new_study / REGISTER).exists()
    assert main([*argv, "--dry-run"]) == 0


def test_a_plan_that_is_not_for_a_switcher_isn_t_sealed(tmp_path, capsys):
    folder = tmp_path / "own"
    assert main(["new", str(folder), "--days", "8"]) == 0
    assert main(["plan", str(folder), "--sealed", str(tmp_path / "x.json")]) == 2
    assert "switched_by_other = true" in capsys.readouterr().err
    text = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(text.replace("[plan]", "[plan]\ndummy_days = 2"))
    assert main(["plan", str(folder)]) == 2
    assert "dummy_days" in capsys.readouterr().err


def test_planning_again_keeps_the_seal_and_a_new_draw_needs_a_word(new_study, tmp_path, capsys):
    argv = ["plan", str(new_study), "--start", "2027-03-01"]
    first = tmp_path / "first.json"
    assert main([*argv, "--sealed", str(first)]) == 0
    seal_then = load_study(new_study).schedule.sealed
    assert main(argv) == 0
    assert load_study(new_study).schedule.sealed == seal_then
    assert len(read_register(new_study)) == 1
    assert main([*argv, "--sealed", str(tmp_path / "second.json")]) == 2
    assert "--redraw" in capsys.readouterr().err
    assert main([*argv, "--redraw", "--sealed", str(first)]) == 2  # never written over
    assert "is there already" in capsys.readouterr().err
    assert main([*argv, "--redraw", "--sealed", str(tmp_path / "second.json")]) == 0
    assert load_study(new_study).schedule.sealed != seal_then
    assert len(read_register(new_study)) == 2
    assert main(["unseal", str(new_study), str(first), "--early"]) == 2
    assert "isn't the schedule that was sealed" in capsys.readouterr().err


def test_no_new_seal_once_logs_are_in(shut_study, tmp_path, capsys):
    argv = ["plan", str(shut_study), "--redraw", "--sealed", str(tmp_path / "late.json")]
    assert main(argv) == 2
    assert "holds 24 logs already" in capsys.readouterr().err


# Opening


def test_passphrase_locks_and_a_wrong_one_or_a_changed_byte_says_so():
    sealed = seal(drawn(8), 0, np.random.default_rng(1))
    data = locked(sealed, "four words of chance")
    assert b"fitted" not in data
    assert read_sealed(data, "x.json", lambda: "four words of chance") == sealed
    with pytest.raises(InputError, match="wrong passphrase"):
        read_sealed(data, "x.json", lambda: "four words of change")
    outer = json.loads(data)
    outer["text"] = ("A" if outer["text"][0] != "A" else "B") + outer["text"][1:]
    with pytest.raises(InputError, match="wrong passphrase, or the file was changed"):
        read_sealed(json.dumps(outer).encode(), "x.json", lambda: "four words of chance")
    with pytest.raises(InputError, match="the passphrase has 5 characters"):
        locked(sealed, "short")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: b"",
        lambda t: t[: len(t) // 2],
        lambda t: b"\xff" + t,
        lambda t: b"[]",
        lambda t: b'{"sealed_schedule": 1}',
        lambda t: t.replace(b'"fitted"', b'"both"'),
        lambda t: b"[" * 100_000,
        lambda t: b'{"locked_schedule": 1, "kdf": {"name": "scrypt", "n": 1099511627776}}',
    ],
)
def test_what_is_no_sealed_file_says_so_in_a_sentence(spoil):
    text = seal(drawn(8), 0, np.random.default_rng(1)).text
    with pytest.raises(InputError, match="no whole sealed schedule"):
        read_sealed(spoil(text), "x.json", lambda: "")


def test_a_changed_arm_or_another_study_s_file_doesn_t_open():
    schedule = drawn(8)
    sealed = seal(schedule, 0, np.random.default_rng(1))
    shut = hidden(schedule, sealed)
    assert opened(shut, sealed).unit == schedule.unit
    first = sealed.units[0].arm
    other = {"fitted": b"baseline", "baseline": b"fitted"}[first]
    forged = read_sealed(sealed.text.replace(first.encode(), other, 1), "x", str)
    with pytest.raises(InputError, match="isn't the schedule that was sealed"):
        opened(shut, forged)
    moved = shut.model_copy(
        update={
            "unit": (shut.unit[0].model_copy(update={"unit": dt.date(2027, 2, 26)}), *shut.unit[1:])
        }
    )
    with pytest.raises(InputError, match="2027-03-01 is missing"):
        opened(moved, sealed)
    blocks = shut.model_copy(
        update={"unit": tuple(u.model_copy(update={"block": 1}) for u in shut.unit)}
    )
    with pytest.raises(InputError, match="its blocks or their order differ"):
        opened(blocks, sealed)


def test_opening_waits_for_the_last_day_and_is_logged_once(new_study, tmp_path, capsys):
    stick = tmp_path / "stick.json"
    start = (dt.date.today() + DAY).isoformat()
    assert main(["plan", str(new_study), "--start", start, "--sealed", str(stick)]) == 0
    before = (new_study / "study.toml").read_text()
    assert main(["unseal", str(new_study), str(stick)]) == 2
    assert "8 scheduled days are still to be driven" in capsys.readouterr().err
    assert (new_study / "study.toml").read_text() == before
    assert main(["unseal", str(new_study)]) == 2
    assert main(["unseal", str(new_study), str(tmp_path / "lost.json")]) == 2
    assert main(["unseal", str(new_study), str(stick), "--early"]) == 0
    assert "NOT BLIND from here on: 8 days" in capsys.readouterr().out
    assert not load_study(new_study).shut
    events = read_seal_log(new_study)
    assert [e.what for e in events] == ["sealed", "opened"]
    assert len(events[1].to_come) == 8
    assert main(["unseal", str(new_study), str(stick)]) == 0
    assert "Opened already" in capsys.readouterr().out
    assert len(read_seal_log(new_study)) == 2


def test_encrypted_copy_in_the_study_opens_it(new_study, tmp_path, capsys, monkeypatch):
    typed = iter(["four words of chance\n", "four words of chance\n"])
    monkeypatch.setattr("sys.stdin.readline", lambda: next(typed))
    start = (dt.date.today() + DAY).isoformat()
    argv = ["plan", str(new_study), "--start", start, "--sealed", str(tmp_path / "s.json")]
    assert main([*argv, "--passphrase"]) == 0
    assert words_of_arms(new_study) == []
    (tmp_path / "s.json").unlink()  # lost: the copy is enough
    assert main(["unseal", str(new_study), "--early"]) == 0
    assert {u.arm for u in load_study(new_study).schedule.unit} == {"fitted", "baseline"}


def test_units_without_arms_need_a_seal_and_half_an_opening_is_none():
    bare = "[schedule]\nunit = [{unit = 2027-03-01, block = 1}, {unit = 2027-03-02, block = 1}]\n"
    with pytest.raises(InputError, match="has no arm: write baseline or fitted"):
        parse_study(bare)
    half = bare.replace("02, block", '02, arm = "fitted", block').replace(
        "unit = [", f'sealed = "{"0" * 64}"\nunit = ['
    )
    with pytest.raises(InputError, match="opened as a whole"):
        parse_study(half)


# The word


def test_sealed_driven_opened_and_guessed_is_blind(finished, tmp_path):
    folder, result = finished
    assert result.blinding is not None
    assert result.blinding.blind
    assert result.blinding.dummy_days == 2
    assert not result.oversight.changes
    text = who_knew(result)
    assert text.startswith("Blind. Chance drew the order for the switcher alone")
    assert "No daily guess was noted" in text
    assert "On 2 switch units without it the switcher only acted" in text
    arms = {str(u.unit): u.arm for u in load_study(folder).schedule.unit}
    days = sorted(arms)
    said = {d: ("in" if i % 2 else "out") for i, d in enumerate(days)}
    said[days[3]] = "don't know"
    result = again(finished, tmp_path / "guessed", lambda f: guess(f, said))
    assert result.blinding.guessed == 12
    schema = json.loads((Path(schema_file())).read_text())
    jsonschema.validate(to_json(result), schema)
    assert "by Bang's index" in who_knew(result)


def schema_file() -> str:
    import roadlog.report as report

    return str(Path(report.__file__).parent / "results.schema.json")


def test_guesses_that_are_always_right_take_the_word_away(finished, tmp_path):
    arms = {str(u.unit): u.arm for u in load_study(finished[0]).schedule.unit}
    said = {d: ("in" if a == "fitted" else "out") for d, a in arms.items()}
    result = again(finished, tmp_path / "knew", lambda f: guess(f, said))
    assert result.blinding.kept == "guessed right"
    assert [round(g.index, 2) for _, g in result.blinding.guesses] == [1.0, 1.0]
    assert result.blinding.right_p < 0.01
    assert not re.search("[Bb]lind[. ]", who_knew(result))


def test_saying_in_every_day_is_a_habit_and_no_knowledge(finished, tmp_path):
    days = [str(u.unit) for u in load_study(finished[0]).schedule.unit]
    result = again(finished, tmp_path / "habit", lambda f: guess(f, dict.fromkeys(days, "in")))
    assert result.blinding.blind
    assert result.blinding.right_p == 1.0
    assert "a habit of saying one answer" in who_knew(result)


def edit(old: str, new: str):
    def change(folder: Path) -> None:
        path = folder / "study.toml"
        text = path.read_text()
        assert old in text
        path.write_text(text.replace(old, new, 1))

    return change


def reseal_late(folder: Path) -> None:
    (folder / REGISTER).unlink()
    register(folder, load_study(folder), FIRST_RUN + DAY)


def reopen_early(folder: Path) -> None:
    path = folder / SEAL_LOG
    path.write_text(path.read_text().replace(AFTERWARDS.isoformat(), HALF_WAY.isoformat()))


def drop_seal(folder: Path) -> None:
    path = folder / "study.toml"
    path.write_text(re.sub(r'sealed = "\w+"\n', "", path.read_text()))


def other_seal(folder: Path) -> None:
    path = folder / "study.toml"
    path.write_text(re.sub(r'sealed = "\w+"', f'sealed = "{"a" * 64}"', path.read_text()))


def forge_opened(folder: Path) -> None:
    path = folder / OPENED
    path.write_text(path.read_text().replace("fitted", "baseline", 1))


@pytest.mark.parametrize(
    ("change", "kept"),
    [
        (edit("driver_knew_arm = false", "driver_knew_arm = true"), "said to know"),
        (edit("switched_by_other = true", "switched_by_other = false"), "said to know"),
        (reseal_late, "sealed late"),
        (lambda f: (f / REGISTER).unlink(), "sealed late"),
        (reopen_early, "opened early"),
        (drop_seal, "seal dropped"),
        (other_seal, "no opening"),
        (lambda f: (f / SEAL_LOG).unlink(), "no opening"),
        (lambda f: (f / OPENED).unlink(), "no opening"),
        (forge_opened, "no opening"),
        (lambda f: guess(f, {"2026-03-02": "out"}, before_opening=False), "guesses changed"),
    ],
)
def test_blind_is_said_of_nothing_less(finished, tmp_path, change, kept):
    result = again(finished, tmp_path / "changed", change)
    assert result.blinding.kept == kept
    assert "blind" not in who_knew(result).lower()
    assert to_json(result)["blinding"]["kept"] == kept


def test_units_driven_after_the_opening_are_named_and_their_guesses_left_out(finished, tmp_path):
    arms = {str(u.unit): u.arm for u in load_study(finished[0]).schedule.unit}
    said = {d: ("in" if a == "fitted" else "out") for d, a in arms.items()}

    def change(folder: Path) -> None:
        reopen_early(folder)
        guess(folder, said)

    result = again(finished, tmp_path / "early", change)
    late = [d for d in sorted(arms) if d > "2026-03-09"]
    assert list(result.blinding.after_opening) == late
    assert result.blinding.guessed == 12 - len(late)


def test_an_arm_that_was_corrected_by_hand_is_listed(finished, tmp_path):
    folder, _ = finished
    unit = load_study(folder).schedule.unit[0]
    other = "baseline" if unit.arm == "fitted" else "fitted"
    shutil.copytree(folder, tmp_path / "s")
    edit(f'{unit.unit}, arm = "{unit.arm}"', f'{unit.unit}, arm = "{other}"')(tmp_path / "s")
    study = load_study(tmp_path / "s")
    result = analyse(study, study_sources(tmp_path / "s", study), now=AFTERWARDS)
    assert result.oversight.changes == (
        f"schedule units {unit.unit}: {unit.arm} (sealed) -> {other}",
    )
    assert "was changed by hand" in who_knew(result)


def test_the_study_s_own_word_is_told_as_its_word(study_without_positions, tmp_path):
    for knew, words in (
        ("true", "The driver knew which arm"),
        ("false", "The study says that the driver didn't know"),
    ):
        study = parse_study(f"[analysis]\ndriver_knew_arm = {knew}\n")

        class Bare:
            blinding = None

        bare = Bare()
        bare.study = study
        assert who_knew(bare).startswith(words)
        assert "blind" not in who_knew(bare).lower()


def test_a_sealed_plan_registers_the_same_before_and_after_the_opening(finished):
    folder, _ = finished
    entry = register(folder, load_study(folder), AFTERWARDS)
    assert entry.at == PLANNED
    text = json.dumps(entry.choices)
    assert "fitted" not in text
    assert entry.choices["schedule"]["sealed"] == load_study(folder).schedule.sealed


@pytest.mark.parametrize(("clock", "kept"), [("hours", "blind"), ("shifted", "not shown")])
def test_a_published_study_says_no_more_of_the_seal_than_it_shows(finished, tmp_path, clock, kept):
    folder, result = finished
    (tmp_path / "study.toml").write_text((folder / "study.toml").read_text())
    shown = PublicClock(clock, 0 if clock == "hours" else 9)
    write_records(result, study_sources(folder, result.study), tmp_path, {}, shown, NOTHING)
    assert (tmp_path / OPENED).exists() == (clock == "hours")
    again = with_blinding(replace(result, blinding=None), Sources((), root=tmp_path))
    assert again.blinding.kept == kept
    assert ("blind" in who_knew(again).lower()) == (kept == "blind")


def test_an_early_opening_stays_early_in_whole_hours(finished, tmp_path):
    """12:10 opened, 12:50 driven: rounded up, the opening would seem to come after the drive."""
    folder, result = finished
    last = result.runs["start"].max().to_pydatetime().astimezone()
    shutil.copytree(folder, tmp_path / "early")
    path = tmp_path / "early" / SEAL_LOG
    path.write_text(
        path.read_text().replace(
            AFTERWARDS.isoformat(), (last - dt.timedelta(minutes=1)).isoformat()
        )
    )
    sources = study_sources(tmp_path / "early", result.study)
    whole = with_blinding(replace(result, blinding=None), sources)
    assert whole.blinding.kept == "opened early"
    into = tmp_path / "public"
    into.mkdir()
    (into / "study.toml").write_text((folder / "study.toml").read_text())
    write_records(whole, sources, into, {}, PublicClock("hours"), NOTHING)
    runs = result.runs.assign(start=result.runs["start"].dt.floor("h"))
    again = with_blinding(replace(result, blinding=None, runs=runs), Sources((), root=into))
    assert again.blinding.kept == "opened early"


def test_after_the_first_day_there_is_one_arm_and_no_effect(shut_study, capsys):
    """An opened schedule knows both arms before both were driven."""
    path = shut_study / "study.toml"
    text = re.sub(r"(2026-03-02, )", r'\1arm = "fitted", ', path.read_text())
    path.write_text(re.sub(r"(unit = 2026-\d\d-\d\d, )block", r'\1arm = "baseline", block', text))
    for log in (shut_study / "logs").glob("*.csv"):
        if "2026-03-02" not in log.name:
            log.unlink()
    assert main(["analyze", str(shut_study)]) == 1
    assert "no log of the baseline arm yet" in capsys.readouterr().err
    assert main(["accessory", str(shut_study)]) == 0
