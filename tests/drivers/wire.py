"""A serial line made of pseudo-terminals, with a device at its end and someone who spoils it."""

import os
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from random import Random

from sequencer.config import Rig
from sequencer.driver import make_driver
from sequencer.files import find, load
from simulator.board import Board

Device = Callable[[bytes], bytes]
Spoil = Callable[[bytes, bytes], list[tuple[float, bytes]]]
"""From a question and its answer to what comes out of the line: pieces, each after a delay in s."""


def straight(_asked: bytes, answer: bytes) -> list[tuple[float, bytes]]:
    return [(0.0, answer)]


class Wire:
    """Answers lines on a pseudo-terminal whose name is ``port`` with what ``device`` says.

    The other end stays open here, so that a host may come and go; `pull` is the cable torn out.
    """

    def __init__(self, device: Device, end: bytes = b"\n") -> None:
        self.device = device
        self.spoil: Spoil = straight
        self.asked: list[bytes] = []
        self._end = end
        self._later: list[tuple[float, bytes]] = []
        self._stop = threading.Event()
        self._master, self._other = os.openpty()
        tty.setraw(self._other)
        self.port = os.ttyname(self._other)
        self._open = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        buffer = b""
        while not self._stop.is_set():
            now_s = time.monotonic()
            due = [data for at_s, data in self._later if at_s <= now_s]
            self._later = [item for item in self._later if item[0] > now_s]
            for data in due:
                os.write(self._master, data)
            wait_s = min([at_s - now_s for at_s, _ in self._later] or [0.02])
            ready, _, _ = select.select([self._master], [], [], max(0.0, min(wait_s, 0.02)))
            if not ready:
                continue
            buffer += os.read(self._master, 4096)
            *lines, buffer = buffer.split(self._end)
            for line in lines:
                self.asked.append(line)
                at_s = time.monotonic()
                for after_s, data in self.spoil(line + self._end, self.device(line)):
                    at_s += after_s
                    if after_s:
                        self._later.append((at_s, data))
                    else:
                        os.write(self._master, data)

    def quiet(self, timeout_s: float = 2.0) -> None:
        """Wait until nothing is under way any more."""
        until_s = time.monotonic() + timeout_s
        while self._later and time.monotonic() < until_s:
            time.sleep(0.002)
        time.sleep(0.005)

    def pull(self) -> None:
        """Tear the cable out: the host's end is hung up."""
        if self._open:
            self._open = False
            self._stop.set()
            self._thread.join(2.0)
            os.close(self._master)
            os.close(self._other)


class Bench:
    """A simulated rig in real time behind a board, in this process."""

    def __init__(self, seed: int = 1, **options: object) -> None:
        plain = load(find("rigs", "bench-instrumented"), Rig)
        merged = {**plain.driver.options, "seed": seed, **options}
        choice = plain.driver.model_copy(update={"options": merged})
        self.rig = plain.model_copy(update={"driver": choice})
        self.driver = make_driver(self.rig, "served")
        self.driver.open()
        self.board = Board(self.driver, self.rig, seed)
        self.lock = threading.Lock()

    def device(self, line: bytes) -> bytes:
        with self.lock:
            return self.board.answer(line, time.monotonic_ns())

    def truth(self):
        with self.lock:
            self.driver.read(time.monotonic_ns())
            return self.driver.truth()

    def coils(self) -> dict[str, bool]:
        with self.lock:
            return dict(self.driver.read(time.monotonic_ns()).read_back)


def serial_rig(port: str | Path, **options: object) -> Rig:
    """The shipped rig on a serial line, at another port and with these options."""
    rig = load(find("rigs", "bench-serial"), Rig)
    merged = {**rig.driver.options, "port": str(port), **options}
    return rig.model_copy(update={"driver": rig.driver.model_copy(update={"options": merged})})


def noise(rng: Random, size: int, *, ends: bool = False) -> bytes:
    data = bytes(rng.randrange(256) for _ in range(size))
    return data if ends else data.replace(b"\n", b"\x00")
