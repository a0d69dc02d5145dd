"""The reference sketch for a board, compiled for this machine and driven through a port."""

import os
import shutil
import subprocess
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.checksum import crc16_modbus
from sequencer.driver import make_driver
from sequencer.errors import LinkLost
from sequencer.model import Clamp, Image, Outputs
from sequencer.wiring import image
from tests.drivers.served import ROOT
from tests.drivers.wire import Bench, serial_rig

pytestmark = pytest.mark.slow
COILS = ("clamp apply", "clamp release", "isolation", "supply", "vent", "heater", "coolant")
FIRST_PIN = 2


class Sketch:
    """The sketch in a process of its own, its line on a pseudo-terminal."""

    def __init__(self, program: Path) -> None:
        self._program = program
        self._master, self._other = os.openpty()
        tty.setraw(self._other)
        self.port = os.ttyname(self._other)
        self.pins: dict[int, int] = {}
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [str(self._program)], stdin=self._master, stdout=self._master, stderr=subprocess.PIPE
        )
        threading.Thread(target=self._listen, args=(self.process,), daemon=True).start()

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stderr is not None
        for line in process.stderr:
            pin, level = line.split()
            self.pins[int(pin)] = int(level)

    def coil(self, name: str) -> bool:
        return bool(self.pins.get(FIRST_PIN + COILS.index(name)))

    def stop(self) -> None:
        self.process.kill()
        self.process.wait(5.0)

    def close(self) -> None:
        self.stop()
        os.close(self._master)
        os.close(self._other)

    def ask(self, body: str, *, spoilt: bool = False) -> str:
        """Ask by hand, without the driver; empty if there is no answer in 0.2 s."""
        checksum = crc16_modbus(body.encode())
        line = f"{body}*{'0000' if spoilt else checksum}\n".encode()
        os.set_blocking(self._other, False)
        os.write(self._other, line)
        got, until_s = b"", time.monotonic() + 0.2
        while not got.endswith(b"\n") and time.monotonic() < until_s:
            try:
                got += os.read(self._other, 4096)
            except BlockingIOError:
                time.sleep(0.002)
        answer, _, told = got.decode().strip().partition("*")
        assert not got or told == crc16_modbus(answer.encode())
        return answer


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    compiler = shutil.which("g++") or shutil.which("c++")
    if compiler is None:
        pytest.skip("no C++ compiler here")
    built = tmp_path_factory.mktemp("board") / "board"
    sketch = ROOT / "docs" / "board" / "board.ino"
    subprocess.run(
        [
            compiler, "-std=c++11", "-O1", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined",
            f'-DSKETCH="{sketch}"', str(ROOT / "tests" / "drivers" / "board_shim.cpp"),
            "-o", str(built),
        ],
        check=True, timeout=60,
    )  # fmt: skip
    return built


@pytest.fixture
def sketch(program: Path) -> Iterator[Sketch]:
    sketch = Sketch(program)
    yield sketch
    sketch.close()


def until(true: object, within_s: float = 1.0) -> float:
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < within_s, "it never came true"
        time.sleep(0.002)
    return time.monotonic() - began_s


def test_the_driver_reads_and_writes_it_and_it_lets_go_by_itself(sketch: Sketch) -> None:
    rig = serial_rig(sketch.port)
    driver = make_driver(rig, "rig.toml")
    driver.open()
    scan = driver.read(time.monotonic_ns())
    wanted = [4.0 + 16.0 * 50 * channel / 1023 for channel in range(12)]
    assert [raw.value for raw in scan.raw] == pytest.approx(wanted, abs=1e-3)
    assert not any(on for _, on in scan.read_back)
    now_ns = time.monotonic_ns()
    pressed = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
    whole = image(pressed, rig)
    driver.write(Image(whole.values, whole.safe, now_ns + 300_000_000), now_ns)
    until(lambda: sketch.coil("supply") and sketch.coil("vent") and sketch.coil("clamp apply"))
    assert 0.2 < until(lambda: not sketch.coil("supply")) < 0.4
    until(lambda: not sketch.coil("vent"))
    assert sketch.coil("clamp apply"), "what the image after leaves alone stays"
    driver.close()


def test_after_a_reset_it_refuses_what_was_meant_for_before(sketch: Sketch) -> None:
    rig = serial_rig(sketch.port)
    driver = make_driver(rig, "rig.toml")
    driver.open()
    sketch.stop()
    sketch.start()
    until(lambda: FIRST_PIN in sketch.pins)
    now_ns = time.monotonic_ns()
    whole = image(Outputs(vent_open=False, heater_on=True), rig)
    with pytest.raises(LinkLost, match="reset"):
        driver.write(Image(whole.values, whole.safe, now_ns + 300_000_000), now_ns)
    assert not sketch.coil("heater")
    driver.close()


def test_sketch_and_simulated_board_say_the_same(sketch: Sketch) -> None:
    """The same questions, answered by both; only session and input values are their own."""
    bench = Bench()
    theirs = sketch.ask("00 who").split()[4]
    ours = bench.board.session
    questions = (
        "01 who", "02 who 1", "03 foo", "04 in 1",
        "05 set {s} 500 0000000 0000000 20", "06 set {s} 500 000000 0000000 20",
        "07 set {s} 500 0000002 0000000 20", "08 set {s} 500 0000000 0000000 warm",
        "09 set {s} 0 0000000 0000000 20", "10 set {s} 5001 0000000 0000000 20",
        "11 set {s} -5 0000000 0000000 20", "12 set {s} 500 0000000 0000000",
        "13 set 12 500 0000000 0000000 20", "14 set {s} 500 ------- ------- -",
        "15 set {s} 50 1000101 1000000 160", "16 set {s} 500 0------ ------- nan",
        "17 set {s} 500 0------ ------- 1e9", "1 who", "ab who", "18",
    )  # fmt: skip
    for question in questions:
        mine = sketch.ask(question.replace("{s}", theirs)).replace(theirs, "SESSION")
        asked = question.replace("{s}", ours).encode()
        line = asked + b"*" + crc16_modbus(asked).encode()
        said = bench.device(line).decode().partition("*")[0].replace(ours, "SESSION")
        assert _numbers(mine) == _numbers(said), question
    assert sketch.ask("20 who", spoilt=True) == ""
    assert sketch.ask("21 who").startswith("21 who imprint-board 1")


def _numbers(answer: str) -> list[object]:
    words: list[object] = []
    for place, word in enumerate(answer.split()):
        number = place > 3 and word.replace(".", "").isdecimal()
        words.append(float(word) if number else word)
    return words


def test_a_flood_does_not_hold_up_its_expiry(sketch: Sketch) -> None:
    session = sketch.ask("00 who").split()[4]
    assert " set " in sketch.ask(f"01 set {session} 200 0000010 0000000 20")
    assert sketch.coil("heater")
    began_s = time.monotonic()
    while time.monotonic() - began_s < 0.4:
        try:
            os.write(sketch._other, b"x" * 200)
        except BlockingIOError:
            time.sleep(0.001)
    assert not sketch.coil("heater")
