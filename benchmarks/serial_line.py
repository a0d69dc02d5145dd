"""The back end for serial lines beside a bare loop on the same port, and beside the wire."""

import multiprocessing
import os
import time
import tty
from collections.abc import Callable
from multiprocessing.connection import Connection

from benchmarks.timing import percentile, tell, times
from drivers.checksum import crc16_modbus
from sequencer.config import Rig
from sequencer.driver import make_driver
from sequencer.files import find, load
from sequencer.model import Clamp, Outputs
from sequencer.runtime.clock import RealClock
from sequencer.runtime.threaded import ThreadedDriver
from sequencer.wiring import image

READS = 2000
BAUDS = (9600, 115_200)
BITS_PER_BYTE = 10
VALUES = b"1000000 3.99756 3.9917 3.99719 4.00928 14.1259 13.652 160.2 159.9 1 1 1 1"
SESSION = b"4A1F"


def _answers(line: bytes) -> bytes:
    words = line.partition(b"*")[0].split(b" ")
    body = {
        b"who": b" who imprint-board 1 " + SESSION + b" 12 7 1",
        b"in": b" in " + SESSION + b" " + VALUES,
        b"set": b" set " + SESSION + b" 1000000 160",
    }[words[1]]
    body = words[0] + body
    return body + b"*" + crc16_modbus(body).encode() + b"\n"


def _board(told: Connection, baud: int) -> None:
    """Answer for ever; with a baud rate only after the bytes would have passed such a wire."""
    master, other = os.openpty()
    tty.setraw(other)
    told.send(os.ttyname(other))
    buffer = b""
    while True:
        buffer += os.read(master, 4096)
        *lines, buffer = buffer.split(b"\n")
        for line in lines:
            answer = _answers(line)
            if baud:
                time.sleep((len(line) + 1 + len(answer)) * BITS_PER_BYTE / baud)
            os.write(master, answer)


class _Board:
    def __init__(self, baud: int = 0) -> None:
        context = multiprocessing.get_context("spawn")
        mine, theirs = context.Pipe()
        self._process = context.Process(target=_board, args=(theirs, baud), daemon=True)
        self._process.start()
        self.port: str = mine.recv()

    def rig(self) -> Rig:
        rig = load(find("rigs", "bench-serial"), Rig)
        options = {**rig.driver.options, "port": self.port, "reply_within": "1 s"}
        return rig.model_copy(update={"driver": rig.driver.model_copy(update={"options": options})})

    def close(self) -> None:
        self._process.terminate()
        self._process.join()


def _timed(work: Callable[[], object], count: int) -> list[float]:
    took_s = []
    for _ in range(count):
        began_s = time.perf_counter()
        work()
        took_s.append(time.perf_counter() - began_s)
    return took_s


def _bare(port: str, count: int) -> list[float]:
    """Ask and take the line with the system's calls alone: nothing is checked, nothing parsed."""
    question = b"07 in*" + crc16_modbus(b"07 in").encode() + b"\n"
    line = os.open(port, os.O_RDWR | os.O_NOCTTY)

    def once() -> None:
        os.write(line, question)
        got = b""
        while not got.endswith(b"\n"):
            got += os.read(line, 4096)

    try:
        return _timed(once, count)
    finally:
        os.close(line)


def main() -> None:
    """Measure and tell."""
    board = _Board()
    rig = board.rig()
    bare = _bare(board.port, READS)
    driver = make_driver(rig, "bench")
    driver.open()
    driven = _timed(lambda: driver.read(time.monotonic_ns()), READS)
    now_ns = time.monotonic_ns()
    whole = image(Outputs(clamp=Clamp.APPLY, expires_ns=now_ns + 10**12), rig)
    both = _timed(
        lambda: (driver.write(whole, now_ns + 10**12 - 10**9), driver.read(now_ns)), READS // 2
    )
    driver.close()
    thread = ThreadedDriver(make_driver(rig, "bench"), rig, RealClock())
    thread.open()
    taken: list[float] = []
    for _ in range(200):
        began_ns = time.monotonic_ns()
        thread.read(began_ns)
        now = image(Outputs(clamp=Clamp.APPLY, expires_ns=began_ns + 500_000_000), rig)
        thread.write(now, began_ns)
        taken.append((time.monotonic_ns() - began_ns) / 1e9)
        time.sleep(0.005)
    thread.close()
    board.close()
    named = (
        ("bare loop, nothing checked", bare),
        ("driver, a read of 12 inputs and 7 outputs", driven),
        ("driver, a write confirmed and a read", both),
        ("loop's share with the thread: read and write", taken),
    )
    tell(
        "A board on a line that costs no time",
        ("", "per second", "p50", "p99", "beside the bare loop"),
        [
            (
                name,
                f"{len(took) / sum(took):.0f}",
                f"{percentile(took, 0.5) * 1e3:.3f} ms",
                f"{percentile(took, 0.99) * 1e3:.3f} ms",
                times(percentile(took, 0.5) / percentile(bare, 0.5)),
            )
            for name, took in named
        ],
    )
    rows = []
    for baud in BAUDS:
        slow = _Board(baud)
        device = make_driver(slow.rig(), "bench")
        device.open()
        count = 20 if baud < 20_000 else 200
        took = _timed(lambda device=device: device.read(time.monotonic_ns()), count)
        device.close()
        slow.close()
        question = len(b"07 in*0000\n")
        least_s = (question + len(_answers(b"07 in"))) * BITS_PER_BYTE / baud
        mean_s = sum(took) / len(took)
        rows.append(
            (
                f"{baud}",
                f"{1.0 / mean_s:.1f}",
                f"{1.0 / least_s:.1f}",
                f"{100.0 * least_s / mean_s:.0f} %",
            )
        )
    tell(
        "A board on a wire",
        ("baud", "reads per second", "the wire's limit", "share"),
        rows,
        "The wire is a pause as long as its bytes would take.",
    )


if __name__ == "__main__":
    main()
