"""What a rig does not watch, why, and what would watch it: the honest half of its check."""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.config import CurrentLoop, Rig
from sequencer.units import show_pressure

ZERO_ERROR_SHARE = 0.015  # of the span, within which a sensor's zero may wander; from memory


class Unwatched(NamedTuple):
    """Something that can go wrong unseen, why nobody sees it, and what would."""

    what: str
    why: str
    watched_by: str


def unwatched(rig: Rig) -> tuple[Unwatched, ...]:
    """Return everything that this rig does not watch, the gravest first."""
    return tuple(
        Unwatched(*row)
        for rows in (_gas(rig), _film(rig), _clamp(rig), _people(rig), _heat(rig), _always())
        for row in rows
    )


Row = tuple[str, str, str]


def _gas(rig: Rig) -> Iterator[Row]:
    if not rig.isolated:
        yield (
            "a film supply valve that sticks open",
            "it is the only shut-off: no order of steps stops the gas",
            "a second shut-off in series (output film_isolation)",
        )
    if "supply_pressure" not in rig.inputs:
        yield (
            "a regulator that creeps or is turned during the run",
            "its gauge is read once, before the clamp closes",
            "a sensor after the regulator (input supply_pressure)",
        )
    if "bottle_pressure" not in rig.inputs:
        yield (
            "gas running out, or being used too fast, during the run",
            "the bottle gauge is read once, before the run",
            "a sensor on the bottle (input bottle_pressure)",
        )
    if rig.dead_man == "none":
        yield (
            "this program being killed or hanging",
            "nothing outside it drops the outputs",
            "an I/O module's time-out or a watchdog relay (dead_man)",
        )


def _film(rig: Rig) -> Iterator[Row]:
    sensors = len(rig.film_roles)
    if sensors == 0:
        yield (
            "the film's pressure between two readings: burst, leak, over-pressure",
            "no sensor on the film line; a person reads a gauge now and then"
            if "film" in rig.gauges
            else "neither sensor nor gauge on the film line",
            "two sensors on separate tappings (inputs film_pressure, film_pressure_2)",
        )
    elif sensors == 1:
        yield (
            "a film sensor that reads low or is frozen",
            "it has no second to disagree with",
            "a second sensor on its own tapping (input film_pressure_2)",
        )
    if "film" not in rig.gauges:
        yield (
            "whether the film is empty, wherever the sensors cannot tell",
            "a person can only listen for flow",
            "a mechanical gauge on the film line (gauges: film)",
        )
    if rig.hold == "fed" and not rig.isolated:
        by_trend = "bottle_pressure" in rig.inputs
        yield (
            "a small film leak while holding",
            "the regulator makes up for it"
            + ("; only the bottle's trend shows a large one" if by_trend else ""),
            "a second shut-off, so that the supply can be shut for a moment",
        )
    error_Pa = _zero_error_Pa(rig)
    if error_Pa > rig.limits.bled_Pa:
        yield (
            f"pressure of up to {show_pressure(error_Pa)} in a film that reads bled",
            f"a film sensor's zero may wander by {ZERO_ERROR_SHARE:.1%} of its span, more than "
            f"limits.bled {show_pressure(rig.limits.bled_Pa)}",
            "a low-range sensor or a pressure switch; the mechanical gauge by eye",
        )


def _zero_error_Pa(rig: Rig) -> float:
    """How far the best of the film sensors may be off at zero; 0 where no span is stated."""
    scalings = [rig.inputs[role].scaling for role in rig.film_roles]
    spans_Pa = [s.high_Pa - s.low_Pa for s in scalings if isinstance(s, CurrentLoop)]
    return ZERO_ERROR_SHARE * min(spans_Pa, default=0.0)


def _clamp(rig: Rig) -> Iterator[Row]:
    if "clamp_pressure" not in rig.inputs:
        yield (
            "clamp force fading under film pressure",
            "no sensor on the clamp cylinder",
            "a sensor on the cylinder (input clamp_pressure)",
        )
    if "air_pressure" not in rig.inputs:
        yield (
            "house air failing, before the clamp feels it",
            "no sensor on the house air",
            "a sensor before the clamp valve (input air_pressure)",
        )
    if "clamp_closed" not in rig.inputs:
        yield (
            "a stack that is missing, tilted or too thick",
            "pressure in the cylinder does not tell where the piston stands",
            "a switch at the closed position (input clamp_closed)",
        )
    yield (
        "a hand in the clamp at an emergency stop",
        "without power this clamp "
        + ("stays where it is" if rig.clamp_rests == "hold" else "applies"),
        "a guard that cannot be opened, or two-hand control",
    )


def _people(rig: Rig) -> Iterator[Row]:
    for role, what in (
        ("emergency_stop", "the emergency stop being pressed"),
        ("guard_closed", "the guard being opened"),
        ("logic_power_ok", "the valves' 24 V sagging or failing"),
    ):
        if role not in rig.inputs:
            yield what, "no contact tells", f"a contact (input {role})"


def _heat(rig: Rig) -> Iterator[Row]:
    if not rig.head_roles:
        yield (
            "the head's temperature between two readings",
            "a person reads the controller's display",
            "a sensor in the head (input head_temperature)",
        )
    elif len(rig.head_roles) == 1:
        yield (
            "a head sensor that has come loose or reads low",
            "it has no second to disagree with",
            "a second sensor in the head (input head_temperature_2)",
        )


def _always() -> Iterator[Row]:
    yield (
        "oxygen in the room",
        "no input of this program measures it",
        "an oxygen monitor with its own alarm",
    )
    yield "wrong gas in the bottle", "pressure does not tell gases apart", "the fitting, the label"
    yield (
        "a film worn by pressure and heat",
        "its age is not measured, strength above 200 degC is extrapolated",
        "a look after every run, a fixed number of runs per film",
    )
    yield (
        "everything here while this program or its computer fails",
        "it is not a safety system",
        "relief valve, over-temperature cut-out, guard and emergency stop in hardware",
    )
