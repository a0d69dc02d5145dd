"""The abstracted plant: every quantity in a few levels, every valve and sensor good or failed.

Rules of this file: values and pure functions only. Pressures and temperatures stand as levels and
move by a level or two a tick; what they are in Pa and degC stands in the tables below. Where a real
rig may be quicker or slower the plant is the worse of the two: a lost air supply empties the
cylinder (no check valve), gas between the shut-offs reaches the film, a head under clamp does not
cool.
"""

from typing import NamedTuple

from sequencer.config import Rig
from sequencer.explore.rigs import TICK_ns
from sequencer.model import Clamp, Outputs, RawInput
from sequencer.units import PSI_Pa
from sequencer.wiring import channel_values

BLED, RESIDUAL, PARTIAL, FULL, OVER = range(5)
FILM_Pa = tuple(psi * PSI_Pa for psi in (0.0, 4.0, 90.0, 180.0, 205.0))
CLAMP_Pa = tuple(psi * PSI_Pa for psi in (0.0, 4.0, 30.0, 90.0))
COLD, WARM, IN_BAND, HOT = range(4)
HEAD_degC = (25.0, 100.0, 150.0, 170.0)
LEVELS = ("bled", "residual", "partial", "full", "over")
HEATS = ("cold", "warm", "in band", "too hot")


class Fault(NamedTuple):
    """Something that is broken: how, what, and for a stuck sensor the level it keeps showing."""

    how: str
    what: str
    kept: int = 0

    @property
    def words(self) -> str:
        """The fault as a person says it."""
        return f"{self.what.replace('_', ' ')} {self.how}"


class Plant(NamedTuple):
    """What is true of the rig; ``told`` is where the clamp's valve stands."""

    film: int = BLED
    gap: int = BLED
    clamp: int = BLED
    told: bool = False
    head: int = COLD
    line: int = BLED
    air: bool = True
    guard: bool = True
    bottle_shut: bool = False
    air_shut: bool = False
    faults: tuple[Fault, ...] = ()

    def has(self, how: str, what: str) -> bool:
        """Tell whether this very fault is there."""
        return any(fault.how == how and fault.what == what for fault in self.faults)


SENSORS = (
    "film_pressure",
    "film_pressure_2",
    "supply_pressure",
    "clamp_pressure",
    "air_pressure",
    "head_temperature",
    "clamp_closed",
)
VALVES = ("film_supply", "film_isolation", "film_vent")


def faults_of(rig: Rig) -> tuple[Fault, ...]:
    """Return every fault that this rig can have, sensors last."""
    valves = [role for role in VALVES if role in rig.outputs]
    found = [Fault(how, role) for role in valves for how in ("stuck open", "stuck shut")]
    found += [
        Fault("stuck", "clamp_valve"),
        Fault("lost", "clamp_air"),
        Fault("low", "clamp_air"),
        Fault("stuck on", "heater"),
        Fault("dead", "heater"),
        Fault("creeps", "regulator"),
        Fault("not as written", "film_supply"),
        Fault("shows zero", "film_gauge"),
        Fault("pressed", "emergency_stop"),
        Fault("bad", "guard_closed"),
        Fault("lost", "record"),
    ]
    if rig.clamp_rests == "release":
        found.append(Fault("without power", "clamp_valve"))
    sensors = [role for role in SENSORS if role in rig.inputs]
    found += [Fault(how, role) for role in sensors for how in ("bad", "stuck")]
    return tuple(found)


def broken(plant: Plant, fault: Fault) -> Plant:
    """Return the plant with one more fault; a stuck sensor keeps what it shows now."""
    kept = level_of(plant, fault.what) if fault.how == "stuck" and fault.what in SENSORS else 0
    plant = plant._replace(faults=(*plant.faults, fault._replace(kept=kept)))
    return plant._replace(air=False) if fault == ("lost", "clamp_air", 0) else plant


def mended(plant: Plant) -> Plant:
    """Return the plant with everything mended, air and gas as they were set."""
    return plant._replace(faults=(), air=not plant.air_shut, line=min(plant.line, FULL))


def served_again(plant: Plant) -> Plant:
    """Return the plant with bottle and house air opened again, as after a purge."""
    if not (plant.bottle_shut or plant.air_shut):
        return plant
    air = plant.air or (plant.air_shut and not plant.has("lost", "clamp_air"))
    line = FULL if plant.line else BLED  # as the regulator stands
    return plant._replace(bottle_shut=False, air_shut=False, air=air, line=line)


def level_of(plant: Plant, role: str) -> int:
    """Return the true level of an input."""
    match role:
        case "film_pressure" | "film_pressure_2":
            return plant.film
        case "supply_pressure":
            return plant.line
        case "clamp_pressure":
            return plant.clamp
        case "clamp_closed":
            return int(plant.clamp > BLED)
        case "air_pressure":
            low = plant.has("low", "clamp_air")
            return (PARTIAL if low else FULL) if plant.air else BLED
        case "head_temperature":
            return plant.head
        case "guard_closed":
            return int(plant.guard)
        case _:
            return 1


def value_of(role: str, level: int) -> float:
    """Return what a sensor of this role shows for a level."""
    if role in ("clamp_pressure", "air_pressure"):
        return CLAMP_Pa[level]
    if role == "head_temperature":
        return HEAD_degC[level]
    return FILM_Pa[level] if role.endswith(("pressure", "pressure_2")) else float(level)


def after_a_tick(plant: Plant, outputs: Outputs, rig: Rig) -> Plant:
    """Let one image of outputs work for a tick."""
    plant = _clamp_moved(plant, outputs)
    return _head_moved(_gas_moved(plant, outputs, rig), outputs)


def _clamp_moved(plant: Plant, outputs: Outputs) -> Plant:
    told, clamp, air = plant.told, plant.clamp, plant.air
    if outputs.clamp is not Clamp.LEAVE and not plant.has("stuck", "clamp_valve"):
        told = outputs.clamp is Clamp.APPLY
    driven = told and not plant.has("without power", "clamp_valve")
    low = clamp < PARTIAL or plant.has("low", "clamp_air")
    filled = PARTIAL if low else FULL
    clamp = filled if driven and air else _let_off(clamp)
    if driven and air and plant.air_shut:
        air = False  # the stroke has emptied the line
    return plant._replace(told=told, clamp=clamp, air=air)


def _let_off(level: int) -> int:
    """Return the level a tick after a vessel was opened to the room."""
    return RESIDUAL if level > RESIDUAL else BLED


def _gas_moved(plant: Plant, outputs: Outputs, rig: Rig) -> Plant:
    supply = _stands(plant, "film_supply", outputs.supply_open)
    isolation = not rig.isolated or _stands(plant, "film_isolation", outputs.isolation_open)
    vent = not supply if rig.three_way else _stands(plant, "film_vent", outputs.vent_open)
    film, gap, line = plant.film, plant.gap, plant.line
    if plant.has("creeps", "regulator") and line == FULL and isolation and supply:
        line = OVER
    if rig.isolated and isolation:
        gap = min(line, FULL)
    if supply and isolation and not vent:
        film, line = _fed(plant, film, line)
    elif supply and isolation:
        film = min(line, PARTIAL)  # the vent does not keep up with the regulator
    elif supply and vent:
        film, gap = _let_off(film), BLED
    elif supply and gap > film:
        film, gap = film + 1, gap - 1
    elif vent:
        film = _let_off(film)
    return plant._replace(film=film, gap=gap, line=line)


def _stands(plant: Plant, role: str, told_open: bool) -> bool:
    if plant.has("stuck open", role):
        return True
    return told_open and not plant.has("stuck shut", role)


def _fed(plant: Plant, film: int, line: int) -> tuple[int, int]:
    """Return film and line after a tick of feeding; a shut bottle leaves what the line holds."""
    if not plant.bottle_shut:
        return min(line, PARTIAL if film < PARTIAL else film + 1), line
    if line <= film:
        return film, line
    return max(film, (BLED, RESIDUAL, PARTIAL, PARTIAL, PARTIAL)[line]), max(line - 2, BLED)


def _head_moved(plant: Plant, outputs: Outputs) -> Plant:
    head = plant.head
    if plant.has("stuck on", "heater"):
        return plant._replace(head=min(head + 1, HOT))
    if outputs.heater_on and not plant.has("dead", "heater"):
        return plant._replace(head=min(head + 1, IN_BAND) if head < HOT else IN_BAND)
    if outputs.coolant_on or plant.clamp == BLED:
        head = max(head - 1, COLD)
    return plant._replace(head=head)


def raw_of(plant: Plant, rig: Rig, now_ns: int) -> tuple[RawInput, ...]:
    """Return every input as a driver would read it, through what is wrong with its sensor."""
    found = []
    for role in rig.inputs:
        level, ok = level_of(plant, role), True
        for fault in plant.faults:
            if fault.what == role:
                ok = ok and fault.how != "bad"
                level = fault.kept if fault.how == "stuck" else level
                level = 0 if fault.how == "pressed" else level
        found.append(RawInput(value_of(role, level), ok, now_ns))
    return tuple(found)


def read_back_of(plant: Plant, outputs: Outputs, rig: Rig) -> tuple[tuple[str, bool], ...]:
    """Return what the device says it drives; empty unless it differs from what was written."""
    if not plant.has("not as written", "film_supply"):
        return ()
    channel = rig.outputs["film_supply"].channel
    return ((channel, not channel_values(outputs, rig)[channel]),)


def time_after(now_ns: int, ticks: int = 1) -> int:
    """Return the time some ticks later."""
    return now_ns + ticks * TICK_ns
