"""The sequencer: one deterministic function of time and inputs, with a memory.

Each scan: sample, estimate, interlocks, requests, stages, outputs, clamp-down, in this order. A
trip is looked at before a request, a request before a tick. No clock, no I/O, no log in here.
"""

import math
from dataclasses import replace

from sequencer.config import Rig
from sequencer.core import alarms, requests, watchdog
from sequencer.core.cycle import Cycle
from sequencer.core.estimate import estimate, watch_film
from sequencer.core.guards import TurnGuards
from sequencer.core.interlocks import BY_NAME, Interlock, fitted
from sequencer.core.memory import Exposure, Memory
from sequencer.core.outputs import (
    SAFE,
    clamp_down,
    fallback_clamp,
    outputs_of,
    pressure_seen,
    violations,
)
from sequencer.core.questions import withdraw_all
from sequencer.core.sample import channels, reading
from sequencer.core.show import waiting
from sequencer.core.stages import STAGES, Stage
from sequencer.core.turn import Turn, Verdict
from sequencer.core.waits import COOL_ENOUGH_degC, end_pause
from sequencer.errors import CoreFault
from sequencer.events import (
    Noted,
    OutputsChanged,
    RunEnded,
    StageEntered,
    Step,
    StepEntered,
    TripLatched,
)
from sequencer.model import (
    FAULT_STEPS,
    Clamp,
    CycleStep,
    Estimate,
    Inputs,
    Outputs,
    ProceduralState,
    Request,
    Status,
    Trip,
)
from sequencer.units import ns

LOST_AFTER_s = 0.1
DRAINING = ("drain gap", "bled")  # stages of safe_clamped that let gas of the gap out
RESTING = (CycleStep.SAFE_CLAMPED, CycleStep.VENT_UNCONFIRMED, CycleStep.FAULTED)
UNLATCHED = (CycleStep.VENT_UNCONFIRMED, CycleStep.FAULTED)  # left by proof anyhow


class Sequencer:
    """The core of one rig. It starts in ``faulted``: nothing is ever resumed after a start-up."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._channels = channels(rig)
        self._armed: dict[CycleStep, tuple[Interlock, ...]] = {
            step: tuple(item for item in fitted(rig) if step in item.steps) for step in CycleStep
        }
        self._watched = rig.has("watchdog")
        self._required = watchdog.required(rig)
        self._guards = TurnGuards()
        self._cycle = Cycle(self._guards)
        self._memory = Memory()
        self._seen = Estimate()

    def snapshot(self) -> Memory:
        """Return everything that the core remembers, as an independent copy."""
        return self._memory.copied()

    def restore(self, snapshot: Memory) -> None:
        """Go back to a snapshot; the snapshot itself stays as it is."""
        self._memory = snapshot.copied()

    def step(self, now_ns: int, inputs: Inputs) -> Step:
        """Do one scan.

        Raises:
            CoreFault: if the time goes backwards or the inputs are not the rig's.
        """
        memory = self._memory
        if memory.last_ns is None:
            memory.step_since_ns = memory.stage_since_ns = now_ns
        elif now_ns < memory.last_ns:
            raise CoreFault(f"time went back by {(memory.last_ns - now_ns) / 1e9:.3f} s")
        if len(inputs.raw) != len(self._channels):
            raise CoreFault(f"{len(inputs.raw)} inputs for {len(self._channels)} channels")
        turn = Turn(self._rig, now_ns, memory, host=inputs.host, read_back=inputs.read_back)
        self._guards.turn = turn
        readings = {
            channel.role: reading(channel, raw, now_ns, memory.raw_last)
            for channel, raw in zip(self._channels, inputs.raw, strict=True)
        }
        turn.seen = self._seen = estimate(self._rig, readings)
        try:
            watch_film(self._rig, memory, turn.seen, now_ns)
            self._watch(turn)
            self._take(turn, inputs.requests)
            self._advance(turn)
        except Exception as fault:  # whatever it is, the image must be safe in this same scan
            turn.contradicted = True
            self._trip(turn, "core_fault", f"{type(fault).__name__}: {fault}")
        outputs = self._outputs(turn)
        memory.last_ns = now_ns
        return Step(
            outputs,
            tuple(turn.events),
            turn.seen,
            memory.step,
            self._stage().name,
            self._procedural(),
        )

    def status(self, now_ns: int) -> Status:
        """Return where the cycle stands, for screens."""
        memory = self._memory
        turn = Turn(self._rig, now_ns, memory, self._seen)
        return Status(
            memory.step,
            self._stage().name,
            self._procedural(),
            waiting(turn, self._stage()),
            tuple(memory.prompts.values()),
            memory.trip,
            alarms.announced(memory),
            hot=_hot(self._rig, self._seen),
            paused=memory.paused_since_ns is not None,
            shelved=tuple(memory.shelves),
        )

    # ---- interlocks -------------------------------------------------------------------------

    def _watch(self, turn: Turn) -> None:
        true_now: set[str] = set()
        since_ns = turn.memory.watched_since_ns
        for item in self._armed[turn.memory.step]:
            if item.dead_band:
                turn.dead_band = item.dead_band if item.name in turn.memory.alarms else 0.0
            detail = item.test(turn)
            if not detail:
                if since_ns:
                    since_ns.pop(item.name, None)
                continue
            held_ns = turn.now_ns - since_ns.setdefault(item.name, turn.now_ns)
            known = turn.memory.alarms.get(item.name)
            # What comes back before its alarm has returned need not wait again.
            if held_ns < ns(item.delay_s) and (known is None or known.gone_ns is None):
                continue
            true_now.add(item.name)
            if item.response == "trip":
                self._trip(turn, item.name, detail)
            else:
                alarms.raise_alarm(turn, item, detail)
                if item.response == "stop":
                    if not turn.memory.stopping:
                        turn.memory.stopping = True
                        turn.memory.stop_reason = detail
                    turn.memory.finish_cooling = False  # that is a person's choice, not a fault's
                    self._fire(turn, "stop", item.name)
        if turn.memory.alarms or turn.memory.shelves:
            alarms.settle(turn, true_now)
        self._evidence_lost(turn)

    def _trip(self, turn: Turn, name: str, detail: str, trigger: str = "trip") -> None:
        """Latch a trip (the first one stays the first-out) and move by a trigger."""
        memory = turn.memory
        if memory.trip is None and memory.step not in UNLATCHED:
            memory.trip = Trip(name, turn.now_ns, memory.step, detail)
            turn.emit(TripLatched(name, memory.step, detail))
        alarms.raise_alarm(turn, BY_NAME[name], detail)
        if memory.step not in FAULT_STEPS:
            untouched = self._guards.film_untouched()
            memory.fallback_clamp = fallback_clamp(turn, name, film_untouched=untouched)
        self._withdraw_way_back(turn)
        self._fire(turn, trigger, name)

    def _withdraw_way_back(self, turn: Turn) -> None:
        """A cause that comes up while a person leads out of a fault step ends that way."""
        memory = turn.memory
        if memory.reset_wanted or memory.release_wanted:
            memory.reset_wanted = memory.release_wanted = False
            withdraw_all(turn)
            self._enter_stage(turn, 0)

    def _evidence_lost(self, turn: Turn) -> None:
        """Leave a resting place that stood on an empty film when the film is seen not to be."""
        memory = turn.memory
        if memory.step is CycleStep.SAFE_CLAMPED:
            if self._stage().name in DRAINING:
                return  # its own proof follows, under the same clamp
            # Even a blink of pressure has to be proven gone before the clamp may let go.
            lost = memory.exposure is not Exposure.NO or pressure_seen(turn)
        elif memory.step is CycleStep.FAULTED:
            film_Pa = turn.seen.film_Pa
            lost = film_Pa is not None and film_Pa > self._rig.limits.bled_Pa
        else:
            return
        if turn.held("evidence lost", lost, LOST_AFTER_s):
            memory.exposure = Exposure.YES
            alarms.raise_alarm(turn, BY_NAME["not_bled"], "pressure is back, or no longer known")
            self._fire(turn, "lost", "not_bled")

    # ---- requests ---------------------------------------------------------------------------

    def _take(self, turn: Turn, asked: tuple[Request, ...]) -> None:
        for request in asked:
            trip = turn.memory.trip
            if trip is not None and trip.at_ns == turn.now_ns:
                # Whatever was asked before the trip was seen must not act after it.
                requests.drop(turn, request, "dropped: a trip was latched")
                continue
            requests.take(
                turn,
                request,
                lambda trigger: self._fire(turn, trigger, trigger),
                lambda name, detail: self._trip(turn, name, detail),
            )

    # ---- stages -----------------------------------------------------------------------------

    def _stage(self) -> Stage:
        return STAGES[self._memory.step][self._memory.stage]

    def _advance(self, turn: Turn) -> None:
        stage = self._stage()
        verdict = stage.wait(turn)
        if verdict is Verdict.WAIT and turn.stage_age_s() > stage.limit(turn):
            if stage.limit_ends == "overdue":
                self._overdue(turn, stage)
                return
            verdict = Verdict.SILENT
        if verdict is Verdict.DONE:
            after = self._needed_from(turn, turn.memory.stage + 1, 1)
            if after is None:
                self._done(turn)
            else:
                self._enter_stage(turn, after)
        elif verdict is Verdict.BACK:
            before = self._needed_from(turn, turn.memory.stage - 1, -1)
            self._enter_stage(turn, before if before is not None else 0)
        elif verdict is Verdict.SILENT:
            self._silent(turn, stage)
        elif verdict is Verdict.FAILED:
            clamping = turn.memory.step is CycleStep.CLAMPING
            self._trip(turn, "shut_off_leaks" if clamping else "line_not_empty", turn.failure)

    def _needed_from(self, turn: Turn, index: int, direction: int) -> int | None:
        table = STAGES[turn.memory.step]
        while 0 <= index < len(table):
            if table[index].needed(turn):
                return index
            index += direction
        return None

    def _overdue(self, turn: Turn, stage: Stage) -> None:
        detail = f"{stage.name}: {stage.waits_for}, not within {stage.limit(turn):.0f} s"
        if turn.in_step(CycleStep.VENTING, CycleStep.TRIPPED):
            self._trip(turn, "not_bled", detail, "overdue")
        elif turn.in_step(CycleStep.SAFE_CLAMPED):
            self._trip(turn, "not_bled", detail, "lost")
        else:
            self._trip(turn, "step_overdue", detail)

    def _silent(self, turn: Turn, stage: Stage) -> None:
        memory = turn.memory
        reason = turn.failure or f"nobody answered in time: {stage.waits_for}"
        if turn.in_step(CycleStep.VENTING, CycleStep.TRIPPED):
            self._trip(turn, "not_bled", reason, "silent")
        elif turn.in_step(CycleStep.SAFE_CLAMPED, CycleStep.FAULTED):
            turn.emit(Noted(reason))
            self._withdraw_way_back(turn)
        elif not turn.in_step(CycleStep.VENT_UNCONFIRMED):
            memory.stopping = True
            memory.stop_reason = memory.stop_reason or reason
            if memory.step is CycleStep.RELEASING:
                memory.fallback_clamp = memory.outputs.clamp
            self._fire(turn, "silent", "silence")

    def _done(self, turn: Turn) -> None:
        memory = turn.memory
        if memory.step in (CycleStep.FAULTED, CycleStep.SAFE_CLAMPED):
            memory.reset_wanted = memory.release_wanted = False
            memory.trip = None
            alarms.clear_latched(turn)
        self._fire(turn, "done", "done")

    def _fire(self, turn: Turn, trigger: str, cause: str) -> None:
        memory = turn.memory
        after = self._cycle.fire(trigger, memory.step)
        if after is not memory.step:
            self._enter(turn, after, cause)

    def _enter(self, turn: Turn, step: CycleStep, cause: str) -> None:
        memory = turn.memory
        left = memory.step
        memory.step = step
        memory.step_since_ns = turn.now_ns
        memory.windows.clear()
        memory.vent_strokes = 0
        withdraw_all(turn)
        end_pause(turn)
        ended = self._end_run(cause) if step in (*RESTING, CycleStep.IDLE) else None
        turn.emit(StepEntered(step, left, cause, self._procedural()))
        if ended is not None:
            turn.emit(ended)
        if step is CycleStep.IDLE:
            memory.fallback_clamp = Clamp.LEAVE
            memory.stopping = False
        self._enter_stage(turn, self._needed_from(turn, 0, 1) or 0)

    def _end_run(self, cause: str) -> RunEnded | None:
        memory = self._memory
        if memory.run is None:
            return None
        if memory.trip is not None:
            outcome, reason = "tripped", f"{memory.trip.name}: {memory.trip.detail}"
        elif memory.stopping:
            outcome, reason = "stopped", memory.stop_reason
        else:
            outcome, reason = "complete", ""
        memory.last_end = outcome
        memory.run = None
        verified = "" if memory.weakest is None else memory.weakest.value
        return RunEnded(outcome, verified, reason or cause)

    def _enter_stage(self, turn: Turn, index: int) -> None:
        memory = turn.memory
        memory.stage = index
        memory.stage_since_ns = turn.now_ns
        # What a stage has waited for is forgotten with it; what an interlock sees, with its steps.
        memory.since_ns.clear()
        watching = {item.name for item in self._armed[memory.step]}
        for name in memory.watched_since_ns.keys() - watching:
            del memory.watched_since_ns[name]
        memory.reference_Pa = memory.reference_degC = None
        stage = self._stage()
        limit_s = stage.limit(turn)
        turn.emit(
            StageEntered(
                memory.step,
                stage.name,
                stage.waits_for,
                limit_s if math.isfinite(limit_s) else None,
            )
        )

    # ---- outputs ----------------------------------------------------------------------------

    def _outputs(self, turn: Turn) -> Outputs:
        memory = turn.memory
        outputs = clamp_down(outputs_of(self._stage().image, turn), turn)
        wrong = violations(outputs, memory, self._rig)
        if wrong:
            # Never reached unless table, stages and fall-back contradict each other.
            turn.contradicted = True
            self._trip(turn, "core_fault", "; ".join(wrong))
            outputs = clamp_down(outputs_of(SAFE, turn), turn)
        if self._watched:
            level = watchdog.pulse(turn, self._required[memory.step])
            outputs = replace(outputs, watchdog_on=level)
        if _differ(outputs, memory.outputs):
            turn.emit(
                OutputsChanged(
                    outputs.clamp.value,
                    outputs.supply_open,
                    outputs.isolation_open,
                    outputs.vent_open,
                    outputs.heater_on,
                    outputs.heater_setpoint_degC,
                    outputs.coolant_on,
                    outputs.film_setpoint_Pa,
                )
            )
        memory.outputs = outputs
        return outputs

    def _procedural(self) -> ProceduralState:
        memory = self._memory
        if memory.step is CycleStep.TRIPPED:
            return ProceduralState.ABORTING
        if memory.step in FAULT_STEPS:
            return ProceduralState.ABORTED
        if memory.step is CycleStep.IDLE:
            ends = {"complete": ProceduralState.COMPLETE, "stopped": ProceduralState.STOPPED}
            return ends.get(memory.last_end, ProceduralState.IDLE)
        stopping = memory.stopping or memory.run is None
        return ProceduralState.STOPPING if stopping else ProceduralState.RUNNING


def _hot(rig: Rig, seen: Estimate) -> bool:
    """Tell whether to show HOT: by the hottest of the good sensors, and where none is good."""
    found = [seen.readings[role] for role in rig.head_roles if role in seen.readings]
    heads_degC = [reading.value for reading in found if reading.good]
    return not heads_degC or max(heads_degC) >= COOL_ENOUGH_degC


def _differ(one: Outputs, other: Outputs) -> bool:
    """Compare two images without their expiry."""
    return (
        one.clamp is not other.clamp
        or one.supply_open != other.supply_open
        or one.isolation_open != other.isolation_open
        or one.vent_open != other.vent_open
        or one.heater_on != other.heater_on
        or one.heater_setpoint_degC != other.heater_setpoint_degC
        or one.coolant_on != other.coolant_on
        or one.film_setpoint_Pa != other.film_setpoint_Pa
    )
