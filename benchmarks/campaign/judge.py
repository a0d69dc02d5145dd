"""What must hold in every scan, judged on the plant's true state and on what was written.

Rules that look at the truth (marked T) can be broken by faults that no program can hold; the
injector names those. The others may never be broken by anything.
"""

from typing import NamedTuple

from benchmarks.campaign.injectors import Injector
from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.events import (
    AlarmChanged,
    Event,
    OutputsChanged,
    RequestAnswered,
    RunStarted,
    StageEntered,
    Step,
    StepEntered,
    TripLatched,
)
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Inputs, Outputs
from sequencer.physics.clamp import clamp_margin
from simulator.driver import SimulatedDriver
from simulator.press import piston_home

MOST_ALARMS = 10
CLEARLY = 2.0
"""Times the bled limit above which the film clearly holds gas, whatever the sensors' lag."""
TRUE_RULES = (
    "release_under_pressure", "pressure_on_open_clamp", "pressure_on_weak_clamp", "seal_lifted",
    "film_burst", "head_too_hot",
)  # fmt: skip


class Broken(NamedTuple):
    """A rule that was broken: which, when, where, and what was seen."""

    rule: str
    at_ns: int
    step: str
    stage: str
    what: str


class Judge:
    """A sink that looks at every scan."""

    def __init__(self, rig: Rig, driver: SimulatedDriver, sequencer: Sequencer) -> None:
        self._rig = rig
        self._driver = driver
        self._sequencer = sequencer
        self._was: CycleStep | None = None
        self._outputs: Outputs | None = None
        self._stage = ""
        self._told = Clamp.LEAVE
        self._way_back = False
        self._whole = True
        self.injectors: tuple[Injector, ...] = ()
        self.broken: list[Broken] = []
        self.events: list[tuple[int, Event]] = []
        self.scans: list[tuple[int, Inputs, Step]] | None = None
        self.alarms = 0
        self.first_out = ""
        self.starts = 0

    def injected(self, injector: Injector) -> None:
        """Hear what is injected; what was before is the reference's business."""
        if not self.injectors:
            self.broken, self.events, self.alarms, self.starts = [], [], 0, 0
            self.first_out = ""
        self.injectors = (*self.injectors, injector)

    def begin_again(self, sequencer: Sequencer) -> None:
        """Hear that the program begins anew: nothing of before counts as its doing."""
        self._sequencer = sequencer
        self._was = self._outputs = None
        self._stage, self._told, self._way_back = "", Clamp.LEAVE, False

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Look at one scan."""
        if self.scans is not None:
            self.scans.append((now_ns, inputs, step))
        for event in step.events:
            self.events.append((now_ns, event))
            self._event(now_ns, step, event)
        self._order(now_ns, step)
        self._truth(now_ns, step)
        self._was, self._outputs, self._stage = step.step, step.outputs, step.stage
        if step.outputs.clamp is not Clamp.LEAVE:
            self._told = step.outputs.clamp

    def _say(self, rule: str, now_ns: int, step: Step, what: str) -> None:
        if all(item.rule != rule for item in self.broken):
            self.broken.append(Broken(rule, now_ns, step.step.value, step.stage, what))

    def _event(self, now_ns: int, step: Step, event: Event) -> None:
        if isinstance(event, AlarmChanged) and event.change == "raised":
            self.alarms += 1
            self.first_out = self.first_out or event.name
            if self.alarms > MOST_ALARMS * max(1, len(self.injectors)):
                self._say("too_many_alarms", now_ns, step, f"{self.alarms} alarms")
            if event.name == "core_fault":
                self._say("core_fault", now_ns, step, event.detail)
        elif isinstance(event, TripLatched):
            if _unsafe(step.outputs):
                self._say("trip_not_safe_at_once", now_ns, step, event.name)
        elif isinstance(event, RequestAnswered):
            if event.accepted and event.kind in ("reset", "release", "maintenance"):
                self._way_back = True
            if event.accepted and event.kind in ("start", "purge"):
                self.starts += 1
        elif isinstance(event, RunStarted):
            self.starts -= 1
            if self.starts < 0:
                self._say("automatic_restart", now_ns, step, event.recipe)

    def _order(self, now_ns: int, step: Step) -> None:
        """What must hold of steps, outputs and events whatever the plant does."""
        was, outputs = self._was, step.outputs
        entered = [event for event in step.events if isinstance(event, StepEntered)]
        if was is not None:
            chain = [was, *(event.step for event in entered)]
            lefts = [event.left for event in entered]
            if lefts != chain[:-1] or chain[-1] is not step.step:
                self._say("event_gap", now_ns, step, f"{was.value} to {step.step.value} untold")
            staged = any(isinstance(event, StageEntered) for event in step.events)
            if step.stage != self._stage and not staged:
                self._say("event_gap", now_ns, step, f"stage {step.stage} untold")
            left_fault = was in FAULT_STEPS and step.step not in FAULT_STEPS
            if left_fault and not self._way_back:
                self._say("automatic_restart", now_ns, step, f"left {was.value} by itself")
        if entered and step.step in FAULT_STEPS and was not in FAULT_STEPS:
            self._way_back = any(
                isinstance(event, RequestAnswered) and event.accepted and event.kind == "reset"
                for event in step.events
            )
        draining = (
            (step.step, step.stage) == (CycleStep.SAFE_CLAMPED, "drain gap")
            and outputs.clamp is Clamp.APPLY
            and outputs.vent_open
            and not (outputs.isolation_open or outputs.heater_on or outputs.coolant_on)
        )
        if step.step in FAULT_STEPS and _unsafe(outputs) and not draining:
            self._say("fault_step_not_safe", now_ns, step, "gas or heat on, or vent shut")
        if outputs.supply_open and outputs.vent_open and outputs.isolation_open:
            self._say("straight_to_the_room", now_ns, step, "supply, isolation and vent open")
        if outputs.supply_open and outputs.clamp is not Clamp.APPLY:
            self._say("gas_without_clamp", now_ns, step, "supply open, clamp not applied")
        if self._outputs is not None:
            told = any(isinstance(event, OutputsChanged) for event in step.events)
            if told is (_said(outputs) == _said(self._outputs)):
                self._say("event_gap", now_ns, step, "outputs changed untold, or told unchanged")

    def _truth(self, now_ns: int, step: Step) -> None:
        """T: what must hold of the plant itself."""
        truth, limits, outputs = self._driver.truth(), self._rig.limits, step.outputs
        if truth.head_degC > limits.head_temperature_degC + limits.head_over_K:
            self._say("head_too_hot", now_ns, step, f"{truth.head_degC:.0f} degC")
        if truth.film_intact < 1.0:
            if self._whole:
                self._say("film_burst", now_ns, step, f"at {truth.film_Pa / 1e3:.0f} kPa")
            self._whole = False
            return
        held = truth.film_Pa > limits.bled_Pa
        if held and outputs.clamp is Clamp.RELEASE and self._told is Clamp.APPLY:
            self._say("release_under_pressure", now_ns, step, f"{truth.film_Pa / 1e3:.0f} kPa")
        if truth.film_Pa <= CLEARLY * limits.bled_Pa:
            return
        size = self._rig.geometry
        home = piston_home(truth.piston_m, self._driver.bench().params)
        margin = clamp_margin(
            truth.cylinder_Pa, truth.film_Pa, size.cylinder_bore_m,
            size.film_seal_diameter_m, size.cylinder_efficiency,
        )  # fmt: skip
        what = f"film {truth.film_Pa / 1e3:.0f} kPa, cylinder {truth.cylinder_Pa / 1e3:.0f} kPa"
        if not home:
            self._say("pressure_on_open_clamp", now_ns, step, what)
        elif margin < 1.0:
            self._say("seal_lifted", now_ns, step, what)
        elif margin < limits.clamp_trip and outputs.supply_open:
            self._say("pressure_on_weak_clamp", now_ns, step, what)


def _unsafe(outputs: Outputs) -> bool:
    return (
        outputs.supply_open
        or outputs.isolation_open
        or outputs.heater_on
        or outputs.coolant_on
        or not outputs.vent_open
    )


def _said(outputs: Outputs) -> tuple[object, ...]:
    return (
        outputs.clamp, outputs.supply_open, outputs.isolation_open, outputs.vent_open,
        outputs.heater_on, outputs.heater_setpoint_degC, outputs.coolant_on,
        outputs.film_setpoint_Pa,
    )  # fmt: skip
