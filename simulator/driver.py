"""The simulated rig behind the driver port, as if it hung on an I/O module.

It integrates the plant to the loop's time whenever it is read or written, with what was written
last. It knows nothing of the sequencer: its outputs are channels, its inputs are raw values.
"""

from collections import deque
from collections.abc import Callable, Mapping
from copy import deepcopy
from functools import partial
from random import Random

from sequencer.config import CLAMP_ROLES, CONTACT_ROLES, SETPOINT_ROLES, Rig
from sequencer.driver import Attendant, Driver, Scan
from sequencer.errors import DriverError, InputRefused, LinkLost, Problem
from sequencer.material import Material
from sequencer.model import ChannelValue, Image, RawInput
from sequencer.recipe import Recipe
from sequencer.units import ns
from simulator.bench import Bench
from simulator.build import (
    found_coils,
    make_bench,
    make_gauges,
    make_transmitters,
    plant_params,
)
from simulator.coils import positions
from simulator.compiled import load_advance
from simulator.faults import Fault, parts, struck
from simulator.gauges import Eyes
from simulator.lies import LIES, SWAPPED_WITH, Liar
from simulator.options import Options, read_options
from simulator.person import SimulatedPerson
from simulator.press import piston_home
from simulator.sensors import Contact, Transmitter
from simulator.stack import stack_of
from simulator.values import PlantState

TRUTHS = {
    "supply_pressure": "outlet_Pa",
    "film_pressure": "film_Pa",
    "film_pressure_2": "film_Pa",
    "clamp_pressure": "cylinder_Pa",
    "bottle_pressure": "inlet_Pa",
    "air_pressure": "air_line_Pa",
    "head_temperature": "head_degC",
    "head_temperature_2": "head_degC",
}
CUTS_COILS = ("emergency_stop", "logic_power_lost")
"""Faults that take the power from every coil: the stop chain is hard-wired into it."""
TOUCHES_COILS = (*CUTS_COILS, "fuse_blown", "output_stuck_on", "read_back_frozen")
GARBAGE_SHARE = 0.5
"""Share of the channels that a garbled reply spoils."""


def create(options: Mapping[str, object], rig: Rig, file: str) -> Driver:
    """Make a simulated rig; see `sequencer.driver.Factory`."""
    unknown = [role for role in rig.inputs if role not in TRUTHS and role not in CONTACT_ROLES]
    if unknown:
        raise InputRefused(
            *(
                Problem(
                    file, f"inputs.{role}", "", "is no input of a simulated rig", "leave it out"
                )
                for role in unknown
            )
        )
    return SimulatedDriver(read_options(options, file), rig)


class SimulatedDriver:
    """One simulated rig; see `sequencer.driver.Driver`."""

    def __init__(self, options: Options, rig: Rig) -> None:
        self._rig = rig
        self._options = options
        self._faults = tuple(option.fault() for option in options.faults)
        self._bench = make_bench(options, rig, load_advance(options.compiled))
        eyes = Eyes(make_gauges(options, rig), Random(f"{options.seed} eyes"))
        rng = Random(f"{options.seed} person")
        self._person = SimulatedPerson(self._bench, eyes, options.person, rng)
        self._inputs = make_transmitters(options, rig)
        self._analogue: list[tuple[int, Callable[[float, int], RawInput], int]] = []
        self._contacts: list[
            tuple[int, Callable[[bool], tuple[float, bool]], Callable[[], bool]]
        ] = []
        for place, (role, sensor) in enumerate(self._inputs.items()):
            if isinstance(sensor, Contact):
                self._contacts.append((place, sensor.state, self._contact_truth(role)))
            else:
                field = PlantState._fields.index(TRUTHS[role])
                self._analogue.append((place, sensor.sample, field))
        self._raw = [RawInput(0.0, False, 0)] * len(self._inputs)
        self._honest = (tuple(self._analogue), tuple(self._contacts))
        self._swapped: tuple[tuple[int, int], ...] = ()
        self._scans: deque[tuple[int, Scan]] = deque()
        self._garbage = Random(f"{options.seed} garbage")
        self._unstruck = [fault for fault in self._faults if fault.after]
        self._switched = tuple(
            output.channel for role, output in rig.outputs.items() if role not in SETPOINT_ROLES
        )
        self._channels = frozenset(output.channel for output in rig.outputs.values())
        self._coils = found_coils(options, rig)
        self._read_back = self._coils_read_back()
        self._written: Mapping[str, ChannelValue] | None = None
        self._safe: Mapping[str, ChannelValue] = {}
        self._expires_ns: int | None = None
        watchdog = rig.outputs.get("watchdog")
        self._watchdog = "" if watchdog is None else watchdog.channel
        self._drops_ns = ns(rig.timing.watchdog_drops_after_s)
        # A relay stands open until its output has changed for the first time.
        self._relay_dropped = rig.dead_man == "watchdog_relay" and watchdog is not None
        self._kept = frozenset(
            output.channel for role, output in rig.outputs.items() if role in CLAMP_ROLES
        )
        self._seen_faults: tuple[Fault, ...] = ()
        self._linked = True
        self._opened = self._begun = False

    def lay_in(self, recipe: Recipe, material: Material) -> None:
        """Have this foil and this pattern in the stack that the hands will lay in."""
        stacked = self._options.model_copy(update={"stack": stack_of(recipe, material)})
        self._bench.params = plant_params(stacked, self._rig)

    def open(self) -> None:
        """Reach the rig; nothing is written, everything stays as found."""
        self._opened = True

    def close(self) -> None:
        """Let go of the rig; from the expiry of the last image on its dead-man has the outputs."""
        self._opened = False

    def read(self, now_ns: int) -> Scan:
        """Integrate to ``now_ns`` and sample every input.

        Raises:
            LinkLost: while that fault is active.
            DriverError: if the driver is not open, or the clock went backwards.
        """
        self._run_to(now_ns)
        state, raw = self._bench.state, self._raw
        for place, sample, field in self._analogue:
            raw[place] = sample(state[field], now_ns)
        same = RawInput(0.0, False, now_ns)
        for place, contact, truth in self._contacts:
            value, ok = contact(truth())
            # Most contacts say the same: one value serves them all.
            if value != same.value or ok is not same.ok:
                same = RawInput(value, ok, now_ns)
            raw[place] = same
        for one, other in self._swapped:
            raw[one], raw[other] = raw[other], raw[one]
        scan = Scan(tuple(raw), self._read_back)
        return self._garbled(scan, now_ns) if self._seen_faults or self._scans else scan

    def write(self, image: Image, now_ns: int) -> None:
        """Integrate to ``now_ns`` and switch the coils; valves arrive after their travel.

        Raises:
            LinkLost: while that fault is active; the outputs stay, and run into their dead-man.
            DriverError: if the image names a channel that the rig has not, the driver is not
                open, or the clock went backwards.
        """
        self._run_to(now_ns)
        # Mostly it is the very mapping that the coils have already: there is nothing to look at.
        same = image.values is self._written
        if not same and not image.values.keys() <= self._channels:
            unknown = ", ".join(sorted(image.values.keys() - self._channels))
            raise DriverError(f"no such channel on the simulated rig: {unknown}")
        self._safe = image.safe
        relay = bool(self._watchdog) and self._rig.dead_man == "watchdog_relay"
        level = image.values.get(self._watchdog)
        fed = not relay or bool(self._coils.get(self._watchdog, False)) is not bool(level)
        if fed and self._rig.dead_man != "none":
            self._expires_ns = now_ns + self._drops_ns if relay else image.expires_ns
        if same:
            return
        self._written = image.values
        if self._relay_dropped and fed:
            self._relay_dropped = False
            self._switch(image.values)
        elif any(self._coils.get(channel) != value for channel, value in image.values.items()):
            self._switch(image.values)

    def attendant(self) -> Attendant:
        """Return the simulated person."""
        return self._person

    def prediction(self) -> Mapping[str, float]:
        """Return fill fraction, film whole or not, and the gas used since the driver was made."""
        state = self._bench.state
        return {
            "fill_fraction": state.fill_fraction,
            "gas_used_g": state.gas_used_kg * 1e3,
            "film_intact": state.film_intact,
        }

    def truth(self) -> PlantState:
        """Return the plant as it really is, for tests and drills; no sequencer may look."""
        return self._bench.state

    def entered(self, step: str, stage: str, now_ns: int) -> None:
        """Hear which step and stage begins: what is to strike in it is put on the agenda."""
        for fault in tuple(self._unstruck):
            if fault.after in (step, f"{step}/{stage}"):
                self._unstruck.remove(fault)
                self.strike(fault, now_ns)

    def strike(self, fault: Fault, zero_ns: int) -> None:
        """Put one more fault on the agenda, its times counted from ``zero_ns``."""
        placed = fault.struck_at(zero_ns)
        self._bench.plan(placed)
        self._switch_with(placed)

    def copied(self, shared: tuple[object, ...] = ()) -> "SimulatedDriver":
        """Return an independent rig in the same state, to be carried on by itself.

        ``shared`` is what need not be copied, because nobody changes it.
        """
        kept = (self._rig, self._options, self._bench.params, *shared)
        return deepcopy(self, {id(item): item for item in kept})

    def bench(self) -> Bench:
        """Return the whole simulated bench, hands and valves included, for tests and drills."""
        return self._bench

    def _run_to(self, now_ns: int) -> None:
        if not self._opened:
            raise DriverError("the simulated rig is not open")
        bench = self._bench
        if not self._begun:
            self._begin(now_ns)
        if self._expires_ns is not None and self._expires_ns < now_ns:
            bench.run_to(max(self._expires_ns, bench.now_ns))
            self._expire()
        bench.run_to(now_ns)
        if bench.faults is not self._seen_faults:
            self._mislead_sensors()
        if not self._linked:
            raise LinkLost("the link to the simulated rig is lost (a fault that was asked for)")

    def _begin(self, now_ns: int) -> None:
        self._begun = True
        timed = tuple(fault for fault in self._faults if not fault.after)
        self._bench.begin(now_ns, timed)
        for fault in timed:
            self._switch_with(fault.struck_at(now_ns))

    def _switch_with(self, fault: Fault) -> None:
        """Have the coils follow when a fault that touches them comes and goes."""
        for part in parts(fault):
            if part.kind in TOUCHES_COILS:
                self._bench.at(part.from_ns, self._resend)
                if part.until_ns is not None:
                    self._bench.at(part.until_ns, self._resend)

    def _expire(self) -> None:
        """Act as the rig's dead-man: safe values, or no power but for the clamp."""
        self._expires_ns = self._written = None
        self._relay_dropped = self._rig.dead_man == "watchdog_relay"
        self._switch({} if self._relay_dropped else self._safe)

    def _switch(self, values: Mapping[str, ChannelValue]) -> None:
        self._coils.update(values)
        self._read_back = self._coils_read_back()
        self._send()

    def _resend(self) -> None:
        self._read_back = self._coils_read_back()
        self._send()

    def _send(self) -> None:
        """Send everything where its coil has it; without coil power only set-points remain."""
        coils: Mapping[str, ChannelValue] = self._coils
        faults = self._bench.faults
        cut = any(struck(faults, kind) for kind in CUTS_COILS)
        if cut or self._relay_dropped:
            # The relay drops heater, nitrogen and vent; what holds the clamp is not on it.
            kept = () if cut else self._kept
            coils = {n: on for n, on in coils.items() if n not in self._switched or n in kept}
        for fault in faults:
            output = self._rig.outputs.get(fault.role)
            if output is not None and fault.kind in ("fuse_blown", "output_stuck_on"):
                coils = {**coils, output.channel: fault.kind == "output_stuck_on" and not cut}
        self._bench.send(positions(coils, self._rig, self._bench.clamp_sent))

    def _coils_read_back(self) -> tuple[tuple[str, bool], ...]:
        """Return what the module says it drives: its own registers, whatever the valves do."""
        if struck(self._bench.faults, "read_back_frozen"):
            return self._read_back
        return tuple((name, bool(self._coils.get(name, False))) for name in self._switched)

    def _contact_truth(self, role: str) -> Callable[[], bool]:
        # No lambdas: a copy of this driver must look at its own bench.
        match role:
            case "clamp_closed":
                return partial(_home, self._bench)
            case "guard_closed":
                return partial(_guarded, self._bench)
            case "emergency_stop":
                return partial(_without, self._bench, "emergency_stop")
            case _:
                return partial(_without, self._bench, "logic_power_lost")

    def _garbled(self, scan: Scan, now_ns: int) -> Scan:
        """Return what a link at fault makes of a scan."""
        faults = self._seen_faults
        late_ns = sum(round(f.size * 1e9) for f in faults if f.kind == "link_late")
        if struck(faults, "link_garbage"):
            raw = tuple(
                item._replace(ok=False) if self._garbage.random() < GARBAGE_SHARE else item
                for item in scan.raw
            )
            return Scan(raw, scan.read_back)
        if not late_ns and not struck(faults, "scan_repeated"):
            self._scans.clear()
            return scan
        self._scans.append((now_ns, scan))
        while late_ns and len(self._scans) > 1 and self._scans[1][0] <= now_ns - late_ns:
            self._scans.popleft()
        return self._scans[0][1]

    def _mislead_sensors(self) -> None:
        """Let every sensor lie as the active faults have it."""
        self._seen_faults = faults = self._bench.faults
        self._linked = not struck(faults, "link_lost")
        self._analogue, self._contacts = list(self._honest[0]), list(self._honest[1])
        self._swapped = tuple(
            (self._place(fault.role), self._place(SWAPPED_WITH[fault.role]))
            for fault in faults
            if fault.kind == "sensors_swapped" and SWAPPED_WITH[fault.role] in self._inputs
        )
        for role, sensor in self._inputs.items():
            mine = {fault.kind: fault for fault in faults if fault.role == role}
            frozen, bad = "sensor_frozen" in mine, "sensor_bad" in mine
            if isinstance(sensor, Contact):
                sensor.fail(frozen=frozen, bad=bad)
                self._force(role, mine)
                continue
            offset = mine.get("sensor_offset")
            sensor.fail(
                offset=0.0 if offset is None else offset.size,
                frozen=frozen,
                bad=bad,
                burnt_out="thermocouple_open" in mine,
            )
            if any(kind in LIES for kind in mine):
                self._have_lie(role, sensor, tuple(mine.values()))

    def _have_lie(self, role: str, sensor: Transmitter, faults: tuple[Fault, ...]) -> None:
        place, ambient_degC = self._place(role), self._bench.params.ambient_degC
        rng = Random(f"{self._options.seed} lie {role}")
        liar = Liar(sensor, self._rig.inputs[role], faults, ambient_degC, rng)
        self._analogue = [
            (at, liar.sample if at == place else sample, field)
            for at, sample, field in self._analogue
        ]

    def _force(self, role: str, mine: Mapping[str, Fault]) -> None:
        """Have a contact say open or closed whatever is so; open wins."""
        if "contact_open" not in mine and "contact_closed" not in mine:
            return
        place, said = self._place(role), "contact_open" not in mine
        self._contacts = [
            (at, contact, partial(bool, said) if at == place else truth)
            for at, contact, truth in self._contacts
        ]

    def _place(self, role: str) -> int:
        return list(self._inputs).index(role)


def _home(bench: Bench) -> bool:
    return piston_home(bench.state.piston_m, bench.params)


def _guarded(bench: Bench) -> bool:
    return bench.guard_closed


def _without(bench: Bench, kind: str) -> bool:
    return not struck(bench.faults, kind)
