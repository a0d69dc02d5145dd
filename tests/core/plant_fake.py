"""A tiny logical plant: it answers outputs with readings. No physics, only "what follows what".

Every quantity moves towards where its valves point it, at a fixed rate, so that a whole cycle
takes half a minute of its time. Valves, contacts and sensors can be made to fail.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from sequencer.config import CurrentLoop, Rig
from sequencer.model import Clamp, Outputs, RawInput
from sequencer.units import PSI_Pa

Sensor = Callable[[RawInput], RawInput]

GAS_Pa_per_s = 400.0 * PSI_Pa
AIR_Pa_per_s = 120.0 * PSI_Pa
HEAT_K_per_s = 40.0
COOL_K_per_s = 20.0


def _towards(value: float, target: float, most: float) -> float:
    return min(target, value + most) if target > value else max(target, value - most)


@dataclass
class Plant:
    """What is true of the rig, gauge pressures in Pa."""

    rig: Rig
    film_Pa: float = 0.0
    gap_Pa: float = 0.0
    clamp_Pa: float = 0.0
    air_Pa: float = 90.0 * PSI_Pa
    regulator_Pa: float = 0.0
    bottle_Pa: float = 1900.0 * PSI_Pa
    line_gas: float = 1.0  # share left in the line once the bottle is shut
    bottle_shut: bool = False
    air_shut: bool = False
    head_degC: float = 25.0
    guard_closed: bool = True
    chain_ok: bool = True
    logic_ok: bool = True
    clamp_told: Clamp = Clamp.RELEASE
    supply_stuck_open: bool = False
    isolation_stuck_open: bool = False
    supply_stuck_shut: bool = False
    vent_stuck_shut: bool = False
    clamp_stuck: bool = False
    heater_dead: bool = False
    sensors: dict[str, Sensor] = field(default_factory=dict)

    @property
    def supply_Pa(self) -> float:
        return self.regulator_Pa * self.line_gas

    @property
    def clamp_closed(self) -> bool:
        return self.clamp_Pa > 5.0 * PSI_Pa

    def run(self, outputs: Outputs, time_s: float) -> None:
        """Let the outputs work for a time."""
        self._gas(outputs, time_s)
        self._clamp(outputs, time_s)
        target_degC = 25.0
        if outputs.heater_on and not self.heater_dead:
            # A rig without a set-point output has its own controller, set by the person.
            target_degC = outputs.heater_setpoint_degC
            self.head_degC = _towards(self.head_degC, target_degC, HEAT_K_per_s * time_s)
        elif outputs.coolant_on:
            self.head_degC = _towards(self.head_degC, target_degC, COOL_K_per_s * time_s)
        else:
            self.head_degC = _towards(self.head_degC, target_degC, 0.2 * COOL_K_per_s * time_s)

    def _gas(self, outputs: Outputs, time_s: float) -> None:
        rig, most_Pa = self.rig, GAS_Pa_per_s * time_s
        supply = (outputs.supply_open or self.supply_stuck_open) and not self.supply_stuck_shut
        isolation = not rig.isolated or outputs.isolation_open or self.isolation_stuck_open
        vent = not supply if rig.three_way else outputs.vent_open
        vent = vent and not self.vent_stuck_shut
        if isolation:
            self.gap_Pa = self.supply_Pa
        if supply and vent:
            self.gap_Pa = 0.0 if not isolation else self.gap_Pa
        if vent:
            self.film_Pa = _towards(self.film_Pa, 0.0, most_Pa)
        elif supply:
            if self.bottle_shut and isolation:
                self._share_line(most_Pa)
            else:
                self.film_Pa = _towards(self.film_Pa, self.gap_Pa, most_Pa)
            if not isolation:
                self.gap_Pa = min(self.gap_Pa, self.film_Pa)

    def _share_line(self, most_Pa: float) -> None:
        """Film and line share what gas the line still has."""
        size = self.rig.geometry
        film_m3, line_m3 = size.film_volume_m3, size.line_volume_m3
        before_Pa, supply_Pa = self.film_Pa, self.supply_Pa
        both_Pa = (film_m3 * before_Pa + line_m3 * supply_Pa) / (film_m3 + line_m3)
        self.film_Pa = _towards(before_Pa, both_Pa, most_Pa)
        left_Pa = supply_Pa - (self.film_Pa - before_Pa) * film_m3 / line_m3
        if self.regulator_Pa > 0.0:
            self.line_gas = left_Pa / self.regulator_Pa

    def _clamp(self, outputs: Outputs, time_s: float) -> None:
        if outputs.clamp is not Clamp.LEAVE:
            self.clamp_told = outputs.clamp
        if self.clamp_stuck:
            return
        closing = self.clamp_told is Clamp.APPLY
        if self.air_shut and closing:
            self.air_Pa *= 0.7 if self.air_Pa > 200.0 else 0.0
        target_Pa = self.air_Pa if closing else 0.0
        self.clamp_Pa = _towards(self.clamp_Pa, target_Pa, AIR_Pa_per_s * time_s)

    def truth(self, role: str) -> float:
        """The true value of an input's role."""
        return float(getattr(self, TRUE[role]))

    def raw(self, now_ns: int) -> tuple[RawInput, ...]:
        """Every channel as a driver would read it, through whatever is wrong with its sensor."""
        found = []
        for role, name, gain, zero in self._channels:
            item = RawInput(zero + gain * getattr(self, name), True, now_ns)
            fault = self.sensors.get(role)
            found.append(item if fault is None else fault(item))
        return tuple(found)

    def __post_init__(self) -> None:
        self._channels = []
        for role in self.rig.inputs:
            zero = as_raw(self.rig, role, 0.0)
            self._channels.append((role, TRUE[role], as_raw(self.rig, role, 1.0) - zero, zero))


TRUE = {
    "film_pressure": "film_Pa",
    "film_pressure_2": "film_Pa",
    "supply_pressure": "supply_Pa",
    "clamp_pressure": "clamp_Pa",
    "bottle_pressure": "bottle_Pa",
    "air_pressure": "air_Pa",
    "head_temperature": "head_degC",
    "head_temperature_2": "head_degC",
    "clamp_closed": "clamp_closed",
    "emergency_stop": "chain_ok",
    "guard_closed": "guard_closed",
    "logic_power_ok": "logic_ok",
}


def as_raw(rig: Rig, role: str, value: float) -> float:
    """The raw value that the rig file's scaling turns into this value."""
    scaling = rig.inputs[role].scaling
    if isinstance(scaling, CurrentLoop):
        return 4.0 + 16.0 * (value - scaling.low_Pa) / (scaling.high_Pa - scaling.low_Pa)
    return (value - scaling.offset) / scaling.gain


# ---- what can be wrong with a sensor ------------------------------------------------------------


def dead(raw: RawInput) -> RawInput:
    return RawInput(raw.value, False, raw.taken_ns)


def wire_open(raw: RawInput) -> RawInput:
    return RawInput(0.0, True, raw.taken_ns)


def not_a_number(raw: RawInput) -> RawInput:
    return RawInput(float("nan"), True, raw.taken_ns)


def between_bands(raw: RawInput) -> RawInput:
    return RawInput(3.7, True, raw.taken_ns)


def stale(raw: RawInput) -> RawInput:
    return RawInput(raw.value, True, raw.taken_ns - 60_000_000_000)


def shows(rig: Rig, role: str, value: float) -> Sensor:
    fixed = as_raw(rig, role, value)
    return lambda raw: RawInput(fixed, True, raw.taken_ns)
