"""From raw channel values to readings with a quality.

Source of the current-loop bands: NAMUR NE 43 (valid 3.8-20.5 mA, failure at or below 3.6 and at or
above 21.0 mA); between the bands a reading is uncertain, which permits nothing.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from sequencer.config import CurrentLoop, Input, Linear, Rig
from sequencer.model import Quality, RawInput, Reading
from sequencer.units import ns

FAIL_LOW_mA, VALID_LOW_mA = 3.6, 3.8
VALID_HIGH_mA, FAIL_HIGH_mA = 20.5, 21.0
LIVE_ZERO_mA, SPAN_mA = 4.0, 16.0

Scaled = tuple[float, Quality, str]


@dataclass(frozen=True, slots=True)
class Channel:
    """One input made ready for the scan."""

    role: str
    scale: Callable[[float], Scaled]
    fresh_ns: int
    frozen_ns: int | None


def channels(rig: Rig) -> tuple[Channel, ...]:
    """Return the rig's inputs in their order, with their scaling bound."""
    return tuple(_channel(role, item) for role, item in rig.inputs.items())


def _channel(role: str, item: Input) -> Channel:
    frozen_ns = None if item.frozen_after_s is None else ns(item.frozen_after_s)
    scale = _loop(item.scaling) if isinstance(item.scaling, CurrentLoop) else _line(item.scaling)
    return Channel(role, scale, ns(item.fresh_for_s), frozen_ns)


def _line(scaling: Linear) -> Callable[[float], Scaled]:
    gain, offset = scaling.gain, scaling.offset
    return lambda raw: (gain * raw + offset, Quality.GOOD, "")


def _loop(scaling: CurrentLoop) -> Callable[[float], Scaled]:
    low_Pa, span_Pa = scaling.low_Pa, scaling.high_Pa - scaling.low_Pa

    def scale(raw_mA: float) -> Scaled:
        value_Pa = low_Pa + (raw_mA - LIVE_ZERO_mA) / SPAN_mA * span_Pa
        if VALID_LOW_mA <= raw_mA <= VALID_HIGH_mA:
            return value_Pa, Quality.GOOD, ""
        if raw_mA <= FAIL_LOW_mA:
            return value_Pa, Quality.BAD, f"{raw_mA:.2f} mA, wire open or failed low"
        if raw_mA >= FAIL_HIGH_mA:
            return value_Pa, Quality.BAD, f"{raw_mA:.2f} mA, shorted or failed high"
        return value_Pa, Quality.UNCERTAIN, f"{raw_mA:.2f} mA, outside the valid band"

    return scale


def reading(
    channel: Channel, raw: RawInput, now_ns: int, last: dict[str, tuple[float, int]]
) -> Reading:
    """Scale one raw value and judge it.

    ``last`` keeps, per role, the last raw value and since when it has not changed; it is updated
    only for channels that are watched for freezing.
    """
    if not raw.ok or not math.isfinite(raw.value):
        return Reading(0.0, Quality.BAD, raw.taken_ns, "no value from the device")
    value, quality, reason = channel.scale(raw.value)
    age_ns = now_ns - raw.taken_ns
    if age_ns > channel.fresh_ns:
        return Reading(value, Quality.BAD, raw.taken_ns, f"stale, {age_ns / 1e9:.1f} s old")
    if channel.frozen_ns is not None:
        kept = last.get(channel.role)
        if kept is None or kept[0] != raw.value:
            last[channel.role] = (raw.value, now_ns)
        elif now_ns - kept[1] > channel.frozen_ns:
            return Reading(value, Quality.BAD, raw.taken_ns, "frozen, has not moved at all")
    return Reading(value, quality, raw.taken_ns, reason)
