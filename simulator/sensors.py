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
        "_faulty",
        "_fixed",
        "_followed",
        "_frozen",
        "_gauss",
        "_interval_ns",
        "_lag_s",
        "_latest",
        "_next_ns",
        "_noise",
        "_ok",
        "_own_offset",
        "_period_ns",
        "_stuck_at",
        "_taken_ns",
        "_undo",
    )

    def __init__(self, given: Input, character: Character, rng: Random) -> None:
        self._undo = undo(given, character.quantum)
        self._lag_s = character.lag_s
        self._own_offset = rng.gauss(0.0, character.offset_spread)
        self._period_ns = round(character.period_s * 1e9)
        self._gauss = rng.gauss
        self._followed = 0.0
        self._approach = 1.0
        self._interval_ns = -1
        self._taken_ns = self._next_ns = 0
        self._latest = RawInput(0.0, False, 0)
        self._noise = character.noise
        self.fail()

    def fail(
        self,
        *,
        offset: float = 0.0,
        frozen: bool = False,
        bad: bool = False,
        burnt_out: bool = False,
    ) -> None:
        """Take on exactly these faults; none without arguments.

        ``offset`` adds to the transmitter's own, in the unit of the quantity; frozen repeats the
        last value with fresh times; bad is not vouched for; burnt out stands at the top.
        """
        gain, raw_offset, least, most, step = self._undo
        mean_raw = gain * (self._own_offset + offset) + raw_offset
        # All that a sample needs in one tuple, in raw units: it is unpacked in every scan.
        self._fixed = (gain, mean_raw, abs(gain) * self._noise, least, most, 1.0 / step, step)
        self._ok = not bad
        self._frozen = frozen
        self._stuck_at = None
        if burnt_out:
            self._stuck_at = self._undo.gain * BURNT_OUT_degC + self._undo.offset
        self._faulty = bad or frozen or burnt_out

    def sample(self, truth: float, now_ns: int) -> RawInput:
        """Return the newest sample: a fresh one where one is due, else the last one again."""
        if now_ns < self._next_ns:
            return self._latest
        if self._period_ns:
            if self._interval_ns >= 0:
                now_ns -= (now_ns - self._next_ns) % self._period_ns
            self._next_ns = now_ns + self._period_ns
        interval_ns = now_ns - self._taken_ns
        if interval_ns != self._interval_ns:
            self._pace(interval_ns)
        self._taken_ns = now_ns
        self._followed = followed = self._followed + self._approach * (truth - self._followed)
        gain, mean_raw, noise_raw, least, most, per_step, step = self._fixed
        raw = gain * followed + self._gauss(mean_raw, noise_raw)
        if raw < least:
            raw = least
        elif raw > most:
            raw = most
        raw = (raw * per_step + 0.5) // 1.0 * step
        if self._faulty:
            raw = self._latest.value if self._frozen else raw
            raw = raw if self._stuck_at is None else self._stuck_at
        self._latest = latest = RawInput(raw, self._ok, now_ns)
        return latest

    def _pace(self, interval_ns: int) -> None:
        """Set how far the lag is passed from one sample to the next; the first one has none."""
        first = self._interval_ns < 0
        self._interval_ns = 0 if first else interval_ns
        passed_s = interval_ns * 1e-9
        instant = first or self._lag_s == 0.0
        self._approach = 1.0 if instant else 1.0 - math.exp(-passed_s / self._lag_s)


class Contact:
    """One contact; true is 1.0, which the inverse of the scaling may turn over."""

    __slots__ = ("_closed", "_frozen", "_latest", "_ok", "_open")

    def __init__(self, given: Input) -> None:
        unscaled = undo(given, 1.0)
        self._open = unscaled.offset
        self._closed = unscaled.gain + unscaled.offset
        self._latest: float | None = None
        self.fail()

    def fail(self, *, frozen: bool = False, bad: bool = False) -> None:
        """Take on exactly these faults; none without arguments."""
        self._frozen = frozen
        self._ok = not bad

    def state(self, closed: bool) -> tuple[float, bool]:
        """Return the raw value of the contact now, and whether the device vouches for it."""
        if not self._frozen or self._latest is None:
            self._latest = self._closed if closed else self._open
        return self._latest, self._ok
