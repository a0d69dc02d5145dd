"""A back end to start from: its device is a table in memory, so that the suite passes as it is."""

import threading
import time
from collections.abc import Mapping

from pydantic import Field

from sequencer.config import SETPOINT_ROLES, Rig
from sequencer.driver import Driver, Scan
from sequencer.errors import LinkLost
from sequencer.files import Strict, validate
from sequencer.material import Material
from sequencer.model import ChannelValue, Image, RawInput
from sequencer.recipe import Recipe
from sequencer.units import Time


class Options(Strict):
    """What the rig file may say under ``[driver.options]``."""

    address: str = "here"
    answers_within_s: Time = Field(alias="answers_within", default=0.1, gt=0)
    broken: tuple[str, ...] = ()


def create(options: Mapping[str, object], rig: Rig, file: str) -> Driver:
    """Make the driver; named in pyproject.toml."""
    return MyRig(validate(options, Options, file), rig)


class MyRig:
    """One rig; see `sequencer.driver.Driver`."""

    def __init__(self, options: Options, rig: Rig) -> None:
        self._options = options
        self._inputs = tuple(item.channel for item in rig.inputs.values())
        self._switches = tuple(
            output.channel for role, output in rig.outputs.items() if role not in SETPOINT_ROLES
        )
        self._device: Device | None = None

    def open(self) -> None:
        """Reach the device; nothing is written."""
        if self._device is None:
            if self._options.address not in DEVICES:
                raise LinkLost(f"no device answers at {self._options.address}")
            self._device = DEVICES[self._options.address]

    def read(self, now_ns: int) -> Scan:
        """Read every input, and the outputs as the device drives them."""
        device = self._reached()
        broken = self._options.broken
        raw = tuple(RawInput(4.0, name not in broken, now_ns) for name in self._inputs)
        driven = device.driven()
        return Scan(raw, tuple((name, bool(driven.get(name))) for name in self._switches))

    def write(self, image: Image, now_ns: int) -> None:
        """Drive the values in their order, and tell the device until when and what comes after."""
        life_s = (image.expires_ns - now_ns) / 1e9
        self._reached().drive(image.values, image.safe, life_s)

    def close(self) -> None:
        """Let go of the device; its own time-out has the outputs now."""
        self._device = None

    def lay_in(self, recipe: Recipe, material: Material) -> None:
        """Do nothing: a rig that measures has no use for it."""

    def attendant(self) -> None:
        """Return None: only people answer here."""
        return

    def prediction(self) -> Mapping[str, float]:
        """Return nothing: a real rig knows no more than its sensors."""
        return {}

    def _reached(self) -> "Device":
        if self._device is None:
            raise LinkLost("the rig is not open")
        return self._device


class Device:
    """Stands in for your device, with the time-out of its outputs that yours must have too."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._driven: dict[str, ChannelValue] = {}
        self._safe: Mapping[str, ChannelValue] = {}
        self._until_s: float | None = None
        self.log: list[tuple[str, ChannelValue]] = []

    def driven(self) -> dict[str, ChannelValue]:
        """Return what is driven now."""
        with self._lock:
            if self._until_s is not None and time.monotonic() >= self._until_s:
                self._driven.update(self._safe)
                self._until_s = None
            return dict(self._driven)

    def drive(
        self, values: Mapping[str, ChannelValue], safe: Mapping[str, ChannelValue], life_s: float
    ) -> None:
        """Drive these for so long, and the safe ones afterwards."""
        with self._lock:
            for name, value in values.items():
                self._driven[name] = value
                self.log.append((name, value))
            self._safe, self._until_s = safe, time.monotonic() + life_s


DEVICES = {"here": Device()}
