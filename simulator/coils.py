"""From coils back to positions: what each part does for what its channel was last written.

The mirror of the sequencer's wiring, written from the rig file alone: a valve whose coil has no
power stands where the file says, whatever the sequencer believes.
"""

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.model import ChannelValue


class Positions(NamedTuple):
    """Where everything that has a coil or a set-point is sent; openings are 0 or 1.

    ``clamp_apply`` is 1 when the clamp valve feeds the cylinder. Set-points are None where no
    channel carries them: then a person's hand does.
    """

    isolation: float
    supply: float
    vent: float
    clamp_apply: float
    heater: float
    coolant: float
    heater_setpoint_degC: float | None
    film_setpoint_Pa: float | None


def positions(coils: Mapping[str, ChannelValue], rig: Rig, clamp_was: float) -> Positions:
    """Return where the coils send everything; a coil that is absent has no power.

    ``clamp_was`` is where the clamp valve stood before: a valve with two coils stays there while
    neither or both of them pull, and so does one that holds without power.
    """
    supply = _opening(coils, rig, "film_supply", missing=0.0)
    return Positions(
        isolation=_opening(coils, rig, "film_isolation", missing=1.0),
        supply=supply,
        vent=1.0 - supply if rig.three_way else _opening(coils, rig, "film_vent", missing=1.0),
        clamp_apply=_clamp(coils, rig, clamp_was),
        heater=_energised(coils, rig, "heater"),
        coolant=_energised(coils, rig, "coolant"),
        heater_setpoint_degC=_set_point(coils, rig, "heater_setpoint"),
        film_setpoint_Pa=_set_point(coils, rig, "film_setpoint"),
    )


def coils_for_clamp(rig: Rig, apply: bool) -> dict[str, ChannelValue]:
    """Return the coils that must be found energised for the clamp to stand so when found."""
    single = rig.outputs.get("clamp")
    if single is None:
        return {}
    return {single.channel: apply is not (single.de_energised == "apply")}


def _energised(coils: Mapping[str, ChannelValue], rig: Rig, role: str) -> float:
    output = rig.outputs.get(role)
    return 1.0 if output is not None and coils.get(output.channel, False) else 0.0


def _opening(coils: Mapping[str, ChannelValue], rig: Rig, role: str, missing: float) -> float:
    output = rig.outputs.get(role)
    if output is None:
        return missing
    energised = bool(coils.get(output.channel, False))
    return 1.0 if energised is not (output.de_energised == "open") else 0.0


def _clamp(coils: Mapping[str, ChannelValue], rig: Rig, clamp_was: float) -> float:
    single = rig.outputs.get("clamp")
    if single is not None:
        energised = bool(coils.get(single.channel, False))
        if single.de_energised == "hold" and not energised:
            return clamp_was
        return 1.0 if energised is not (single.de_energised == "apply") else 0.0
    apply = _energised(coils, rig, "clamp_apply")
    release = _energised(coils, rig, "clamp_release")
    return clamp_was if apply == release else apply


def _set_point(coils: Mapping[str, ChannelValue], rig: Rig, role: str) -> float | None:
    output = rig.outputs.get(role)
    if output is None:
        return None
    value = coils.get(output.channel)
    return None if value is None else float(value)
