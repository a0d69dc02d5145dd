"""What a rig file may say of its simulated rig, under ``[driver.options]``; all of it optional.

A key that is left out takes the bench rig's figure from ``simulator.defaults``.
"""

import dataclasses
import difflib
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from sequencer.config import OUTPUT_ROLES
from sequencer.errors import InputRefused
from sequencer.files import Strict, validate
from sequencer.moment import moment
from sequencer.units import (
    Conductance,
    Difference,
    HeatCapacity,
    HeatLoss,
    Length,
    Power,
    Pressure,
    PSI_Pa,
    Rate,
    Temperature,
    Time,
    Viscosity,
    Volume,
    ns,
    parse,
)
from simulator.faults import KINDS, Fault, size_kind

Share = Annotated[float, Field(ge=0, lt=1)]
PREFIX = "driver.options"


class Bottle(Strict):
    """The nitrogen bottle; its size is the rig's geometry."""

    pressure_Pa: Pressure = Field(alias="pressure", default=1900 * PSI_Pa, ge=0)


class Head(Strict):
    """The heated head; ``loss`` without, ``cooled_loss`` with coolant."""

    heat_capacity_J_per_K: HeatCapacity | None = Field(alias="heat_capacity", default=None, gt=0)
    loss_W_per_K: HeatLoss | None = Field(alias="loss", default=None, gt=0)
    cooled_loss_W_per_K: HeatLoss | None = Field(alias="cooled_loss", default=None, gt=0)
    power_W: Power | None = Field(alias="power", default=None, gt=0)
    ramp_K_per_min: Rate | None = Field(alias="ramp", default=None, gt=0)


class Gas(Strict):
    """Valves, gap and regulator of the nitrogen line.

    ``valve_travel_least`` and ``valve_travel_most`` bound the delay of a valve; each valve of the
    rig gets its own between them. ``supply_effect`` is the rise of the regulator's outlet per fall
    of its inlet.
    """

    isolation: Conductance | None = Field(default=None, gt=0)
    supply: Conductance | None = Field(default=None, gt=0)
    vent: Conductance | None = Field(default=None, gt=0)
    regulator: Conductance | None = Field(default=None, gt=0)
    leak: Conductance | None = Field(default=None, ge=0)
    gap_volume_m3: Volume | None = Field(alias="gap_volume", default=None, gt=0)
    regulator_lag_s: Time | None = Field(alias="regulator_lag", default=None, gt=0)
    supply_effect: Share | None = None
    valve_travel_least_s: Time = Field(alias="valve_travel_least", default=0.02, ge=0)
    valve_travel_most_s: Time = Field(alias="valve_travel_most", default=0.05, ge=0)

    @model_validator(mode="after")
    def _in_order(self) -> "Gas":
        if self.valve_travel_most_s < self.valve_travel_least_s:
            raise ValueError(
                "valve_travel_most must not lie below valve_travel_least; swap the two"
            )
        return self


class Air(Strict):
    """House air and the clamp cylinder that it drives."""

    pressure_Pa: Pressure = Field(alias="pressure", default=90 * PSI_Pa, ge=0)
    clamp: Conductance | None = Field(default=None, gt=0)
    stroke_m: Length | None = Field(alias="stroke", default=None, gt=0)
    line_volume_m3: Volume | None = Field(alias="line_volume", default=None, gt=0)


class Sensors(Strict):
    """Transmitters: noise is one standard deviation, offset the spread of what each is out by.

    ``bottle_noise`` stands apart because that transmitter's range is ten times the others'.
    ``pressure_step`` and ``temperature_step`` are the resolution of channels that deliver the
    quantity itself; a current loop has its converter's.
    """

    pressure_noise_Pa: Pressure = Field(alias="pressure_noise", default=0.1 * PSI_Pa, ge=0)
    bottle_noise_Pa: Pressure = Field(alias="bottle_noise", default=1.0 * PSI_Pa, ge=0)
    temperature_noise_K: Difference = Field(alias="temperature_noise", default=0.05, ge=0)
    pressure_offset_Pa: Pressure = Field(alias="pressure_offset", default=0.2 * PSI_Pa, ge=0)
    temperature_offset_K: Difference = Field(alias="temperature_offset", default=0.3, ge=0)
    pressure_lag_s: Time = Field(alias="pressure_lag", default=0.01, ge=0)
    temperature_lag_s: Time = Field(alias="temperature_lag", default=0.5, ge=0)
    pressure_step_Pa: Pressure = Field(alias="pressure_step", default=100.0, gt=0)
    temperature_step_K: Difference = Field(alias="temperature_step", default=0.1, gt=0)
    temperature_period_s: Time = Field(alias="temperature_period", default=0.25, ge=0)


class Gauges(Strict):
    """Scale divisions of the gauges, and how far one may be out, as a share of its reading."""

    film_Pa: Pressure = Field(alias="film", default=1 * PSI_Pa, gt=0)
    clamp_Pa: Pressure = Field(alias="clamp", default=1 * PSI_Pa, gt=0)
    regulator_Pa: Pressure = Field(alias="regulator", default=1 * PSI_Pa, gt=0)
    bottle_Pa: Pressure = Field(alias="bottle", default=20 * PSI_Pa, gt=0)
    air_Pa: Pressure = Field(alias="air", default=1 * PSI_Pa, gt=0)
    head_K: Difference = Field(alias="head", default=0.5, gt=0)
    error: Share = 0.01


class Person(Strict):
    """The simulated person: how long things take, and what they choose when asked to choose.

    ``delay`` is for reading and saying, ``handling`` for opening the guard and changing the stack;
    each time is drawn within ``spread`` of it, as a share. ``hears`` is the film pressure below
    which an open vent is not heard any more.
    """

    delay_s: Time = Field(alias="delay", default=5.0, gt=0)
    handling_s: Time = Field(alias="handling", default=20.0, gt=0)
    spread: Share = 0.4
    hears_Pa: Pressure = Field(alias="hears", default=0.5 * PSI_Pa, gt=0)
    cooling_late: Literal["wait", "vent now"] = "wait"
    hot_release: Literal["release hot", "keep clamped"] = "release hot"


class Start(Strict):
    """How the rig is found; ``energised`` lists the outputs (roles) that are found switched on."""

    film_pressure_Pa: Pressure = Field(alias="film_pressure", default=0.0, ge=0)
    gap_pressure_Pa: Pressure = Field(alias="gap_pressure", default=0.0, ge=0)
    supply_pressure_Pa: Pressure = Field(alias="supply_pressure", default=0.0, ge=0)
    clamp: Literal["open", "closed"] = "open"
    head_temperature_degC: Temperature | None = Field(alias="head_temperature", default=None)
    regulator_Pa: Pressure = Field(alias="regulator", default=0.0, ge=0)
    controller_degC: Temperature = Field(alias="controller", default=20.0)
    bottle_valve: Literal["open", "shut"] = "open"
    house_air: Literal["open", "shut"] = "open"
    guard: Literal["open", "closed"] = "closed"
    energised: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _known_roles(self) -> "Start":
        for role in self.energised:
            if role not in OUTPUT_ROLES:
                raise ValueError(f"{role} is no output role; {_offer(role, OUTPUT_ROLES)}")
        return self


class Stack(Strict):
    """Foil and stamp pattern that lie in the rig, for the predicted fill."""

    tg_degC: Temperature | None = Field(alias="tg", default=None)
    reference_degC: Temperature | None = Field(alias="reference", default=None)
    viscosity_Pa_s: Viscosity | None = Field(alias="viscosity", default=None, gt=0)
    c1: float | None = Field(default=None, gt=0)
    c2_K: Difference | None = Field(alias="c2", default=None, gt=0)
    feature: Literal["slot", "hole"] = "slot"
    width_m: Length | None = Field(alias="width", default=None, gt=0)
    height_m: Length | None = Field(alias="height", default=None, gt=0)
    contact_fraction: Annotated[float, Field(gt=0, le=1)] | None = None
    cavities: Literal["open", "sealed"] = "open"

    @model_validator(mode="after")
    def _both_or_none(self) -> "Stack":
        if (self.width_m is None) is not (self.height_m is None):
            raise ValueError("width and height go together; give both or neither")
        return self


class FaultOption(Strict):
    """One fault: its kind, when it strikes, how long, how hard, where.

    ``at`` is a time after the first scan (``"90 s"``), or a step with a time or a scan in it:
    ``"holding"``, ``"holding + 30 s"``, ``"clamping/fill + 0.2 s"``, ``"venting scan 3"``.
    """

    kind: str
    at: str = "0 s"
    for_s: Time | None = Field(alias="for", default=None, gt=0)
    role: str = ""
    size: str = ""

    @field_validator("at")
    @classmethod
    def _some_time(cls, at: str) -> str:
        moment(at)
        return at

    @model_validator(mode="after")
    def _makes_sense(self) -> "FaultOption":
        known = KINDS.get(self.kind)
        if known is None:
            raise ValueError(f'"{self.kind}" is no kind of fault; {_offer(self.kind, KINDS)}')
        if self.role and not known.roles:
            raise ValueError(f"{self.kind} has no role; leave it out")
        if self.role and self.role not in known.roles:
            raise ValueError(f'"{self.role}" is no role of it; {_offer(self.role, known.roles)}')
        if known.roles and not self.role and not self.kind.startswith("thermocouple"):
            raise ValueError(f'{self.kind} needs a role; write role = "{known.roles[0]}"')
        self.fault()
        return self

    def fault(self) -> Fault:
        """Return the fault with its size as a number."""
        known = KINDS[self.kind]
        role = self.role or (known.roles[0] if known.roles else "")
        kind = size_kind(self.kind, role)
        size = known.usual
        if self.size:
            if kind is None:
                raise ValueError(f"{self.kind} has no size; leave it out")
            try:
                size = parse(self.size, kind)
            except ValueError as error:
                raise ValueError(f'size "{self.size}": {error}') from None
        elif size != size:
            raise ValueError(f'{self.kind} needs a size; write size = "5 psi" or "5 K"')
        after, from_s = moment(self.at)
        until_ns = None if self.for_s is None else ns(from_s + self.for_s)
        return Fault(self.kind, role, size, ns(from_s), until_ns, after)


class Options(Strict):
    """All of ``[driver.options]``; the same seed gives the same readings to the last bit."""

    seed: int = 1
    compiled: bool = False
    ambient_degC: Temperature | None = Field(alias="ambient", default=None)
    bottle: Bottle = Bottle()
    head: Head = Head()
    gas: Gas = Gas()
    air: Air = Air()
    sensors: Sensors = Sensors()
    gauges: Gauges = Gauges()
    person: Person = Person()
    start: Start = Start()
    stack: Stack = Stack()
    faults: tuple[FaultOption, ...] = ()


def read_options(tables: Mapping[str, object], file: str) -> Options:
    """Return the checked options.

    Raises:
        InputRefused: with every problem, named by the rig file and ``driver.options....``.
    """
    try:
        return validate(tables, Options, file)
    except InputRefused as refused:
        named = [
            dataclasses.replace(problem, key=f"{PREFIX}.{problem.key}" if problem.key else PREFIX)
            for problem in refused.problems
        ]
        raise InputRefused(*named) from None


def _offer(word: str, known: Mapping[str, object] | tuple[str, ...]) -> str:
    near = difflib.get_close_matches(word, list(known), n=3, cutoff=0.5)
    return f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known)}"
