"""From the truth to what a channel delivers: lag, offset, noise, scaling undone, quantised.

Each transmitter draws from its own generator, so that the noise of one channel does not depend on
which other channels a rig has, and the same seed gives the same bytes.
"""

import math
from random import Random
from typing import NamedTuple

from sequencer.config import CurrentLoop, Input
from sequencer.model import RawInput

LEAST_mA = 3.8
"""Where a healthy transmitter stops below its range (NAMUR NE 43)."""
MOST_mA = 20.5
LOOP_STEP_mA = 24.0 / 65536
"""16 bits over 0 to 24 mA, a common analogue input (common practice, no source)."""
BURNT_OUT_degC = 1372.0
"""What an open thermocouple of type K is driven to: the top of its table."""


class Character(NamedTuple):
    """What a kind of transmitter does to a quantity; ``quantum`` is the step of a linear channel.

    All in the unit of the quantity (Pa or K) and in seconds; ``period_s`` 0 means that every scan
    takes a fresh sample.
    """

    lag_s: float
    noise: float
    offset_spread: float
    quantum: float
    period_s: float


class Undo(NamedTuple):
    """The inverse of a scaling: raw = gain x quantity + offset, held to bounds, in steps."""

    gain: float
    offset: float
    least: float
    most: float
    step: float


def undo(scaling_of: Input, quantum: float) -> Undo:
    """Return the inverse of an input's scaling."""
    scaling = scaling_of.scaling
    if isinstance(scaling, CurrentLoop):
        gain = 16.0 / (scaling.high_Pa - scaling.low_Pa)
        return Undo(gain, 4.0 - gain * scaling.low_Pa, LEAST_mA, MOST_mA, LOOP_STEP_mA)
    gain = 1.0 / scaling.gain
    offset = 0.0 - scaling.offset * gain
    return Undo(gain, offset, -math.inf, math.inf, quantum * abs(gain))


class Transmitter:
    """One analogue channel; it remembers what it follows and the sample it took last."""

    __slots__ = (
        "_approach",
        "_followed",
        "_gauss",
        "_interval_ns",
        "_lag_s",
        "_latest",
        "_mean",
        "_next_ns",
        "_noise",
        "_offset",
        "_per_step",
        "_period_ns",
        "_undo",
        "bad",
        "burnt_out",
        "frozen",
    )

    def __init__(self, given: Input, character: Character, rng: Random) -> None:
        self._undo = undo(given, character.quantum)
        self._per_step = 1.0 / self._undo.step
        self._lag_s = character.lag_s
        self._noise = character.noise
        self._offset = self._mean = rng.gauss(0.0, character.offset_spread)
        self._period_ns = round(character.period_s * 1e9)
        self._gauss = rng.gauss
        self._followed = 0.0
        self._approach = 1.0
        self._interval_ns = -1
        self._next_ns = 0
        self._latest: RawInput | None = None
        self.bad = self.burnt_out = self.frozen = False

    def mislead(self, offset: float) -> None:
        """Add a fault's offset to the transmitter's own; 0 takes it away again."""
        self._mean = self._offset + offset

    def sample(self, truth: float, now_ns: int) -> RawInput:
        """Return the newest sample: a fresh one where one is due, else the last one again."""
        latest = self._latest
        if latest is None:
            self._followed = truth
            taken_ns = now_ns
        elif now_ns < self._next_ns:
            return latest
        else:
            taken_ns = now_ns
            if self._period_ns:
                taken_ns -= (now_ns - self._next_ns) % self._period_ns
            interval_ns = taken_ns - latest.taken_ns
            if interval_ns != self._interval_ns:
                self._interval_ns = interval_ns
                self._approach = (
                    1.0 - math.exp(-interval_ns * 1e-9 / self._lag_s) if self._lag_s > 0.0 else 1.0
                )
            self._followed += self._approach * (truth - self._followed)
        self._next_ns = taken_ns + self._period_ns
        gain, offset, least, most, step = self._undo
        raw = gain * (self._followed + self._gauss(self._mean, self._noise)) + offset
        if raw < least:
            raw = least
        elif raw > most:
            raw = most
        raw = round(raw * self._per_step) * step
        if self.burnt_out:
            raw = gain * BURNT_OUT_degC + offset
        if self.frozen and latest is not None:
            raw = latest.value
        self._latest = latest = RawInput(raw, not self.bad, taken_ns)
        return latest


class Contact:
    """One contact; true is 1.0, which the inverse of the scaling may turn over."""

    __slots__ = ("_closed", "_latest", "_open", "bad", "frozen")

    def __init__(self, given: Input) -> None:
        unscaled = undo(given, 0.0)
        self._open = unscaled.offset
        self._closed = unscaled.gain + unscaled.offset
        self._latest: float | None = None
        self.bad = self.frozen = False

    def sample(self, closed: bool, now_ns: int) -> RawInput:
        """Return the contact as it is now."""
        if not self.frozen or self._latest is None:
            self._latest = self._closed if closed else self._open
        return RawInput(self._latest, not self.bad, now_ns)
