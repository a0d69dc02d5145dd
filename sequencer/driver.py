"""The port between the sequencer and a rig: what every back end must do, and how one is found.

Opening a driver writes nothing. ``read`` and ``write`` are plain blocking calls; the loop's time is
an argument, so that a simulated rig integrates to it and a real one ignores it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import Protocol, runtime_checkable

from sequencer.config import Rig
from sequencer.errors import DriverUnavailable, InputRefused, Problem
from sequencer.material import Material
from sequencer.model import Image, Prompt, RawInput, Request
from sequencer.recipe import Recipe


@dataclass(frozen=True, slots=True)
class Scan:
    """What a driver read: inputs in the order of the rig's inputs, and its outputs read back.

    ``read_back`` is empty where the back end cannot read its outputs.
    """

    raw: tuple[RawInput, ...]
    read_back: tuple[tuple[str, bool], ...] = ()


@runtime_checkable
class Driver(Protocol):
    """A back end that owns a rig's channels."""

    def open(self) -> None:
        """Reach the rig without writing anything.

        Raises:
            DriverError: if it cannot be reached.
        """

    def read(self, now_ns: int) -> Scan:
        """Read every input and read the outputs back.

        Raises:
            DriverError: if the link is gone; a single bad channel is ``ok=False`` instead.
        """

    def write(self, image: Image, now_ns: int) -> None:
        """Write the values in the order given."""

    def close(self) -> None:
        """Let go of the rig; the outputs go as the rig's dead-man has it."""

    def lay_in(self, recipe: Recipe, material: Material) -> None:
        """Hear what will be laid into the press; a rig that only measures has no use for it."""

    def attendant(self) -> "Attendant | None":
        """Return the person that the back end can stand in for, None where only people answer."""

    def prediction(self) -> Mapping[str, float]:
        """Return what the back end knows beyond its sensors, empty where it knows no more.

        Keys: ``fill_fraction``, ``gas_used_g``, ``film_intact``.
        """


class Attendant(Protocol):
    """Someone at the rig who answers prompts and does what they ask by hand."""

    def asked(self, prompt: Prompt, now_ns: int) -> None:
        """Hear a question."""

    def answers(self, now_ns: int) -> tuple[Request, ...]:
        """Return the answers that are due by now."""


@runtime_checkable
class Rehearsing(Protocol):
    """A back end that lets faults strike in a step, and so has to hear which one begins."""

    def entered(self, step: str, stage: str, now_ns: int) -> None:
        """Hear the step and the stage that begin."""


class Factory(Protocol):
    """What the entry point of a back end names."""

    def __call__(self, options: Mapping[str, object], rig: Rig, file: str) -> Driver:
        """Make a driver for a rig; ``file`` names the rig file in messages.

        Raises:
            InputRefused: if the options are wrong, with every problem.
            DriverUnavailable: if a package that the back end needs is not installed.
        """


GROUP = "sequencer.drivers"


def make_driver(rig: Rig, file: str) -> Driver:
    """Return the driver that the rig file names; it is not opened.

    Raises:
        InputRefused: if no back end of that name is installed, or it refuses the options.
        DriverUnavailable: if a package that it needs is missing.
    """
    found = {point.name: point for point in entry_points(group=GROUP)}
    point = found.get(rig.driver.name)
    if point is None:
        known = ", ".join(sorted(found)) or "none"
        raise InputRefused(
            Problem(
                file, "driver.name", f'"{rig.driver.name}"', "no such back end", f"known: {known}"
            )
        )
    try:
        factory: Factory = point.load()
    except ImportError as error:
        raise DriverUnavailable(f"back end {rig.driver.name} needs a package: {error}") from error
    return factory(rig.driver.options, rig, file)
