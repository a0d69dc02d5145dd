"""A small sequencer and a small rig, written by hand, for tests of what stands around the core."""

from collections.abc import Callable, Mapping

from sequencer.config import Rig
from sequencer.core.sample import channels, reading
from sequencer.driver import Scan
from sequencer.errors import LinkLost
from sequencer.events import (
    AlarmChanged,
    Event,
    EvidenceHad,
    OutputsChanged,
    PromptAsked,
    RequestAnswered,
    RunEnded,
    RunStarted,
    StageEntered,
    Step,
    StepEntered,
)
from sequencer.files import find, load
from sequencer.model import (
    Clamp,
    CycleStep,
    Estimate,
    Image,
    Inputs,
    Means,
    Outputs,
    Priority,
    ProceduralState,
    RawInput,
    Request,
    RequestKind,
)
from sequencer.recipe import Recipe

TICK_ns = 20_000_000
SECOND_ns = 1_000_000_000


def bench_rig() -> Rig:
    return load(find("rigs", "bench-instrumented"), Rig)


def grating_recipe() -> Recipe:
    return load(find("recipes", "pmma-grating"), Recipe)


def start(recipe: Recipe | None = None, request_id: str = "r1") -> Request:
    return Request(RequestKind.START, request_id, "test", at_rig=True, recipe=recipe)


class FakeDriver:
    """Reads what ``values`` gives for the time, by role; keeps every image written."""

    def __init__(
        self,
        rig: Rig,
        values: Callable[[int], Mapping[str, float]] = lambda now_ns: {},
        *,
        deaf: Callable[[int], bool] = lambda now_ns: False,
        mute: Callable[[int], bool] = lambda now_ns: False,
    ) -> None:
        self.rig = rig
        self.values = values
        self.deaf = deaf
        self.mute = mute
        self.reads: list[int] = []
        self.written: list[tuple[int, Image]] = []

    def open(self) -> None:
        pass

    def read(self, now_ns: int) -> Scan:
        self.reads.append(now_ns)
        if self.mute(now_ns):
            raise LinkLost("the cable is out")
        values = self.values(now_ns)
        raw = tuple(RawInput(values.get(role, 4.0), True, now_ns) for role in self.rig.inputs)
        return Scan(raw, (("supply", False), ("vent", False)))

    def write(self, image: Image, now_ns: int) -> None:
        if self.deaf(now_ns):
            raise LinkLost("the cable is out")
        self.written.append((now_ns, image))

    def close(self) -> None:
        pass

    def attendant(self) -> None:
        return None

    def prediction(self) -> Mapping[str, float]:
        return {}


class FakeSequencer:
    """Walks through the steps by time once started; its outputs follow its inputs, scan by scan.

    ``plan`` gives each step's length in s; a head reading over ``trip_at`` raises an alarm.
    """

    def __init__(
        self,
        rig: Rig,
        *,
        plan: Mapping[CycleStep, float] | None = None,
        head_gain: float = 1.0,
        waits_for: str = "time",
    ) -> None:
        self._rig = rig
        self._channels = channels(rig)
        self._plan = dict(plan or PLAN)
        self._gain = head_gain
        self._waits_for = waits_for
        self._step = CycleStep.FAULTED
        self._since_ns = 0
        self._alarmed = False
        self._last: dict[str, tuple[float, int]] = {}
        self._before = Outputs()

    def step(self, now_ns: int, inputs: Inputs) -> Step:
        events: list[Event] = []
        pairs = zip(self._channels, inputs.raw, strict=True)
        readings = {c.role: reading(c, raw, now_ns, self._last) for c, raw in pairs}
        for request in inputs.requests:
            accepted = request.kind is RequestKind.START and request.recipe is not None
            reasons = () if accepted else ("no recipe was given",)
            events.append(
                RequestAnswered(
                    request.request_id, request.kind.value, request.actor, accepted, reasons
                )
            )
            if accepted:
                events.append(RunStarted("cycle", request.recipe.name, request.sample, "test"))
                self._enter(CycleStep.HEATING, now_ns, events)
        length_s = self._plan.get(self._step)
        if length_s is not None and now_ns - self._since_ns >= length_s * SECOND_ns:
            self._go_on(now_ns, events)
        head = readings["head_temperature"]
        if head.good and head.value > 200.0 and not self._alarmed:
            self._alarmed = True
            events.append(
                AlarmChanged(
                    "head_over", "raised", Priority.HIGH, True, "hot", "heater", "burn", "look"
                )
            )
        outputs = Outputs(
            clamp=Clamp.APPLY if self._step in CLAMPED else Clamp.LEAVE,
            supply_open=self._step is CycleStep.HOLDING,
            isolation_open=self._step is CycleStep.HOLDING,
            vent_open=self._step is not CycleStep.HOLDING,
            heater_on=self._step in CLAMPED,
            heater_setpoint_degC=self._gain * head.value if head.good else 20.0,
            expires_ns=now_ns + SECOND_ns // 2,
        )
        if (outputs.clamp, outputs.supply_open) != (self._before.clamp, self._before.supply_open):
            events.append(_changed(outputs))
        self._before = outputs
        return Step(
            outputs, tuple(events), _estimate(readings), self._step, STAGE[self._step], RUNNING
        )

    def _go_on(self, now_ns: int, events: list[Event]) -> None:
        order = list(self._plan)
        at = order.index(self._step) + 1
        events.append(EvidenceHad(self._step, "clamp_full", Means.MEASURED, f"at {now_ns}"))
        if at < len(order):
            self._enter(order[at], now_ns, events)
        else:
            self._enter(CycleStep.IDLE, now_ns, events)
            events.append(RunEnded("complete", "measured", ""))

    def _enter(self, step: CycleStep, now_ns: int, events: list[Event]) -> None:
        events.append(StepEntered(step, self._step, "test", RUNNING))
        events.append(StageEntered(step, STAGE[step], self._waits_for, float("inf")))
        if step is CycleStep.CLAMPING:
            events.append(
                PromptAsked(
                    1, "hands_clear", "Hands?", ("clear", "not clear"), "", 0, 0, None, 10.0
                )
            )
        self._step, self._since_ns = step, now_ns


RUNNING = ProceduralState.RUNNING
PLAN = {
    CycleStep.HEATING: 10.0,
    CycleStep.CLAMPING: 1.0,
    CycleStep.HOLDING: 10.0,
    CycleStep.VENTING: 2.0,
}
CLAMPED = (CycleStep.CLAMPING, CycleStep.HOLDING, CycleStep.VENTING)
STAGE = dict.fromkeys(CycleStep, "rest") | {
    CycleStep.HEATING: "warm",
    CycleStep.CLAMPING: "fill",
    CycleStep.HOLDING: "dwell",
    CycleStep.VENTING: "vent",
}


def _changed(outputs: Outputs) -> OutputsChanged:
    return OutputsChanged(
        outputs.clamp.value,
        outputs.supply_open,
        outputs.isolation_open,
        outputs.vent_open,
        outputs.heater_on,
        outputs.heater_setpoint_degC,
        outputs.coolant_on,
        outputs.film_setpoint_Pa,
    )


def _estimate(readings: dict) -> Estimate:
    def value(role: str) -> float | None:
        found = readings[role]
        return found.value if found.good else None

    return Estimate(
        readings=readings,
        film_Pa=value("film_pressure"),
        clamp_Pa=value("clamp_pressure"),
        supply_Pa=value("supply_pressure"),
        bottle_Pa=value("bottle_pressure"),
        head_degC=value("head_temperature"),
        clamp_closed=True,
    )
