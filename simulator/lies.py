"""What a broken transmitter makes of the truth before it measures, and of the sample after it."""

from collections import deque
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from sequencer.config import CurrentLoop, Input
from sequencer.model import RawInput
from sequencer.units import PSI_Pa
from simulator.faults import Fault
from simulator.sensors import Transmitter

OWN = ("sensor_frozen", "sensor_bad", "sensor_offset", "thermocouple_open")
"""Faults that a transmitter knows itself."""
LIES = (
    "sensor_noise", "sensor_drift", "sensor_slow", "sensor_delayed", "sensor_stale",
    "sensor_stuck_low", "sensor_stuck_high", "sensor_wrong_unit", "loop_open", "loop_shorted",
    "thermocouple_shorted", "thermocouple_reversed", "thermocouple_loose",
    "thermocouple_wrong_type",
)  # fmt: skip
FAR = 1.0e9
LOOP_OPEN_mA = 0.0
LOOP_SHORTED_mA = 22.5
LOOSE_SHARE = 0.6
WRONG_TYPE_SHARE = 0.8
WRONG_UNIT = 1e3 / PSI_Pa
"""Kilopascals taken for pounds per square inch."""
SWAPPED_WITH = {
    "film_pressure": "supply_pressure",
    "film_pressure_2": "bottle_pressure",
    "supply_pressure": "film_pressure",
    "clamp_pressure": "air_pressure",
    "air_pressure": "clamp_pressure",
    "bottle_pressure": "supply_pressure",
}


class Sampled(NamedTuple):
    """A sample and when it was taken."""

    at_ns: int
    raw: RawInput


class Liar:
    """A transmitter with faults that it does not know itself."""

    def __init__(
        self,
        sensor: Transmitter,
        given: Input,
        faults: Sequence[Fault],
        ambient_degC: float,
        rng: Random,
    ) -> None:
        self._sensor = sensor
        self._loop = isinstance(given.scaling, CurrentLoop)
        self._faults = [fault for fault in faults if fault.kind in LIES]
        self._ambient_degC = ambient_degC
        self._rng = rng
        self._followed: float | None = None
        self._before_ns = 0
        self._kept: deque[Sampled] = deque()
        self._stale: RawInput | None = None

    def sample(self, truth: float, now_ns: int) -> RawInput:
        """Return what is read now."""
        for fault in self._faults:
            truth = self._bent(truth, fault, now_ns)
        raw = self._sensor.sample(truth, now_ns)
        for fault in self._faults:
            raw = self._spoilt(raw, fault, now_ns)
        self._before_ns = now_ns
        return raw

    def _bent(self, truth: float, fault: Fault, now_ns: int) -> float:
        above_K = truth - self._ambient_degC
        match fault.kind:
            case "sensor_noise":
                return truth + self._rng.gauss(0.0, fault.size)
            case "sensor_drift":
                return truth + fault.size * (now_ns - fault.from_ns) * 1e-9
            case "sensor_slow":
                followed = truth if self._followed is None else self._followed
                share = min(1.0, (now_ns - self._before_ns) * 1e-9 / fault.size)
                self._followed = followed + share * (truth - followed)
                return self._followed
            case "sensor_stuck_low":
                return -FAR if self._loop else 0.0
            case "sensor_stuck_high":
                return FAR if self._loop else 500.0
            case "sensor_wrong_unit":
                return truth * WRONG_UNIT
            case "thermocouple_shorted":
                return self._ambient_degC
            case "thermocouple_reversed":
                return self._ambient_degC - above_K
            case "thermocouple_loose":
                return self._ambient_degC + LOOSE_SHARE * above_K
            case "thermocouple_wrong_type":
                return self._ambient_degC + WRONG_TYPE_SHARE * above_K
            case _:
                return truth

    def _spoilt(self, raw: RawInput, fault: Fault, now_ns: int) -> RawInput:
        match fault.kind:
            case "loop_open" | "loop_shorted":
                value = LOOP_OPEN_mA if fault.kind == "loop_open" else LOOP_SHORTED_mA
                return raw._replace(value=value, ok=self._loop and raw.ok)
            case "sensor_stale":
                self._stale = raw if self._stale is None else self._stale
                return self._stale
            case "sensor_delayed":
                self._kept.append(Sampled(now_ns, raw))
                due_ns = now_ns - round(fault.size * 1e9)
                while len(self._kept) > 1 and self._kept[1].at_ns <= due_ns:
                    self._kept.popleft()
                # Old values with fresh times: the dangerous kind, nothing shows their age.
                return self._kept[0].raw._replace(taken_ns=raw.taken_ns)
            case _:
                return raw
