"""The simulated bench: the plant carried along in time, and everything that happens to it.

What happens between two scans (a valve arrives, a fault strikes, a hand turns a knob) stands in an
agenda and happens at its own time, not at the next scan.
"""

import heapq
from collections.abc import Callable, Mapping
from functools import partial
from typing import NamedTuple

from sequencer.errors import DriverError
from simulator.breakage import happened, late_ns, misled, stuck_where
from simulator.coils import Positions
from simulator.faults import Fault, parts, struck
from simulator.values import Actuation, PlantParams, PlantState

Advance = Callable[[PlantState, PlantParams, Actuation, float], PlantState]


class Hands(NamedTuple):
    """What people set and move by hand."""

    regulator_Pa: float
    controller_degC: float
    bottle_open: bool
    air_open: bool
    guard_closed: bool
    stack_in: bool


class Bench:
    """One simulated rig in simulated time.

    ``travel_ns`` is the delay of each part of `Positions` that moves; ``told`` is what holds
    whatever is written: house-air pressure and the small leak of a sound film.
    """

    def __init__(
        self,
        params: PlantParams,
        state: PlantState,
        advance: Advance,
        *,
        hands: Hands,
        found: Positions,
        told: Actuation,
        travel_ns: Mapping[str, int],
        three_way: bool,
    ) -> None:
        self.params = params
        self.state = state
        self.hands = hands
        self.faults: tuple[Fault, ...] = ()
        self.begun_ns = 0
        self.now_ns = 0
        self._advance = advance
        self._sent = self._arrived = found
        self._told = told
        self.travel_ns = travel_ns
        self._three_way = three_way
        self._agenda: list[tuple[int, int, Callable[[], None]]] = []
        self._numbered = 0
        self._actuation: Actuation | None = None
        self._acting: dict[Fault, Fault] = {}

    def begin(self, now_ns: int, faults: tuple[Fault, ...]) -> None:
        """Start time, and put the faults on the agenda."""
        self.begun_ns = self.now_ns = now_ns
        for fault in faults:
            self.plan(fault.struck_at(now_ns))

    def plan(self, fault: Fault) -> None:
        """Put a fault on the agenda, its times being those of this bench."""
        for part in parts(fault):
            self.at(part.from_ns, partial(self._strike, part))
            if part.until_ns is not None:
                self.at(part.until_ns, partial(self._mend, part))

    def at(self, due_ns: int, action: Callable[[], None]) -> None:
        """Have something happen at a time; what is due at the same time keeps its order."""
        self._numbered += 1
        heapq.heappush(self._agenda, (due_ns, self._numbered, action))

    def run_to(self, now_ns: int) -> None:
        """Carry the plant to a time, with all that happens until then.

        Raises:
            DriverError: if the clock went backwards.
        """
        if now_ns < self.now_ns:
            raise DriverError(f"the clock went back from {self.now_ns} ns to {now_ns} ns")
        agenda = self._agenda
        while agenda and agenda[0][0] <= now_ns:
            due_ns, _, action = heapq.heappop(agenda)
            self._integrate(due_ns)
            action()
        self._integrate(now_ns)

    def send(self, positions: Positions) -> None:
        """Send everything to its position; what moves arrives after its travel."""
        if positions == self._sent:
            return
        for name, was, wanted in zip(Positions._fields, self._sent, positions, strict=True):
            if wanted != was:
                change = {name: wanted}
                travel_ns = self.travel_ns.get(name, 0) + late_ns(self.faults, name)
                self.at(self.now_ns + travel_ns, partial(self._arrive, change))
        self._sent = positions

    @property
    def clamp_sent(self) -> float:
        """Where the clamp valve was sent last: 1 apply, 0 release."""
        return self._sent.clamp_apply

    @property
    def actuation(self) -> Actuation:
        """What the plant is really told now: positions, hands and faults together."""
        if self._actuation is None:
            self._actuation = self._effective()
        return self._actuation

    @property
    def guard_closed(self) -> bool:
        """Whether the guard is really shut."""
        return self.hands.guard_closed and not struck(self.faults, "guard_open")

    def handle(self, hands: Hands) -> None:
        """Let hands have changed something."""
        self.hands = hands
        self._actuation = None

    def change_stack(self) -> None:
        """Put a fresh foil, as cold as the room, onto the stamp."""
        self.state = self.state._replace(
            foil_degC=self.params.ambient_degC, dose=0.0, fill_fraction=0.0
        )

    def _integrate(self, to_ns: int) -> None:
        if to_ns > self.now_ns:
            self.state = self._advance(
                self.state, self.params, self.actuation, (to_ns - self.now_ns) * 1e-9
            )
            self.now_ns = to_ns

    def _arrive(self, change: Mapping[str, float | None]) -> None:
        self._arrived = Positions._make({**self._arrived._asdict(), **change}.values())
        self._actuation = None

    def _strike(self, fault: Fault) -> None:
        acting = stuck_where(fault, self._arrived)
        self._acting[fault] = acting
        self.faults = (*self.faults, acting)
        self._actuation = None
        self.state = happened(self.state, self.params, acting)

    def _mend(self, fault: Fault) -> None:
        mended = self._acting.pop(fault, fault)
        self.faults = tuple(active for active in self.faults if active != mended)
        self._actuation = None

    def _effective(self) -> Actuation:
        positions, hands = self._arrived, self.hands
        setpoint_degC, film_Pa = positions.heater_setpoint_degC, positions.film_setpoint_Pa
        told = self._told._replace(
            isolation=positions.isolation,
            supply=positions.supply,
            vent=positions.vent,
            clamp_apply=positions.clamp_apply,
            heater_enable=positions.heater,
            heater_setpoint_degC=hands.controller_degC if setpoint_degC is None else setpoint_degC,
            coolant=positions.coolant,
            regulator_set_Pa=hands.regulator_Pa if film_Pa is None else film_Pa,
            bottle_valve=1.0 if hands.bottle_open else 0.0,
            house_air=1.0 if hands.air_open else 0.0,
        )
        return misled(told, self.faults, three_way=self._three_way)
