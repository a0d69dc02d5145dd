"""`imprint simulate`: the simulated rig served as hardware, to rehearse before the rig exists."""

import argparse
from importlib.metadata import entry_points
from pathlib import Path
from typing import Protocol

from sequencer.check import load_rig
from sequencer.codes import COMPLETE
from sequencer.config import Rig
from sequencer.driver import Driver, make_driver
from sequencer.errors import DriverUnavailable
from sequencer.runtime.session import need_attendant, seeded

GROUP = "sequencer.servers"


class Server(Protocol):
    """What the entry point of a way of serving names."""

    def __call__(self, driver: Driver, rig: Rig, path: Path, seed: int) -> None:
        """Serve a simulated rig at a path until interrupted."""


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    rig, file = load_rig(given.rig)
    # A board has its time-out built in, whatever the rig does that it stands in for.
    rig = seeded(rig.model_copy(update={"dead_man": "io_timeout"}), given.seed)
    driver = make_driver(rig, file)
    need_attendant(driver, file, "simulate")
    _server("serial")(driver, rig, Path(given.serial), given.seed or 0)
    return COMPLETE


def _server(name: str) -> Server:
    for point in entry_points(group=GROUP, name=name):
        server: Server = point.load()
        return server
    raise DriverUnavailable(f"nothing installed here serves a rig by {name}")
