"""A simulated rig on a hand-cranked clock, without any sequencer."""

import dataclasses
import functools
import struct
import tomllib
from collections.abc import Callable
from pathlib import Path

from sequencer.config import Rig
from sequencer.driver import Scan
from sequencer.files import find, validate
from sequencer.model import Outputs, Prompt, RawInput
from sequencer.units import ns
from sequencer.wiring import image
from simulator.driver import SimulatedDriver, create
from simulator.values import PlantState

TICK_s = 0.02
RIG_FILE = find("rigs", "bench-instrumented")


@functools.cache
def _shipped() -> Rig:
    return _rig_with({})


def rig_with(**tables: object) -> Rig:
    """The instrumented bench rig with tables of its file replaced."""
    return _rig_with(tables) if tables else _shipped()


def _rig_with(tables: dict[str, object]) -> Rig:
    given = tomllib.loads(Path(RIG_FILE).read_text())
    given["driver"]["options"] = {}
    given.update(tables)
    return validate(given, Rig, "rig.toml")


class Cranked:
    """A driver, what is written to it every tick, and a clock that only tests move."""

    def __init__(self, rig: Rig, options: dict[str, object], start_ns: int = 0) -> None:
        driver = create(options, rig, "rig.toml")
        assert isinstance(driver, SimulatedDriver)
        self.driver = driver
        self.rig = rig
        self.now_ns = start_ns
        self.driver.open()
        self.scan = self.driver.read(start_ns)

    def run(
        self,
        duration_s: float,
        outputs: Outputs | None = None,
        tick_s: float = TICK_s,
        watch: Callable[[Scan], None] | None = None,
    ) -> PlantState:
        """Read, and write the outputs unless there are none, every tick; return the truth."""
        end_ns = self.now_ns + ns(duration_s)
        while self.now_ns < end_ns:
            if outputs is not None:
                fresh = dataclasses.replace(outputs, expires_ns=self.now_ns + 500_000_000)
                self.driver.write(image(fresh, self.rig), self.now_ns)
            self.now_ns = min(end_ns, self.now_ns + ns(tick_s))
            self.scan = self.driver.read(self.now_ns)
            if watch is not None:
                watch(self.scan)
        return self.driver.truth()

    def raw(self, role: str) -> RawInput:
        """What the last scan said of a role."""
        return self.scan.raw[list(self.rig.inputs).index(role)]

    def value(self, role: str) -> float:
        """The last scan's value of a role, scaled by the rig file as a reader would."""
        scaling, raw = self.rig.inputs[role].scaling, self.raw(role).value
        if scaling.kind == "linear":
            return scaling.gain * raw + scaling.offset
        return scaling.low_Pa + (raw - 4.0) / 16.0 * (scaling.high_Pa - scaling.low_Pa)

    def set_regulator(self, set_Pa: float) -> None:
        """Turn the regulator without a person."""
        bench = self.driver.bench()
        bench.handle(bench.hands._replace(regulator_Pa=set_Pa))

    def ask(self, topic: str, prompt_id: int = 1, target: float | None = None) -> None:
        """Put a question to the simulated person."""
        prompt = Prompt(prompt_id, topic, topic, self.now_ns, self.now_ns + 10**12, target=target)
        self.driver.attendant().asked(prompt, self.now_ns)


def packed(scan: Scan) -> bytes:
    """Every bit of a scan."""
    parts = [struct.pack("<d?q", raw.value, raw.ok, raw.taken_ns) for raw in scan.raw]
    return b"".join(parts) + repr(scan.read_back).encode()


def cranked(options: dict[str, object] | None = None, **tables: object) -> Cranked:
    """A cranked rig: options as a rig file would hold them, and tables of the rig replaced."""
    return Cranked(rig_with(**tables), options or {})
