"""From the cycle's words to coils: which channel is energised for which outputs, and back.

Every valve's de-energised position is declared in the rig file, so "open" and "energised" are
never mixed up anywhere else. Values come in the order in which they must be written: gas is shut
before a path is opened, and the clamp comes last.
"""

from collections.abc import Callable, Mapping
from dataclasses import fields
from operator import attrgetter

from sequencer.config import Rig
from sequencer.model import ChannelValue, Clamp, Image, Outputs

SAFE = Outputs()
_SAID = attrgetter(*(item.name for item in fields(Outputs) if item.name != "expires_ns"))


def image(outputs: Outputs, rig: Rig) -> Image:
    """Return the channel values of an image of outputs, with the rig's safe values beside them."""
    return Image(channel_values(outputs, rig), channel_values(SAFE, rig), outputs.expires_ns)


def wired(rig: Rig) -> Callable[[Outputs], Image]:
    """Return `image` of one rig, made to be called in every scan.

    Most scans want what the scan before wanted: then the same values are given again, the very
    same mapping, with a new expiry.
    """
    safe = channel_values(SAFE, rig)
    said: tuple[object, ...] = ()
    values: Mapping[str, ChannelValue] = {}

    def image_of(outputs: Outputs) -> Image:
        nonlocal said, values
        if (says := _SAID(outputs)) != said:
            said, values = says, channel_values(outputs, rig)
        return Image(values, safe, outputs.expires_ns)

    return image_of


def channel_values(outputs: Outputs, rig: Rig) -> dict[str, ChannelValue]:
    """Return what to write to each channel, in order; a clamp that is left alone is absent."""
    values: dict[str, ChannelValue] = {}
    _switch(values, rig, "heater", outputs.heater_on)
    _valve(values, rig, "film_supply", outputs.supply_open)
    _valve(values, rig, "film_isolation", outputs.isolation_open)
    _valve(values, rig, "film_vent", outputs.vent_open)
    _switch(values, rig, "coolant", outputs.coolant_on)
    _set_point(values, rig, "heater_setpoint", outputs.heater_setpoint_degC)
    _set_point(values, rig, "film_setpoint", outputs.film_setpoint_Pa)
    _switch(values, rig, "watchdog", outputs.watchdog_on)
    if outputs.clamp is not Clamp.LEAVE:
        _clamp(values, rig, apply=outputs.clamp is Clamp.APPLY)
    return values


def _valve(values: dict[str, ChannelValue], rig: Rig, role: str, is_open: bool) -> None:
    output = rig.outputs.get(role)
    if output is not None:
        values[output.channel] = is_open is not (output.de_energised == "open")


def _switch(values: dict[str, ChannelValue], rig: Rig, role: str, on: bool) -> None:
    output = rig.outputs.get(role)
    if output is not None:
        values[output.channel] = on


def _set_point(values: dict[str, ChannelValue], rig: Rig, role: str, value: float) -> None:
    output = rig.outputs.get(role)
    if output is not None:
        values[output.channel] = value


def _clamp(values: dict[str, ChannelValue], rig: Rig, *, apply: bool) -> None:
    single = rig.outputs.get("clamp")
    if single is not None:
        values[single.channel] = apply is not (single.de_energised == "apply")
        return
    # The coil that lets go is switched off before the other one pulls.
    first, second = ("clamp_release", "clamp_apply") if apply else ("clamp_apply", "clamp_release")
    values[rig.outputs[first].channel] = False
    values[rig.outputs[second].channel] = True
