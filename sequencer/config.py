"""The rig file: what a rig is, which channel plays which role, and what counts as evidence.

Keys in the file carry no unit because their values do (``bled = "2 psi"``); attributes here carry
the unit that the value is kept in (``limits.bled_Pa``).
"""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from sequencer.files import Strict
from sequencer.units import (
    Difference,
    Length,
    Pressure,
    PressureRate,
    PSI_Pa,
    Rate,
    Temperature,
    Time,
    Volume,
)

PRESSURE_ROLES = (
    "supply_pressure",
    "film_pressure",
    "film_pressure_2",
    "clamp_pressure",
    "bottle_pressure",
    "air_pressure",
)
TEMPERATURE_ROLES = ("head_temperature", "head_temperature_2")
CONTACT_ROLES = ("clamp_closed", "emergency_stop", "guard_closed", "logic_power_ok")
INPUT_ROLES = PRESSURE_ROLES + TEMPERATURE_ROLES + CONTACT_ROLES
VALVE_ROLES = ("film_supply", "film_vent", "film_isolation")
CLAMP_ROLES = ("clamp", "clamp_apply", "clamp_release")
SWITCH_ROLES = ("heater", "coolant", "logic_power", "watchdog")
SETPOINT_ROLES = ("heater_setpoint", "film_setpoint")
OUTPUT_ROLES = CLAMP_ROLES + VALVE_ROLES + SWITCH_ROLES + SETPOINT_ROLES
GAUGES = ("film", "clamp", "regulator", "bottle", "air", "head")

Fraction = Annotated[float, Field(gt=0, le=1)]
Factor = Annotated[float, Field(ge=1)]


class DriverChoice(Strict):
    """Which back end serves the rig, with options that the back end itself checks."""

    name: str
    options: dict[str, object] = Field(default_factory=dict)


class Output(Strict):
    """One output: its channel at the driver and where it goes when its coil has no power.

    ``de_energised`` is ``shut`` or ``open`` for valves, ``release``, ``apply`` or ``hold`` for the
    clamp, ``off`` for the rest. A three-way film valve is a ``film_supply`` with ``three_way``: it
    joins the film to the supply when energised and to the vent when not.
    """

    channel: str
    de_energised: Literal["shut", "open", "release", "apply", "hold", "off"] = "off"
    three_way: bool = False


class Linear(Strict):
    """Scaling of a channel that reads in SI already, or by a straight line through two points."""

    kind: Literal["linear"] = "linear"
    gain: float = 1.0
    offset: float = 0.0


class CurrentLoop(Strict):
    """Scaling of a 4-20 mA channel; outside the bands of NAMUR NE 43 the reading is bad."""

    kind: Literal["current_loop"]
    low_Pa: Pressure = Field(alias="low")
    high_Pa: Pressure = Field(alias="high")


class Input(Strict):
    """One input: its channel, how its raw value becomes a quantity, and when it may be trusted.

    ``valid`` bounds what can be true; ``fresh_for`` how old a value may be. For contacts true means
    closed (``emergency_stop``: the chain is healthy).
    """

    channel: str
    scaling: Annotated[Linear | CurrentLoop, Field(discriminator="kind")] = Linear()
    fresh_for_s: Time = Field(alias="fresh_for", default=0.3)
    frozen_after_s: Time | None = Field(alias="frozen_after", default=None)


class Geometry(Strict):
    """Sizes that enter force, stress and gas."""

    cylinder_bore_m: Length = Field(alias="cylinder_bore", gt=0)
    cylinder_efficiency: Fraction = 0.9
    film_seal_diameter_m: Length = Field(alias="film_seal_diameter", gt=0)
    window_diameter_m: Length = Field(alias="window_diameter", gt=0)
    film_thickness_m: Length = Field(alias="film_thickness", gt=0)
    free_gap_m: Length = Field(alias="free_gap", gt=0)
    film_volume_m3: Volume = Field(alias="film_volume", gt=0)
    line_volume_m3: Volume = Field(alias="line_volume", gt=0)
    bottle_volume_m3: Volume = Field(alias="bottle_volume", gt=0)


class Limits(Strict):
    """Limits of the rig; every interlock names the key that it reads."""

    film_pressure_Pa: Pressure = Field(alias="film_pressure", gt=0)
    relief_Pa: Pressure = Field(alias="relief", gt=0)
    head_temperature_degC: Temperature = Field(alias="head_temperature")
    film_margin: Factor = 2.0
    bled_Pa: Pressure = Field(alias="bled", gt=0)
    bled_for_s: Time = Field(alias="bled_for", default=2.0)
    bottle_change_out_Pa: Pressure = Field(alias="bottle_change_out", gt=0)
    bottle_headroom_Pa: Pressure = Field(alias="bottle_headroom", gt=0)
    air_pressure_Pa: Pressure = Field(alias="air_pressure", gt=0)
    clamp_permit: Factor = 1.5
    clamp_warn: Factor = 1.4
    clamp_trip: Factor = 1.25
    clamp_open_Pa: Pressure = Field(alias="clamp_open", gt=0)
    twin_pressure_Pa: Pressure = Field(alias="twin_pressure", gt=0)
    twin_temperature_K: Difference = Field(alias="twin_temperature", gt=0)
    film_over_Pa: Pressure = Field(alias="film_over", gt=0)
    supply_band_Pa: Pressure = Field(alias="supply_band", gt=0)
    film_band_Pa: Pressure = Field(alias="film_band", gt=0)
    leak_Pa_per_s: PressureRate = Field(alias="leak", gt=0)
    leak_test_every_s: Time = Field(alias="leak_test_every", default=120.0, gt=0)
    supply_creep_Pa: Pressure = Field(alias="supply_creep", default=10.0 * PSI_Pa, gt=0)
    bottle_fall_Pa: Pressure = Field(alias="bottle_fall", default=50.0 * PSI_Pa, gt=0)
    head_band_K: Difference = Field(alias="head_band", gt=0)
    head_over_K: Difference = Field(alias="head_over", gt=0)
    head_gain_K: Difference = Field(alias="head_gain", gt=0)
    head_gain_window_s: Time = Field(alias="head_gain_window", gt=0)
    head_runaway_K: Difference = Field(alias="head_runaway", default=2.0, gt=0)
    head_reversed_K: Difference = Field(alias="head_reversed", default=5.0, gt=0)
    out_of_band_s: Time = Field(alias="out_of_band", gt=0)
    pause_s: Time = Field(alias="pause", gt=0)
    purge_strokes: int = Field(ge=1, le=100)
    reaction_s: Time = Field(alias="reaction", gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> "Limits":
        if not self.clamp_permit >= self.clamp_warn >= self.clamp_trip:
            raise ValueError(
                "clamp_permit, clamp_warn and clamp_trip must not rise in this order; "
                "common values are 1.5, 1.4, 1.25"
            )
        if self.relief_Pa <= self.film_pressure_Pa:
            raise ValueError("relief must lie above film_pressure; set the relief valve's opening")
        return self


class Commissioned(Strict):
    """Times and rates measured on the rig; a step may take three times as long, no longer."""

    clamp_fill_s: Time = Field(alias="clamp_fill", gt=0)
    clamp_release_s: Time = Field(alias="clamp_release", gt=0)
    film_rise_s: Time = Field(alias="film_rise", gt=0)
    film_vent_s: Time = Field(alias="film_vent", gt=0)
    gap_drain_s: Time = Field(alias="gap_drain", default=1.0, gt=0)
    heating_K_per_min: Rate = Field(alias="heating", gt=0)
    cooling_K_per_min: Rate = Field(alias="cooling", gt=0)
    natural_cooling_K_per_min: Rate = Field(alias="natural_cooling", gt=0)


class Proof(Strict):
    """How one piece of evidence is had: by a sensor, by a person, by ear, or by time."""

    by: Literal["measured", "operator", "by_ear", "timed"]
    dwell_s: Time = Field(alias="dwell", default=0.5, ge=0)


class EvidenceMeans(Strict):
    """The means of each piece of evidence that the cycle waits for."""

    supply_at_set: Proof
    clamp_full: Proof
    film_at_pressure: Proof
    film_bled: Proof
    clamp_open: Proof
    head_at_temperature: Proof
    bottle_enough: Proof

    def proofs(self) -> dict[str, Proof]:
        """Return how each piece of evidence is had, by its name."""
        return {name: getattr(self, name) for name in type(self).model_fields}


class Caps(Strict):
    """Highest film pressure where evidence is weaker than measured, or no dead-man is fitted."""

    operator_Pa: Pressure = Field(alias="operator", gt=0)
    by_ear_Pa: Pressure = Field(alias="by_ear", gt=0)
    timed_Pa: Pressure = Field(alias="timed", gt=0)
    no_dead_man_Pa: Pressure = Field(alias="no_dead_man", gt=0)


class Prompts(Strict):
    """Time limits of the questions."""

    answer_within_s: Time = Field(alias="answer_within", gt=0)
    hands_clear_valid_s: Time = Field(alias="hands_clear_valid", default=10.0, gt=0)
    announce_s: Time = Field(alias="announce", default=3.0, ge=0)
    second_reading_after_s: Time = Field(alias="second_reading_after", default=10.0, gt=0)
    still_at_pressure_every_s: Time = Field(alias="still_at_pressure_every", default=60.0, gt=0)


class Timing(Strict):
    """The scan and the delays around it."""

    tick_s: Time = Field(alias="tick", default=0.02, gt=0)
    poll_s: Time = Field(alias="poll", default=0.0, ge=0)
    write_s: Time = Field(alias="write", default=0.0, ge=0)
    read_back_s: Time = Field(alias="read_back", default=0.0, ge=0)
    outputs_expire_s: Time = Field(alias="outputs_expire", default=0.5, gt=0)
    watchdog_drops_after_s: Time = Field(alias="watchdog_drops_after", default=1.0, gt=0)

    @property
    def reaction_s(self) -> float:
        """Longest time from a cause at a sensor to outputs handed over and read back."""
        return self.poll_s + self.tick_s + self.write_s + self.read_back_s


class Rig(Strict):
    """A whole rig."""

    format: Literal[1] = 1
    name: str
    description: str = ""
    driver: DriverChoice
    outputs: dict[str, Output]
    inputs: dict[str, Input]
    geometry: Geometry
    limits: Limits
    commissioned: Commissioned
    evidence: EvidenceMeans
    caps: Caps
    prompts: Prompts
    timing: Timing = Timing()
    hold: Literal["fed", "sealed"] = "fed"
    gauges: tuple[Literal["film", "clamp", "regulator", "bottle", "air", "head"], ...] = ()
    dead_man: Literal["io_timeout", "watchdog_relay", "none"] = "none"

    def has(self, role: str) -> bool:
        """Tell whether an input or output plays this role on this rig."""
        return role in self.inputs or role in self.outputs

    @property
    def film_roles(self) -> tuple[str, ...]:
        """The film pressure sensors that the rig has, none to two."""
        return tuple(r for r in ("film_pressure", "film_pressure_2") if r in self.inputs)

    @property
    def head_roles(self) -> tuple[str, ...]:
        """The head temperature sensors that the rig has, none to two."""
        return tuple(r for r in TEMPERATURE_ROLES if r in self.inputs)

    @property
    def three_way(self) -> bool:
        """Whether one three-way valve both feeds and vents the film."""
        supply = self.outputs.get("film_supply")
        return supply is not None and supply.three_way

    @property
    def isolated(self) -> bool:
        """Whether a second shut-off stands before the film supply valve."""
        return "film_isolation" in self.outputs

    @property
    def clamp_rests(self) -> str:
        """What the clamp does when its valve has no power: ``apply``, ``release`` or ``hold``."""
        if "clamp" in self.outputs:
            return self.outputs["clamp"].de_energised
        return "hold"
