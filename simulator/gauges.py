"""The mechanical gauges and the controller's display, as a person reads them."""

from collections.abc import Mapping
from random import Random
from typing import NamedTuple

from simulator.values import PlantState

READING_ERROR = 0.2
"""Spread of a reading, in scale divisions."""
PRESSURE_STOP_Pa = 0.0
"""Where the needle of a pressure gauge rests; it shows nothing below."""


class Gauge(NamedTuple):
    """One gauge: its scale division, and how far this very one is out, as a share of the reading.

    ``stop`` is where its needle rests.
    """

    division: float
    scale_error: float
    stop: float

    def shown(self, truth: float) -> float:
        """Return what the needle points at."""
        return max(self.stop, truth * (1.0 + self.scale_error))

    def read(self, truth: float, rng: Random) -> float:
        """Return what a person says it reads: to the nearest division, with a small error.

        A needle on its stop is not misread.
        """
        shown = self.shown(truth)
        if shown > self.stop:
            shown += rng.gauss(0.0, READING_ERROR * self.division)
        return max(self.stop, round(shown / self.division) * self.division)


class Eyes:
    """A person's eyes on the gauges that the rig has."""

    def __init__(self, gauges: Mapping[str, Gauge], rng: Random) -> None:
        self._gauges = gauges
        self._rng = rng

    def read(self, name: str, state: PlantState) -> float | None:
        """Return what the person reads off a gauge in Pa or degC, None where there is none."""
        gauge = self._gauges.get(name)
        return None if gauge is None else gauge.read(true_value(name, state), self._rng)

    def division(self, name: str) -> float:
        """Return the scale division of a gauge of the rig."""
        return self._gauges[name].division


def true_value(name: str, state: PlantState) -> float:
    """Return the quantity that a gauge of the rig measures, in Pa or degC."""
    match name:
        case "film":
            return state.film_Pa
        case "clamp":
            return state.cylinder_Pa
        case "regulator":
            return state.outlet_Pa
        case "bottle":
            return state.inlet_Pa
        case "air":
            return state.air_line_Pa
        case _:
            return state.head_degC
