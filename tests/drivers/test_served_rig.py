"""The whole stack in real time: session, thread, driver, port, board, plant; and what is left when
one of them dies."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

from sequencer.config import Rig
from sequencer.driver import Attendant, make_driver
from sequencer.events import PromptAsked, Step, StepEntered
from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.model import Clamp, Image, Inputs, Outputs, Request, RequestKind
from sequencer.recipe import Recipe
from sequencer.runtime.clock import RealClock
from sequencer.runtime.loop import Sink
from sequencer.runtime.session import Ended, Job, Post, Session
from sequencer.runtime.threaded import ThreadedDriver
from sequencer.units import PSI_Pa, ns
from sequencer.wiring import image
from tests.drivers.served import ROOT, Served, rig_text, written
from tests.drivers.wire import Bench, Wire, serial_rig

pytestmark = pytest.mark.slow
PRESSED = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
CLAMPED = Outputs(clamp=Clamp.APPLY)
QUICK = """
[driver.options.start]
head_temperature = "159 degC"
[driver.options.head]
loss = "0.5 W/K"
cooled_loss = "40 W/K"
heat_capacity = "900 J/K"
[driver.options.person]
handling = "5 s"
delay = "1 s"
"""


def quick_rig(folder: Path) -> Path:
    text = (ROOT / "configs" / "rigs" / "bench-instrumented.toml").read_text()
    mark = 'pressure = "1900 psi"\n'
    assert mark in text
    return written(folder / "served.toml", text.replace(mark, mark + QUICK, 1))


def quick_recipe() -> Recipe:
    whole = load(find("recipes", "pmma-grating"), Recipe)
    times = {"soak_s": 1.0, "soak_under_clamp_s": 1.0, "hold_s": 3.0}
    imprint = whole.imprint.model_copy(update=times)
    demold = whole.demold.model_copy(update={"temperature_degC": 155.0})
    return whole.model_copy(update={"imprint": imprint, "demold": demold})


def by_errand(served: Served) -> Callable[[Post, Attendant | None], Sink]:
    """A person at the served rig who is sent for every prompt and answers what they see."""

    def answering(post: Post, attendant: Attendant | None) -> Sink:
        assert attendant is None, "a rig behind a port has nobody to stand in for anyone"
        open_prompts: dict[str, int] = {}
        heard, numbers = [0], count(1)

        def sink(now_ns: int, inputs: Inputs, step: Step) -> None:
            for event in step.events:
                if isinstance(event, PromptAsked):
                    unit = "degC" if event.unit == "degC" else "Pa"
                    target = "" if event.target is None else f" {event.target:.3f} {unit}"
                    open_prompts[event.name] = event.prompt_id
                    served.say(event.name + target)
            for line in served.lines[heard[0] :]:
                heard[0] += 1
                topic, sign, said = line.partition(" = ")
                if not sign or topic not in open_prompts:
                    continue
                words = said.split()
                value = float(words[0]) if words[-1].strip("()") in ("kPa", "degC") else said
                post(
                    Request(
                        RequestKind.ANSWER,
                        request_id=f"errand-{next(numbers)}",
                        actor="test",
                        at_rig=True,
                        prompt_id=open_prompts.pop(topic),
                        value=value,
                    )
                )

        return sink

    return answering


def run_cycle(folder: Path) -> tuple[Ended, list[str], list[float], bool]:
    """Run a cycle; give its end, steps, ages of its scans, and whether this machine stalled."""
    steps: list[str] = []
    late_ms: list[float] = []
    ages_ms: list[float] = []

    def watch(now_ns: int, inputs: Inputs, step: Step) -> None:
        steps.extend(e.step.value for e in step.events if isinstance(e, StepEntered))
        late_ms.append(inputs.host.late_ns / 1e6)
        ages_ms.append((now_ns - inputs.raw[0].taken_ns) / 1e6)

    with Served(folder / "board", quick_rig(folder)) as served:
        rig = load(written(folder / "rig.toml", rig_text(served.path)), Rig)
        recipe = quick_recipe()
        material = load_materials().get(recipe.material)
        job = Job("run", rig, "rig.toml", recipe, material)
        session = Session(job, RealClock(), by_errand(served), live=True, keep=False)
        driver = session.driver
        assert isinstance(driver, ThreadedDriver)
        guard = threading.Timer(75.0, session.interrupt)
        guard.start()
        try:
            ended = session.run([watch])
        finally:
            guard.cancel()
    stalled = max(late_ms) > 100.0 or driver.link.faults > 0
    return ended, steps, ages_ms, stalled


def test_a_whole_cycle_in_real_time(tmp_path: Path) -> None:
    # A trip because this machine left one of the two processes without time for 0.2 s is right,
    # and no fault of what is tested here; any other trip is.
    for attempt in range(3):
        folder = tmp_path / str(attempt)
        folder.mkdir()
        ended, steps, ages_ms, stalled = run_cycle(folder)
        if ended.document["outcome"] == "complete" or not stalled:
            break
    assert ended.trouble == ""
    assert (ended.document["outcome"], ended.document["verified"]) == ("complete", "measured")
    assert steps == [
        "idle", "heating", "clamping", "pressurizing", "holding", "cooling", "venting",
        "releasing", "idle",
    ]  # fmt: skip
    peak_kPa = ended.document["peak_film_pressure_kPa"]
    assert peak_kPa == pytest.approx(quick_recipe().imprint.film_pressure_Pa / 1e3, rel=0.05)
    assert sorted(ages_ms)[int(0.99 * len(ages_ms))] < 100.0


# ---- the gas part by hand, and who dies in it ---------------------------------------------------


@pytest.fixture
def bench() -> Bench:
    return Bench(start={"regulator": "120 psi"})


@pytest.fixture
def wire(bench: Bench) -> Iterator[Wire]:
    wire = Wire(bench.device)
    yield wire
    wire.pull()


def keep(driver: ThreadedDriver, rig: Rig, outputs: Outputs, for_s: float) -> None:
    """Write every tick as a loop would."""
    end_s = time.monotonic() + for_s
    life_ns = ns(rig.timing.outputs_expire_s)
    while time.monotonic() < end_s:
        now_ns = time.monotonic_ns()
        driver.read(now_ns)
        whole = image(outputs, rig)
        driver.write(Image(whole.values, whole.safe, now_ns + life_ns), now_ns)
        time.sleep(rig.timing.tick_s)


def until(true: Callable[[], bool], within_s: float) -> float:
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < within_s, "it never came true"
        time.sleep(0.01)
    return time.monotonic() - began_s


def threaded(rig: Rig) -> ThreadedDriver:
    driver = ThreadedDriver(make_driver(rig, "rig.toml"), rig, RealClock())
    driver.open()
    return driver


def test_gas_by_hand_clamp_pressurise_vent_release(bench: Bench, wire: Wire) -> None:
    rig = serial_rig(wire.port)
    driver = threaded(rig)
    keep(driver, rig, CLAMPED, 1.3)
    assert bench.truth().cylinder_Pa > 80 * PSI_Pa
    keep(driver, rig, PRESSED, 1.5)
    assert bench.truth().film_Pa == pytest.approx(120 * PSI_Pa, rel=0.05)
    keep(driver, rig, CLAMPED, 2.0)
    assert bench.truth().film_Pa < 2 * PSI_Pa
    keep(driver, rig, Outputs(clamp=Clamp.RELEASE), 1.5)
    assert bench.truth().cylinder_Pa < 3 * PSI_Pa
    assert bench.truth().film_intact == 1.0
    driver.close()


def pressed(bench: Bench, driver: ThreadedDriver, rig: Rig) -> None:
    keep(driver, rig, CLAMPED, 1.5)
    keep(driver, rig, PRESSED, 1.5)
    assert bench.truth().film_Pa > 100 * PSI_Pa
    assert bench.coils()["supply"]


def test_a_stuck_loop_is_covered_by_the_thread(bench: Bench, wire: Wire) -> None:
    plain = serial_rig(wire.port).driver.options["write"]
    assert isinstance(plain, list)
    # The board is told to hold on for long: it is not the board that lets go here.
    lines = [{**line, "send": line["send"].replace("{life_ms}", "5000")} for line in plain]
    rig = serial_rig(wire.port, write=lines)
    driver = threaded(rig)
    pressed(bench, driver, rig)
    last_s = time.monotonic()
    until(lambda: not bench.coils()["supply"], 2.0)
    assert rig.timing.outputs_expire_s - 0.1 < time.monotonic() - last_s < 0.8
    assert driver.link.expiries == 1
    until(lambda: bench.truth().film_Pa < 2 * PSI_Pa, 5.0)
    assert bench.truth().cylinder_Pa > 80 * PSI_Pa, "the clamp holds without power"
    driver.close()


def test_a_killed_process_is_covered_by_the_board(bench: Bench, wire: Wire, tmp_path: Path) -> None:
    text = rig_text(Path(wire.port))
    program = f"""
import sys, time
sys.path.insert(0, {str(ROOT)!r})
from tests.drivers.test_served_rig import *
rig = load({str(written(tmp_path / "rig.toml", text))!r}, Rig)
driver = threaded(rig)
keep(driver, rig, CLAMPED, 1.5)
keep(driver, rig, PRESSED, 60.0)
"""
    program = program.replace("load('", "load(Path('").replace("toml', Rig)", "toml'), Rig)")
    child = subprocess.Popen([sys.executable, "-c", program], cwd=ROOT)
    try:
        until(lambda: bench.truth().film_Pa > 100 * PSI_Pa, 20.0)
        os.kill(child.pid, signal.SIGKILL)
        killed_s = time.monotonic()
        child.wait(5.0)
        until(lambda: not bench.coils()["supply"], 2.0)
        assert time.monotonic() - killed_s < 0.7
        asked = len(wire.asked)
        until(lambda: bench.truth().film_Pa < 2 * PSI_Pa, 5.0)
        assert len(wire.asked) == asked, "nobody wrote: it was the board's own doing"
        assert bench.truth().cylinder_Pa > 80 * PSI_Pa
        assert bench.truth().film_intact == 1.0
    finally:
        if child.poll() is None:
            child.kill()


def test_a_board_that_resets_under_pressure_is_not_re_armed(bench: Bench, wire: Wire) -> None:
    rig = serial_rig(wire.port)
    driver = threaded(rig)
    pressed(bench, driver, rig)
    with bench.lock:
        bench.board.reset(time.monotonic_ns())
    told = False
    end_s = time.monotonic() + 1.0
    while time.monotonic() < end_s:
        now_ns = time.monotonic_ns()
        whole = image(PRESSED, rig)
        try:
            driver.read(now_ns)
        except ConnectionError:
            told = True
        if told:
            break
        try:
            driver.write(Image(whole.values, whole.safe, now_ns + 500_000_000), now_ns)
        except ConnectionError:
            continue
        assert not bench.coils()["supply"]
    assert told
    assert not bench.coils()["supply"]
    driver.close()


def test_a_cable_that_comes_back_is_found_again(bench: Bench, tmp_path: Path) -> None:
    port = tmp_path / "board"
    first = Wire(bench.device)
    port.symlink_to(first.port)
    rig = serial_rig(port)
    driver = threaded(rig)
    pressed(bench, driver, rig)
    first.pull()
    until(lambda: not bench.coils()["supply"], 1.0)
    with pytest.raises(ConnectionError):
        driver.read(time.monotonic_ns())
    port.unlink()
    second = Wire(bench.device)
    port.symlink_to(second.port)
    until(lambda: driver.link.state.value == "up", 3.0)
    with pytest.raises(ConnectionError):
        driver.read(time.monotonic_ns())
    keep(driver, rig, CLAMPED, 0.2)
    assert not bench.coils()["supply"]
    driver.close()
    second.pull()


# ---- the command --------------------------------------------------------------------------------


def test_the_served_person_and_board_answer_at_the_terminal(tmp_path: Path) -> None:
    with Served(tmp_path / "board", quick_rig(tmp_path)) as served:
        assert served.path.is_symlink()
        served.say("film_gauge")
        assert served.wait_for("film_gauge = ", 12.0).startswith("film_gauge = 0 Pa")
        served.say("nonsense")
        served.wait_for("no such topic; known: ", 2.0)
        served.say("supply_gauge 12 furlong")
        served.wait_for("supply_gauge: furlong is a length", 2.0)
        served.say("reset board")
        served.wait_for("board reset, session", 2.0)
    assert not served.path.is_symlink()
    assert served.process.returncode == 0


@pytest.mark.parametrize("case", ["occupied", "real rig"])
def test_simulate_refuses_what_it_cannot_serve(tmp_path: Path, case: str) -> None:
    port = tmp_path / "board"
    rig = "bench-instrumented"
    if case == "occupied":
        port.write_text("something of somebody's")
    else:
        rig = "bench-serial"
    done = subprocess.run(
        [sys.executable, "-m", "sequencer.cli", "simulate", "--serial", str(port), "--rig", rig],
        cwd=ROOT, capture_output=True, text=True, timeout=20, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    if case == "occupied":
        assert port.read_text() == "something of somebody's"
