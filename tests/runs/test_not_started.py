"""What keeps a run from starting: every reason at once, a recovery, and nothing has moved."""

import os
import stat
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.config import Rig
from sequencer.errors import RecordError
from sequencer.files import find
from sequencer.runtime import session as sessions
from sequencer.runtime.clock import VirtualClock
from sequencer.units import PSI_Pa
from tests.runs.bench import Watched, fault, hot, run

LOW = {"bottle": {"pressure": "450 psi"}}


def nothing_moved(done: Watched) -> None:
    assert done.first is not None
    assert done.document["outcome"] == "refused"
    assert done.clamp_told == {"leave"}
    assert not done.supply_opened
    assert done.truth.piston_m == done.first.piston_m
    assert done.truth.gas_used_kg < 1e-9, "a tight regulator lets next to nothing through"
    assert done.truth.element_W <= done.first.element_W
    assert done.truth.film_Pa <= done.first.film_Pa
    assert len(done.document["problems"]) == len(set(done.document["problems"]))


@pytest.mark.parametrize(
    ("the_rig", "said"),
    [
        (hot(**LOW), ["limits.bottle_change_out"]),
        (hot(bottle={"pressure": "500.4 psi"}), ["would end the run at"]),
        (hot(air={"pressure": "60 psi"}), ["house air"]),
        (hot(start={"clamp": "closed"}), ["found closed"]),
        (hot(start={"film_pressure": "40 psi"}), ["film pressure is seen"]),
        (hot(fault("emergency_stop", 0.0)), ["free the button"]),
        (hot(fault("logic_power_lost", 0.0)), ["24 V"]),
        (hot(fault("sensor_bad", 0.0, role="supply_pressure")), ["supply pressure is not to be"]),
        (
            hot(fault("emergency_stop", 0.0), air={"pressure": "60 psi"}, **LOW),
            ["free the button", "house air", "limits.bottle_change_out"],
        ),
        (
            hot(start={"clamp": "closed"}, air={"pressure": "60 psi"}, **LOW),
            ["found closed", "house air", "limits.bottle_change_out"],
        ),
    ],
    ids=["bottle-low", "bottle-would-be", "air", "clamp", "film", "stop", "24V", "supply",
         "stop-air-bottle", "clamp-air-bottle"],
)  # fmt: skip
def test_every_reason_is_told_and_nothing_moves(the_rig: Rig, said: list[str]) -> None:
    done = run(the_rig)
    nothing_moved(done)
    for words in said:
        assert any(words in problem for problem in done.document["problems"]), words


def test_a_stop_pressed_while_the_film_is_proven_is_told_at_once() -> None:
    done = run(hot(fault("emergency_stop", 1.0)))
    nothing_moved(done)
    assert "the stop chain is open" in done.document["problems"][0]
    assert done.session._clock.now_ns() < 3e9, "and not after the whole time for the proofs"


def test_a_vent_that_does_not_vent_at_start_up_stays_shut_away() -> None:
    film = {"film_pressure": "40 psi"}
    done = run(hot(fault("vent_stuck_shut", 0.0), start=film))
    nothing_moved(done)
    assert done.truth.film_Pa > 30 * PSI_Pa


def test_a_guard_that_stays_open_ends_in_silence_before_the_clamp() -> None:
    done = run(hot(fault("guard_open", 0.0)))
    assert done.document["outcome"] == "stopped"
    assert done.clamp_told == {"leave"}
    assert done.truth.piston_m == 0.0


def test_an_interrupt_before_the_start_moves_nothing() -> None:
    done = run(stop_in=("faulted", "bled"))
    nothing_moved(done)
    assert done.document["problems"] == ["interrupted before the start"]
    assert done.ended is not None
    assert done.ended.interrupted


def test_nobody_there_at_the_start_moves_nothing() -> None:
    done = run(hot(fault("person_silent", 0.0)))
    nothing_moved(done)
    assert any("nobody answered" in problem for problem in done.document["problems"])


def silent(post: object, attendant: object) -> object:
    return lambda now_ns, inputs, step: None


def test_a_run_without_a_record_does_not_begin(tmp_path: Path) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("")
    job = sessions.Job("run", hot(), "test rig")
    session = sessions.Session(
        job, VirtualClock(), silent, live=False, records=blocked / "records.db"
    )
    with pytest.raises(RecordError):
        session.run()
    assert session.driver.truth().gas_used_kg == 0.0
    assert session.driver.bench().now_ns == 0, "not one scan was taken"


def test_the_command_without_a_record_exits_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("")
    code = main(
        ["run", "pmma-grating", "--yes", "--speed", "1000", "--publish", "none",
         "--records", str(blocked / "records.db")]
    )  # fmt: skip
    assert code == 1
    err = capsys.readouterr().err
    assert str(blocked) in err
    assert "Traceback" not in err


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder_exits_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    path = str(tmp_path / "records.db")
    assert main(["run", "pmma-grating", "--yes", "--speed", "1000", "--records", path]) == 1


def rig_file(tmp_path: Path, extra: str) -> str:
    text = find("rigs", "bench-instrumented").read_text()
    path = tmp_path / "rig.toml"
    path.write_text(text.replace('pressure = "1900 psi"\n', extra))
    return str(path)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("extra", "said"),
    [
        (
            'pressure = "450 psi"\n[driver.options.air]\npressure = "60 psi"\n',
            ["limits.bottle_change_out", "limits.air_pressure"],
        ),
        (
            'pressure = "1900 psi"\n[driver.options.start]\nclamp = "closed"\n',
            ["found closed", "The film is bled and the clamp is closed", "Start `imprint run`"],
        ),
        (
            'pressure = "1900 psi"\n[[driver.options.faults]]\nkind = "emergency_stop"\n',
            ["free the button", "Find and clear the cause"],
        ),
    ],
    ids=["bottle-and-air", "clamp", "stop"],
)
def test_the_command_tells_reasons_and_recovery(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], extra: str, said: list[str]
) -> None:
    path = rig_file(tmp_path, extra)
    code = main(
        ["run", "pmma-grating", "--rig", path, "--yes", "--speed", "100", "--publish", "none",
         "--records", str(tmp_path / "records.db")]
    )  # fmt: skip
    assert code == 1
    out, err = capsys.readouterr()
    for words in said:
        assert words in err
    assert "refused" in out
    assert err.count("not started: ") >= 1


def test_a_recipe_beyond_the_rig_exits_2_with_every_problem(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = find("recipes", "pmma-grating").read_text()
    path = tmp_path / "wild.toml"
    path.write_text(text.replace('"180 psi"', '"400 psi"').replace('"160 degC"', '"300 degC"'))
    assert main(["run", str(path), "--yes", "--publish", "none"]) == 2
    err = capsys.readouterr().err
    assert "imprint.film_pressure" in err
    assert "imprint.temperature" in err
