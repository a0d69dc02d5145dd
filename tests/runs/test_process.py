"""`imprint run` as a process: signals, pipes, a terminal, and a record cut short."""

import fcntl
import json
import os
import re
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from sequencer import driver as port
from sequencer.cli import main
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from sequencer.units import PSI_Pa
from simulator.driver import create
from tests.runs.bench import CYCLE
from tests.runs.command import Imprint, PATIENCE_s, live

pytestmark = pytest.mark.slow


def recorded_steps(folder: Path) -> list[str]:
    records = Records(folder / "records.db")
    run = records.find("last")
    events = [event.facts() for event in records.events(run.run_id)]
    records.close()
    return [str(event["step"]) for event in events if event["event"] == "step_entered"]


def last_film_Pa(folder: Path) -> float:
    """What both film sensors read in the last scan that was recorded, the higher of them."""
    records = Records(folder / "records.db")
    run = records.find("last")
    rig = run.rig()
    *_, last = records.scans(run.run_id)
    records.close()
    places = [place for place, role in enumerate(rig.inputs) if role in rig.film_roles]
    low_mA, span_mA, full_Pa = 4.0, 16.0, 400 * PSI_Pa
    return max((last.inputs.raw[place].value - low_mA) / span_mA * full_Pa for place in places)


def test_a_run_exits_0_and_its_lines_are_plain(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, "--sample", "foil 12", speed=400))
    assert done.end() == 0, done.said
    assert "\x1b" not in done.said + done.out
    assert "\r" not in done.said + done.out
    entered = re.findall(r"STEP (\w+)", done.said)
    assert entered[-8:] == [*CYCLE[:3], "dwell", *CYCLE[4:], "idle"]
    assert "SIMULATION at 400 times" in done.said
    assert "Not a safety system" in done.said
    assert "sample foil 12" in done.said
    assert "met      house air" in done.said
    assert "PERMISSIVES" in done.said
    assert "The clamp closes in 3 s. Keep clear." in done.said
    assert re.search(
        r"dwell: waits for hold time, counted in band \(.*usually .*at most", done.said
    )
    assert re.search(r"had: film bled, measured: film", done.said)
    assert re.search(
        r"\d+% .* (?:of|down to) .*left; film \d+ psi .*head 1\d\d\.\d degC", done.said
    )
    assert "complete" in done.out
    assert "Timeline" in done.out
    assert recorded_steps(tmp_path)[-1] == "idle"


def test_json_prints_one_document_and_nothing_else(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, "--json", speed=400))
    assert done.end() == 0
    document = json.loads(done.out)
    assert document["outcome"] == "complete"
    assert [step["step"] for step in document["steps"]] == CYCLE
    assert done.said == ""


def test_json_of_an_interrupted_run_is_one_document_too(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, "--json"))
    # Nothing is said on the way; the record is begun once signals are heeded.
    until = time.monotonic() + PATIENCE_s
    while not (tmp_path / "records.db").exists() and time.monotonic() < until:
        time.sleep(0.01)
    done.send()
    assert done.end() == 130
    assert json.loads(done.out)["outcome"] in ("stopped", "refused")


CTRL_C, TERM, HANG_UP = (signal.SIGINT,) * 3, (signal.SIGTERM,), (signal.SIGHUP,)
INTERRUPTED = [
    ("heating", r"STEP heating", CTRL_C),
    ("clamping", r"try supply: waits", CTRL_C),
    ("pressurizing", r"raise: waits", CTRL_C),
    ("holding", r"dwell: waits", CTRL_C),
    ("holding", r"dwell: waits", TERM),
    ("holding", r"dwell: waits", HANG_UP),
    ("cooling", r"STEP cooling", CTRL_C),
    ("venting", r"STEP venting", CTRL_C),
]


@pytest.mark.parametrize(
    ("step", "line", "signals"),
    INTERRUPTED,
    ids=[f"{step}-{signals[0].name}-{len(signals)}" for step, _, signals in INTERRUPTED],
)
def test_a_signal_ends_the_run_in_the_safe_order(
    tmp_path: Path, step: str, line: str, signals: tuple[int, ...]
) -> None:
    done = Imprint(live(tmp_path))
    done.wait_for(line)
    for number in signals:
        done.send(number)
        time.sleep(0.02)
    assert done.end() == 130, done.said
    assert "stopping in the safe order" in done.said
    assert "Traceback" not in done.said
    steps = recorded_steps(tmp_path)
    assert step in steps
    assert steps[-1] == "idle", steps
    if step not in ("heating",):
        assert steps[-2] == "releasing"
    if step in ("pressurizing", "holding", "cooling", "venting"):
        assert steps[-3] == "venting"
        assert "had: film bled, measured" in done.said
    assert last_film_Pa(tmp_path) < 2 * PSI_Pa
    assert replay(Records(tmp_path / "records.db"), "last").identical


def test_a_signal_while_stdout_and_stderr_are_gone_still_ends_in_order(tmp_path: Path) -> None:
    done = subprocess.Popen(
        [sys.executable, "-m", "sequencer.cli", *live(tmp_path)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert done.stdout is not None
    assert done.stderr is not None
    for raw in done.stderr:
        if b"dwell: waits" in raw:
            break
    done.stdout.close()
    done.stderr.close()
    done.send_signal(signal.SIGINT)
    done.wait(40)
    steps = recorded_steps(tmp_path)
    assert steps[-3:] == ["venting", "releasing", "idle"]
    records = Records(tmp_path / "records.db")
    assert records.find("last").state == "closed"
    records.close()


def test_a_reader_that_goes_away_costs_no_traceback(tmp_path: Path) -> None:
    done = subprocess.Popen(
        [sys.executable, "-m", "sequencer.cli", *live(tmp_path, speed=400)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert done.stdout is not None
    assert done.stderr is not None
    done.stdout.close()
    said = done.stderr.read().decode()
    assert done.wait(40) == 1
    assert "Traceback" not in said
    assert "Exception ignored" not in said
    assert recorded_steps(tmp_path)[-1] == "idle"


def test_a_terminal_gets_a_bar_and_colours(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, speed=20), terminal=True)
    assert done.end() == 0
    assert "\x1b[" in done.said
    assert re.search(r"dwell: .*[━╸╺]", done.said)
    assert re.search(r"\d+%", done.said)
    assert re.search(r"\x1b\[[0-9;]*3[1-7]m|\x1b\[38;", done.said), "some colour"


def test_no_color_is_honoured_on_a_terminal(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, speed=40), terminal=True, no_color=True)
    assert done.end() == 0
    assert not re.search(r"\x1b\[[0-9;]*[349][0-7]m|\x1b\[[0-9;]*[34]8;", done.said)


def test_a_killed_run_is_listed_and_replays_what_was_had(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = Imprint(live(tmp_path))
    done.wait_for(r"dwell: waits")
    time.sleep(0.3)
    done.kill()
    path = tmp_path / "records.db"
    records = Records(path)
    (run,) = records.runs()
    records.close()
    assert run.state == "open"
    assert run.outcome is None
    assert main(["replay", "last", "--records", str(path), "--json"]) == 0
    result = json.loads(capsys.readouterr().out)
    assert result["identical"] is True
    assert result["scans"] > 500
    assert recorded_steps(tmp_path)[-1] == "holding"
    assert main(["replay", run.run_id, "--records", str(path)]) == 0
    assert "identical" in capsys.readouterr().out


def test_a_run_that_is_not_there_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(tmp_path / "records.db")
    assert main(["replay", "last", "--records", path]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert Imprint(live(tmp_path, speed=1000)).end() == 0
    assert main(["replay", "20991231-000000-beef", "--records", path]) == 1
    err = capsys.readouterr().err
    assert "no such run" in err
    assert len(err.splitlines()) == 1


class RealRig:
    """A back end of the tests: the simulated rig, but only real people answer on it."""

    def __init__(self, inner: port.Driver) -> None:
        self._inner = inner

    def __getattr__(self, name: str) -> object:
        return getattr(self._inner, name)

    def attendant(self) -> None:
        return None


class Point:
    name = "simulated"

    def load(self) -> port.Factory:
        return lambda options, rig, file: RealRig(create(options, rig, file))


@pytest.mark.parametrize("flag", [["--yes"], ["--speed", "60"]])
@pytest.mark.parametrize("command", [["run", "pmma-grating"], ["purge"]])
def test_a_real_rig_is_never_answered_for_or_hurried(
    flag: list[str], command: list[str], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(port, "entry_points", lambda group: [Point()])
    path = tmp_path / "records.db"
    assert main([*command, *flag, "--publish", "none", "--records", str(path)]) == 2
    out, err = capsys.readouterr()
    assert flag[0] in err
    assert out == ""
    assert len(err.splitlines()) == 1
    assert not path.exists()


def test_a_dry_run_of_a_real_rig_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(port, "entry_points", lambda group: [Point()])
    assert main(["dry-run", "pmma-grating"]) == 2
    assert "dry-run" in capsys.readouterr().err


def test_prompts_are_answered_by_typing(tmp_path: Path) -> None:
    done = Imprint(live(tmp_path, yes=False), terminal=True)
    done.wait_for(r"ASK  .*gauge")
    done.wait_for(r"you see: ")
    done.type("0")
    done.wait_for(r"ASK  .*lay in")
    done.wait_for(r"type 1 for 'in place', 2 for 'not ready'")
    done.wait_for(r"you see: in place")
    done.type("banana")
    done.wait_for(r"type one of: 1 in place, 2 not ready\r?\n")
    done.type("1")
    done.wait_for(r"SAID in place")
    done.wait_for(r"ASK  .*regulator")
    done.type("banana")
    done.wait_for(r"banana[^\n]*\r?\n[^\n]*(psi|unit|number)[^\n]*\n")
    done.type("12.4 degC")
    done.wait_for(r"degC[^\n]*\n")
    done.type("nan")
    done.wait_for(r"(?i)nan|REFUSED")
    done.wait_for(r"you see: 1[78]\d psi")
    done.type("12.4 bar")
    done.wait_for(r"SAID 1[.\d]*")
    done.wait_for(r"ASK  .*[Hh]ands")
    done.wait_for(r"you see: clear")
    done.type("CLEAR")
    done.wait_for(r"SAID clear")
    done.wait_for(r"ASK  .*gauge")
    done.wait_for(r"you see: ")
    done.type("0.0 psi")
    done.wait_for(r"dwell: waits")
    done.type("1")
    done.wait_for(r"no question is open")
    done.type("stop")
    done.wait_for(r"STEP venting \(stop\)")
    # A stop does not let a hot stack go without a person's word.
    done.wait_for(r"type 1 for 'release hot', 2 for 'keep clamped'")
    done.type("release")
    done.wait_for(r"SAID release hot")
    done.wait_for(r"STEP idle")
    assert done.end() == 130
    assert "Traceback" not in done.said
    assert recorded_steps(tmp_path)[-3:] == ["venting", "releasing", "idle"]
    assert replay(Records(tmp_path / "records.db"), "last").identical


def test_purge_is_a_command_too(tmp_path: Path) -> None:
    path = str(tmp_path / "records.db")
    done = Imprint(["purge", "--yes", "--speed", "400", "--publish", "none", "--records", path])
    assert done.end() == 0, done.said
    assert "STEP bleed lines" in done.said
    assert recorded_steps(tmp_path)[-2:] == ["purging", "idle"]
    assert replay(Records(Path(path)), "last").identical


def test_ctrl_c_in_a_purge_is_ordered(tmp_path: Path) -> None:
    path = str(tmp_path / "records.db")
    done = Imprint(["purge", "--yes", "--speed", "20", "--publish", "none", "--records", path])
    done.wait_for(r"stroke: waits")
    for _ in range(3):
        done.send()
        time.sleep(0.01)
    assert done.end() == 130
    assert recorded_steps(tmp_path)[-3:] == ["venting", "releasing", "idle"]


@pytest.mark.slow
def test_a_terminal_that_is_closed_ends_the_run_in_the_safe_order(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "sequencer.cli", *live(tmp_path, speed=100)]
    process = subprocess.Popen(
        command,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )
    os.close(theirs)
    seen = b""
    while b"dwell: waits" not in seen:
        seen += os.read(ours, 65536)
    os.close(ours)  # as when a connection is cut: the session's processes are told by a hang-up
    process.wait(timeout=60)
    steps = recorded_steps(tmp_path)
    assert steps[-4:] == ["holding", "venting", "releasing", "idle"]
    assert last_film_Pa(tmp_path) < 2 * PSI_Pa
