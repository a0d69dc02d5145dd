"""What people and scripts ask for: accepted, or rejected with every reason; then acted upon.

A request is looked at once; one that comes again with the same id gets the same answer and does
nothing. Start, reset, release and every answer must come from the rig itself.
"""

from collections.abc import Callable

from sequencer.core import alarms, permissives, questions
from sequencer.core.evidence import clamp_still_full
from sequencer.core.memory import Exposure, Gap, Purpose, Run
from sequencer.core.outputs import pressure_seen
from sequencer.core.turn import Turn
from sequencer.core.waits import end_pause
from sequencer.events import Noted, PermissivesRead, RequestAnswered, RunStarted
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Means, Request, RequestKind
from sequencer.units import show_pressure

KEPT = 64
AT_RIG = (
    RequestKind.START,
    RequestKind.PURGE,
    RequestKind.RESET,
    RequestKind.RELEASE,
    RequestKind.ANSWER,
    RequestKind.MAINTENANCE,
    RequestKind.SHELVE,
)

Reasons = tuple[str, ...]
Moved = Callable[[str], None]


def take(turn: Turn, request: Request, fire: Moved, trip: Callable[[str, str], None]) -> None:
    """Judge a request, act on it, and say what became of it.

    ``fire`` moves the cycle by a trigger, ``trip`` latches a trip by name with a detail.
    """
    memory = turn.memory
    known = memory.requests_seen.get(request.request_id)
    if known is not None:
        _answer(turn, request, *known)
        return
    reasons = _reasons(turn, request)
    _answer(turn, request, *_kept(turn, request, reasons))
    if not reasons:
        _act(turn, request, fire, trip)


def drop(turn: Turn, request: Request, reason: str) -> None:
    """Reject a request unseen; it stays rejected if it comes again."""
    known = turn.memory.requests_seen.get(request.request_id)
    _answer(turn, request, *(known or _kept(turn, request, (reason,))))


def _kept(turn: Turn, request: Request, reasons: Reasons) -> tuple[bool, Reasons]:
    seen = turn.memory.requests_seen
    seen[request.request_id] = (not reasons, reasons)
    while len(seen) > KEPT:
        del seen[next(iter(seen))]
    return not reasons, reasons


def _answer(turn: Turn, request: Request, accepted: bool, reasons: Reasons) -> None:
    turn.emit(
        RequestAnswered(request.request_id, request.kind.value, request.actor, accepted, reasons)
    )


def _reasons(turn: Turn, request: Request) -> Reasons:
    if request.kind in AT_RIG and not request.at_rig:
        return (f"{request.kind.value} is taken from the rig itself only",)
    memory = turn.memory
    match request.kind:
        case RequestKind.START:
            return _permitted(turn, Purpose.CYCLE, request)
        case RequestKind.PURGE:
            return _permitted(turn, Purpose.PURGE, request)
        case RequestKind.STOP:
            return _stop_reasons(turn)
        case RequestKind.ABORT:
            running = memory.step is not CycleStep.IDLE and memory.step not in FAULT_STEPS
            return () if running else (f"nothing to abort in {memory.step.value}",)
        case RequestKind.PAUSE:
            if memory.step is not CycleStep.HOLDING:
                return ("only the dwell can be paused",)
            return ("paused already",) if memory.paused_since_ns is not None else ()
        case RequestKind.RESUME:
            return () if memory.paused_since_ns is not None else ("nothing is paused",)
        case RequestKind.ANSWER:
            why_not = questions.take_answer(turn, request.prompt_id, request.value, request.actor)
            return (why_not,) if why_not else ()
        case RequestKind.ACKNOWLEDGE:
            return ()
        case RequestKind.SHELVE:
            return alarms.shelving_refused(request.alarm, request.reason, request.for_s)
        case RequestKind.RESET:
            return _reset_reasons(turn)
        case RequestKind.RELEASE:
            return _release_reasons(turn)
        case RequestKind.MAINTENANCE:
            return _maintenance_reasons(turn, request)


def _permitted(turn: Turn, purpose: Purpose, request: Request) -> Reasons:
    recipe = request.recipe if purpose is Purpose.CYCLE else None
    found = permissives.permissives(turn, purpose, recipe)
    turn.emit(PermissivesRead(tuple(tuple(item) for item in found)))
    return permissives.unmet(found)


def _stop_reasons(turn: Turn) -> Reasons:
    step = turn.memory.step
    if step is CycleStep.IDLE:
        return ("nothing runs",)
    return (f"already past a stop, in {step.value}",) if step in FAULT_STEPS else ()


def _reset_reasons(turn: Turn) -> Reasons:
    memory = turn.memory
    doubted = memory.step is CycleStep.IDLE and memory.exposure is not Exposure.NO
    if memory.step not in (CycleStep.FAULTED, CycleStep.SAFE_CLAMPED) and not doubted:
        return (f"nothing to reset in {memory.step.value}",)
    return tuple(f"the cause is still there: {name}" for name in causes_standing(turn))


def causes_standing(turn: Turn) -> list[str]:
    """Return the latched causes that are still true."""
    standing = alarms.tripping_now(turn)
    if turn.rig.film_roles and pressure_seen(turn):
        standing.append("film pressure is seen or unknown")
    return standing


def _release_reasons(turn: Turn) -> Reasons:
    memory, seen = turn.memory, turn.seen
    if memory.step is not CycleStep.SAFE_CLAMPED:
        return (f"release is asked for from safe_clamped, not from {memory.step.value}",)
    reasons = [f"the cause is still there: {name}" for name in causes_standing(turn)]
    if memory.trip is not None:
        reasons.append("reset first")
    if memory.exposure is not Exposure.NO:
        reasons.append("the film is not proven bled")
    held = memory.fallback_clamp is Clamp.APPLY
    if turn.rig.isolated and memory.gap is not Gap.EMPTY and held and not clamp_still_full(turn):
        reasons.append("gas stands between the shut-offs; it is let off under a full clamp only")
    if turn.rig.has("guard_closed") and seen.guard_closed is not True:
        reasons.append("the guard is not shut")
    return tuple(reasons)


def _maintenance_reasons(turn: Turn, request: Request) -> Reasons:
    reasons = []
    if turn.memory.step is not CycleStep.VENT_UNCONFIRMED:
        reasons.append("a maintenance entry has its place in vent_unconfirmed only")
    if not request.person.strip():
        reasons.append("name the person who read the gauge")
    if len(request.reason.strip()) < 10:
        reasons.append("write down the reason")
    limit_Pa = turn.rig.limits.bled_Pa
    value = request.value
    if isinstance(value, (str, bool)) or value is None or not 0.0 <= value <= limit_Pa:
        reasons.append(f"the gauge must have been read, at or under {show_pressure(limit_Pa)}")
    return tuple(reasons)


def _act(turn: Turn, request: Request, fire: Moved, trip: Callable[[str, str], None]) -> None:
    memory = turn.memory
    match request.kind:
        case RequestKind.START | RequestKind.PURGE:
            cycle = request.kind is RequestKind.START
            begin_run(turn, request, Purpose.CYCLE if cycle else Purpose.PURGE)
            fire(request.kind.value)
        case RequestKind.STOP:
            memory.stopping = True
            memory.stop_reason = f"stop asked for by {request.actor}"
            memory.finish_cooling = request.finish_cooling
            fire("stop")
        case RequestKind.ABORT:
            trip("abort", f"asked for by {request.actor}")
        case RequestKind.PAUSE:
            memory.paused_since_ns = turn.now_ns
        case RequestKind.RESUME:
            end_pause(turn)
        case RequestKind.ACKNOWLEDGE:
            alarms.acknowledge(turn)
        case RequestKind.SHELVE:
            alarms.shelve(turn, request.alarm, request.reason, request.for_s, request.actor)
        case RequestKind.RESET:
            if memory.step is CycleStep.SAFE_CLAMPED:
                memory.trip = None
                alarms.clear_latched(turn)
            else:
                memory.reset_wanted = True
                fire("reset")
        case RequestKind.RELEASE:
            memory.release_wanted = True
        case RequestKind.MAINTENANCE:
            text = (
                f"maintenance entry by {request.person}: film gauge read "
                f"{show_pressure(float(request.value or 0.0))}; {request.reason}"
            )
            turn.emit(Noted(text))
            turn.proved("film_bled", Means.OPERATOR, text)
            memory.exposure = Exposure.NO
            memory.peaks_Pa = ()
            fire("maintained")
        case RequestKind.ANSWER:
            pass  # taken while it was judged


def begin_run(turn: Turn, request: Request, purpose: Purpose) -> None:
    """Put a run in hand, with nothing left over from the one before."""
    memory = turn.memory
    recipe = request.recipe if purpose is Purpose.CYCLE else None
    memory.run = Run(purpose, recipe, request.sample, request.actor, turn.now_ns)
    memory.weakest = None
    memory.last_end = ""
    memory.stopping = False
    memory.stop_reason = ""
    memory.finish_cooling = False
    memory.in_band_ns = memory.out_of_band_ns = memory.paused_ns = 0
    memory.paused_since_ns = None
    memory.cooled = False
    memory.supply_set_Pa = memory.leak_tested_ns = None
    memory.late_s = 0.0
    name = recipe.name if recipe is not None else "bleed lines"
    turn.emit(RunStarted(purpose.value, name, request.sample, request.actor))
