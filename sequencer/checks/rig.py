"""The check of a rig: can what the rig file declares give the one safe order at all?

Pure functions of a rig; every finding names the key and the limit. A rig that fails here is
refused before any output is touched.
"""

from collections.abc import Iterable, Iterator, Mapping

from sequencer.config import CLAMP_ROLES, INPUT_ROLES, OUTPUT_ROLES, CurrentLoop, Output, Rig
from sequencer.errors import Problem
from sequencer.files import offer
from sequencer.physics.clamp import clamp_margin, separating_force_N
from sequencer.physics.film import gap_margin
from sequencer.units import show_pressure

RESIDUAL_FORCE_N = 50.0
"""Largest force that gas at the bled limit may still push with: five kilograms' weight.

A default of this project, to be set per rig by whoever assesses it.
"""
LONGEST_EXPIRY_s = 1.0
"""A watchdog relay commonly drops after 1 s; the outputs must expire no later."""

_SENSORS = {
    "supply_at_set": ("supply_pressure",),
    "clamp_full": ("clamp_pressure",),
    "film_at_pressure": ("film_pressure",),
    "film_bled": ("film_pressure",),
    "clamp_open": ("clamp_pressure",),
    "head_at_temperature": ("head_temperature",),
    "bottle_enough": ("bottle_pressure",),
}
_GAUGE = {
    "supply_at_set": "regulator",
    "clamp_full": "clamp",
    "film_at_pressure": "film",
    "film_bled": "film",
    "head_at_temperature": "head",
    "bottle_enough": "bottle",
}
_MAY_BE_TIMED = ("clamp_open", "clamp_full")

Finding = tuple[str, str, str, str]
"""Key, value, limit, advice."""


def check_rig(rig: Rig, file: str, back_ends: Iterable[str] = ()) -> list[Problem]:
    """Return everything that keeps a rig from being used, all at once.

    ``back_ends`` names the installed ones; without any the driver's name is not looked at.
    """
    findings = [
        *_driver(rig, tuple(back_ends)),
        *_roles(rig),
        *_channels("outputs", {role: item.channel for role, item in rig.outputs.items()}),
        *_channels("inputs", {role: item.channel for role, item in rig.inputs.items()}),
        *_film_valves(rig),
        *_clamp(rig),
        *_heat(rig),
        *_evidence(rig),
        *_caps(rig),
        *_limits(rig),
        *_ranges(rig),
        *_timing(rig),
    ]
    return [Problem(file, *finding) for finding in findings]


def _driver(rig: Rig, back_ends: tuple[str, ...]) -> Iterator[Finding]:
    if back_ends and rig.driver.name not in back_ends:
        advice = offer(rig.driver.name, sorted(back_ends))
        yield "driver.name", f'"{rig.driver.name}"', "no such back end is installed", advice


def _roles(rig: Rig) -> Iterator[Finding]:
    for role in rig.outputs:
        if role not in OUTPUT_ROLES:
            yield f"outputs.{role}", "", "unknown role of an output", offer(role, OUTPUT_ROLES)
    for role in rig.inputs:
        if role not in INPUT_ROLES:
            yield f"inputs.{role}", "", "unknown role of an input", offer(role, INPUT_ROLES)


def _channels(table: str, channels: Mapping[str, str]) -> Iterator[Finding]:
    first: dict[str, str] = {}
    for role, channel in channels.items():
        if channel in first:
            limit = f"the channel already serves {table}.{first[channel]}"
            yield f"{table}.{role}.channel", f'"{channel}"', limit, "give each role its own"
        first.setdefault(channel, role)


def _rests(role: str, output: Output, wanted: str, why: str) -> Iterator[Finding]:
    if output.de_energised != wanted:
        yield (
            f"outputs.{role}.de_energised",
            f'"{output.de_energised}"',
            f'must be "{wanted}": {why}',
            "fit such a valve; where it is fitted, declare it",
        )


def _film_valves(rig: Rig) -> Iterator[Finding]:
    supply, vent = rig.outputs.get("film_supply"), rig.outputs.get("film_vent")
    isolation = rig.outputs.get("film_isolation")
    if supply is None:
        limit = "is missing: nothing feeds the film"
        yield "outputs.film_supply", "", limit, "name the channel of the film supply valve"
    else:
        why = "nitrogen must stop when power is lost"
        yield from _rests("film_supply", supply, "shut", why)
    if isolation is not None:
        why = "nitrogen must stop when power is lost"
        yield from _rests("film_isolation", isolation, "shut", why)
    if vent is not None:
        yield from _rests("film_vent", vent, "open", "the film must empty when power is lost")
    if vent is None and not rig.three_way:
        limit = "is missing: nothing empties the film when power is lost"
        advice = "add a vent valve that opens without power, or a three-way film_supply"
        yield "outputs.film_vent", "", limit, advice
    if vent is not None and rig.three_way:
        limit = "must be absent: the three-way film_supply is the vent"
        yield "outputs.film_vent", "", limit, "take out one of the two"
    for role, output in rig.outputs.items():
        if output.three_way and role != "film_supply":
            limit = "only film_supply may be three-way"
            yield f"outputs.{role}.three_way", "true", limit, "take the key out"
    if rig.three_way and rig.hold == "sealed":
        limit = "a three-way film valve cannot seal the film: shut means vented"
        yield "hold", '"sealed"', limit, 'write "fed", or fit separate supply and vent valves'


def _clamp(rig: Rig) -> Iterator[Finding]:
    fitted = [role for role in CLAMP_ROLES if role in rig.outputs]
    if not fitted:
        limit = "is missing: nothing closes the stack"
        yield "outputs.clamp", "", limit, "name the clamp valve, or clamp_apply and clamp_release"
    elif fitted not in (["clamp"], ["clamp_apply", "clamp_release"]):
        limit = f"has {' and '.join(fitted)}; needs clamp alone, or clamp_apply and clamp_release"
        yield "outputs", "", limit, "one coil with a spring, or two coils"
    single = rig.outputs.get("clamp")
    if single is not None and single.de_energised != "apply":
        held = single.de_energised == "hold"
        yield (
            "outputs.clamp.de_energised",
            f'"{single.de_energised}"',
            "one coil with a spring cannot hold where it stands"
            if held
            else 'must be "apply": else the clamp lets go without power while the film holds gas',
            "fit a two-coil valve (clamp_apply, clamp_release) or one that applies without power",
        )
    for role in ("clamp_apply", "clamp_release"):
        if role in rig.outputs:
            why = "a two-coil clamp valve stays where it is without power"
            yield from _rests(role, rig.outputs[role], "hold", why)


def _heat(rig: Rig) -> Iterator[Finding]:
    heater = rig.outputs.get("heater")
    if heater is None:
        limit = "is missing: a trip could not take the heat away"
        yield "outputs.heater", "", limit, "put a contactor in the heater's supply and name it"
    else:
        yield from _rests("heater", heater, "off", "heat must go when power is lost")
    if "heater_setpoint" not in rig.outputs and "head" not in rig.gauges:
        limit = "must list head: without heater_setpoint a person sets the controller and reads it"
        yield "gauges", "", limit, 'add "head" or an output heater_setpoint'
    if "film_setpoint" not in rig.outputs and "regulator" not in rig.gauges:
        limit = "must list regulator: without film_setpoint a person turns it and reads it"
        yield "gauges", "", limit, 'add "regulator" or an output film_setpoint'


def _evidence(rig: Rig) -> Iterator[Finding]:
    for name, proof in rig.evidence.proofs().items():
        key, value = f"evidence.{name}.by", f'"{proof.by}"'
        if proof.by == "measured":
            for role in _SENSORS[name]:
                if role not in rig.inputs:
                    advice = f"add inputs.{role}, or let an operator read a gauge"
                    yield key, value, f"needs the input {role}", advice
        elif proof.by == "timed" and name not in _MAY_BE_TIMED:
            limit = f"may not be timed; only {' and '.join(_MAY_BE_TIMED)} may"
            yield key, value, limit, "measure it, or let an operator read a gauge"
        elif proof.by == "by_ear" and name != "film_bled":
            limit = "may not be had by ear; only film_bled may"
            yield key, value, limit, "measure it, or let an operator read a gauge"
        elif proof.by == "by_ear" and "film" in rig.gauges:
            limit = "may be by ear only on a rig without a film gauge"
            yield key, value, limit, 'write "operator": the gauge can be read'
        elif proof.by == "operator" and not _readable(rig, name):
            gauge = _GAUGE[name]
            yield key, value, f"needs the {gauge} gauge", f'add "{gauge}" to gauges if it is there'


def _readable(rig: Rig, name: str) -> bool:
    gauge = _GAUGE.get(name)
    if gauge is None or gauge in rig.gauges:
        return True
    # While the supply feeds the film, the regulator's gauge stands at the film's pressure.
    return name == "film_at_pressure" and rig.hold == "fed" and "regulator" in rig.gauges


def _caps(rig: Rig) -> Iterator[Finding]:
    caps = rig.caps
    lowest_Pa = min(caps.operator_Pa, caps.timed_Pa, caps.no_dead_man_Pa)
    if caps.by_ear_Pa > lowest_Pa:
        limit = f"by_ear must be the lowest cap, {show_pressure(lowest_Pa)} or less"
        yield "caps.by_ear", show_pressure(caps.by_ear_Pa), limit, "lower it"


def _limits(rig: Rig) -> Iterator[Finding]:
    limits, geometry = rig.limits, rig.geometry
    residual_N = separating_force_N(limits.bled_Pa, geometry.film_seal_diameter_m)
    if residual_N > RESIDUAL_FORCE_N:
        limit = (
            f"leaves {residual_N:.0f} N on the film's seal, "
            f"more than {RESIDUAL_FORCE_N:.0f} N (this project's default)"
        )
        advice = "lower it; a low-range sensor may be needed"
        yield "limits.bled", show_pressure(limits.bled_Pa), limit, advice
    yield from _relief(rig)
    if "supply_pressure" not in rig.inputs:
        margin = clamp_margin(
            limits.air_pressure_Pa,
            limits.relief_Pa,
            geometry.cylinder_bore_m,
            geometry.film_seal_diameter_m,
            geometry.cylinder_efficiency,
        )
        if margin < limits.clamp_permit * (1.0 - 1e-9):
            limit = (
                f"clamp margin {margin:.2f} at this pressure is below limits.clamp_permit "
                f"{limits.clamp_permit:g}, and no supply_pressure sensor tells that it stays lower"
            )
            advice = "set the relief valve lower, or add inputs.supply_pressure"
            yield "limits.relief", show_pressure(limits.relief_Pa), limit, advice


def _relief(rig: Rig) -> Iterator[Finding]:
    """The relief valve must open before the film is in danger, and where its sensors still see."""
    limits, geometry = rig.limits, rig.geometry
    relief, advice = show_pressure(limits.relief_Pa), "set the relief valve lower"
    margin = gap_margin(
        limits.relief_Pa,
        geometry.free_gap_m,
        geometry.film_thickness_m,
        limits.head_temperature_degC,
    )
    if margin < limits.film_margin:
        limit = (
            f"leaves the film a margin of {margin:.2f} at limits.head_temperature, below "
            f"limits.film_margin {limits.film_margin:g}"
        )
        yield "limits.relief", relief, limit, advice
    for role in rig.film_roles:
        scaling = rig.inputs[role].scaling
        if isinstance(scaling, CurrentLoop) and scaling.high_Pa < limits.relief_Pa:
            limit = f"lies above the range of inputs.{role}, {show_pressure(scaling.high_Pa)}"
            yield "limits.relief", relief, limit, f"{advice}, or fit a sensor of a wider range"


def _ranges(rig: Rig) -> Iterator[Finding]:
    limits = rig.limits
    needed_Pa = {
        "film_pressure": limits.film_pressure_Pa + limits.film_over_Pa,
        "film_pressure_2": limits.film_pressure_Pa + limits.film_over_Pa,
        "supply_pressure": limits.film_pressure_Pa + limits.supply_band_Pa,
        "clamp_pressure": limits.air_pressure_Pa,
        "air_pressure": limits.air_pressure_Pa,
        "bottle_pressure": limits.bottle_change_out_Pa,
    }
    for role, high_Pa in needed_Pa.items():
        item = rig.inputs.get(role)
        if item is None or not isinstance(item.scaling, CurrentLoop):
            continue
        if item.scaling.high_Pa < high_Pa:
            limit = f"must reach {show_pressure(high_Pa)}, which the limits let happen"
            key, value = f"inputs.{role}.scaling.high", show_pressure(item.scaling.high_Pa)
            yield key, value, limit, "fit a sensor of a higher range"
        if item.scaling.low_Pa >= item.scaling.high_Pa:
            limit = "must lie below high"
            value = show_pressure(item.scaling.low_Pa)
            yield f"inputs.{role}.scaling.low", value, limit, "correct the range"


def _timing(rig: Rig) -> Iterator[Finding]:
    timing, limits = rig.timing, rig.limits
    if timing.reaction_s > limits.reaction_s:
        limit = (
            f"poll + tick + write + read_back = {timing.reaction_s * 1e3:.0f} ms, "
            f"above limits.reaction {limits.reaction_s * 1e3:.0f} ms"
        )
        yield "timing", "", limit, "shorten them, or use a faster link"
    for role, item in rig.inputs.items():
        scan_s = timing.tick_s + timing.poll_s
        if item.fresh_for_s < scan_s:
            limit = f"is shorter than one scan (tick + poll = {scan_s * 1e3:.0f} ms)"
            value = f"{item.fresh_for_s * 1e3:.0f} ms"
            yield f"inputs.{role}.fresh_for", value, limit, "lengthen it"
    expiry = f"{timing.outputs_expire_s * 1e3:.0f} ms"
    if timing.outputs_expire_s < 2.0 * timing.reaction_s:
        limit = f"must be at least two reaction times, {2e3 * timing.reaction_s:.0f} ms"
        yield "timing.outputs_expire", expiry, limit, "lengthen it: one late scan is no fault"
    if rig.dead_man == "watchdog_relay":
        yield from _watchdog(rig)
    if timing.outputs_expire_s > LONGEST_EXPIRY_s:
        limit = f"must be at most {LONGEST_EXPIRY_s:g} s, when a watchdog relay commonly drops"
        yield "timing.outputs_expire", expiry, limit, "shorten it"


def _watchdog(rig: Rig) -> Iterator[Finding]:
    if "watchdog" not in rig.outputs:
        limit = "a watchdog relay needs an output that feeds it"
        yield "outputs.watchdog", "", limit, 'add it, or set dead_man to what the rig has, "none"'
    timing = rig.timing
    drops = f"{timing.watchdog_drops_after_s * 1e3:.0f} ms"
    if timing.watchdog_drops_after_s < timing.outputs_expire_s:
        limit = "lies below timing.outputs_expire; the outer of two dead-men must be the slower one"
        yield "timing.watchdog_drops_after", drops, limit, "set both to what the hardware has"
