"""The cases: numbered, each made from its number and the seed alone, and followed to its end.

A single is a number in the table injectors x steps x instants x durations. Pairs and triples, crash
points and clean runs are drawn or counted by their own numbers.
"""

from collections.abc import Callable
from random import Random
from typing import NamedTuple

from benchmarks.campaign.injectors import INJECTORS, Injector
from benchmarks.campaign.judge import TRUE_RULES, Broken
from benchmarks.campaign.places import INSTANTS, STEPS, places, until
from benchmarks.campaign.world import QUICK, World, rig
from sequencer.core.step import Sequencer
from sequencer.events import AlarmChanged, RunEnded, RunStarted, Step
from sequencer.model import CycleStep, RequestKind
from sequencer.units import ns

TICK_s = 0.02
DURATIONS = ("one scan", "just under", "just over", "for ever")
KINDS = ("single", "pair", "triple", "crash", "clean")
RESTS = (CycleStep.SAFE_CLAMPED, CycleStep.VENT_UNCONFIRMED, CycleStep.FAULTED)
LONGEST_s = 90.0
STANDS_s = 1.0
LED_OUT_s = 4.0  # in the fault steps a request to lead out still comes
QUIET_s = 6.0
"""How long a fault that has passed without a word is followed on; every tenth one to the end."""
WHOLE_EVERY, REPLAY_EVERY = 10, 50
SECOND_WITHIN_s = 3.0


class Case(NamedTuple):
    """A case by its kind and number."""

    kind: str
    number: int


class Verdict(NamedTuple):
    """What became of a case; ``classed`` is ok, hardware, together or violation."""

    case: Case
    place: tuple[str, str]
    injectors: tuple[str, ...]
    durations: tuple[str, ...]
    rests: str
    first_out: str
    alarms: int
    broken: tuple[Broken, ...]
    classed: str
    simulated_s: float
    replayed: bool


class Injected(NamedTuple):
    """An injector, when after the place, and for how long; None for ever."""

    injector: Injector
    after_s: float
    for_s: float | None
    duration: str


def single(number: int, seed: int, *, compiled: bool) -> tuple[tuple[str, str], Injected] | None:
    """Return what a number means, None where the step has no such instant."""
    number, duration = divmod(number, len(DURATIONS))
    number, instant = divmod(number, len(INSTANTS))
    which, step = divmod(number, len(STEPS))
    if (STEPS[step], INSTANTS[instant]) not in places(seed, compiled).worlds:
        return None
    return (STEPS[step], INSTANTS[instant]), _injected(INJECTORS[which], duration, 0.0)


def singles() -> int:
    """Return how many numbers there are."""
    return len(INJECTORS) * len(STEPS) * len(INSTANTS) * len(DURATIONS)


def _injected(injector: Injector, duration: int, after_s: float) -> Injected:
    seen_s = injector.seen_s
    for_s = (TICK_s, max(TICK_s, seen_s - TICK_s), seen_s + 2 * TICK_s, None)[duration]
    return Injected(injector, after_s, for_s, DURATIONS[duration])


def several(
    case: Case, seed: int, *, compiled: bool
) -> tuple[tuple[str, str], tuple[Injected, ...]]:
    """Draw a pair or a triple: where, which, the others up to some seconds after the first."""
    rng = Random(f"{seed} {case.kind} {case.number}")
    place = rng.choice(sorted(places(seed, compiled).worlds))
    count = 2 if case.kind == "pair" else 3
    chosen = rng.sample(INJECTORS, count)
    after_s = [0.0, *(round(rng.uniform(0.0, SECOND_WITHIN_s), 2) for _ in chosen[1:])]
    return place, tuple(
        _injected(injector, rng.randrange(len(DURATIONS)), at_s)
        for injector, at_s in zip(chosen, after_s, strict=True)
    )


def run_case(
    case: Case, seed: int, *, compiled: bool, tell: Callable[[World], None] | None = None
) -> Verdict | None:
    """Run a case; None where its number means nothing. ``tell`` gets the world afterwards."""
    if case.kind == "clean":
        return _clean(case, seed, compiled=compiled, tell=tell)
    if case.kind == "crash":
        return _crash(case, seed, compiled=compiled, tell=tell)
    if case.kind == "single":
        found = single(case.number, seed, compiled=compiled)
        if found is None:
            return None
        place, injected = found[0], (found[1],)
    else:
        place, injected = several(case, seed, compiled=compiled)
    world = places(seed, compiled).worlds[place].copied()
    snapshot = world.sequencer.snapshot()
    replayed = tell is not None or case.number % REPLAY_EVERY == 0
    world.judge.scans = [] if replayed else None
    for item in injected:
        world.strike(item.injector, item.after_s, item.for_s)
    begun_ns = world.clock.now_ns()
    step, trouble = _followed(world, case, injected)
    if replayed and not trouble:
        trouble = _replayed(world, snapshot)
    if tell is not None:
        tell(world)
    return _verdict(case, world, place, injected, step, trouble, begun_ns, replayed)


def _followed(world: World, case: Case, injected: tuple[Injected, ...]) -> tuple[Step | None, str]:
    """Turn until the world rests, or a fault that has passed was of no account."""
    begun_ns = world.clock.now_ns()
    over_s = [None if item.for_s is None else item.after_s + item.for_s for item in injected]
    passes_s = max((0.0 if at is None else at for at in over_s), default=0.0)
    lasting = None in over_s or case.kind != "single" or case.number % WHOLE_EVERY == 0
    since_ns, was = begun_ns, None
    at_first = world.sequencer.snapshot().step
    stands_s = LED_OUT_s if at_first in RESTS else STANDS_s
    step: Step | None = None
    try:
        while (now_ns := world.clock.now_ns()) - begun_ns < ns(LONGEST_s):
            step = world.loop.turn()
            if step.step is not was:
                was, since_ns = step.step, now_ns
            stood_s = (now_ns - since_ns) * 1e-9
            gone_s = (now_ns - begun_ns) * 1e-9
            if gone_s < passes_s + STANDS_s:
                continue
            led_out = step.step is CycleStep.FAULTED and step.stage != "rest"
            if step.step in (*RESTS, CycleStep.IDLE) and stood_s > stands_s and not led_out:
                break
            if not lasting and not world.judge.alarms and gone_s > passes_s + QUIET_s:
                break
    except Exception as error:  # that nothing is raised is what is looked at
        return step, f"{type(error).__name__}: {error}"
    return step, "; ".join(world.loop.sink_faults)


def _replayed(world: World, snapshot: object) -> str:
    """Feed the recorded inputs through the core once more; return the first difference."""
    core = Sequencer(world.rig)
    core.restore(snapshot)  # type: ignore[arg-type]
    for now_ns, inputs, step in world.judge.scans or ():
        if core.step(now_ns, inputs) != step:
            return f"replay differs at {now_ns / 1e9:.2f} s"
    return ""


def _verdict(
    case: Case,
    world: World,
    place: tuple[str, str],
    injected: tuple[Injected, ...],
    step: Step | None,
    trouble: str,
    begun_ns: int,
    replayed: bool,
) -> Verdict:
    broken = list(world.judge.broken)
    now_ns = world.clock.now_ns()
    rests = "" if step is None else step.step.value
    if trouble:
        broken.append(Broken("raised", now_ns, rests, "", trouble))
    may_last = (*RESTS, CycleStep.IDLE, CycleStep.HEATING, CycleStep.COOLING)
    if step is not None and now_ns - begun_ns >= ns(LONGEST_s) and step.step not in may_last:
        broken.append(Broken("no_end", now_ns, rests, step.stage, "still under way"))
    return Verdict(
        case,
        place,
        tuple(item.injector.name for item in injected),
        tuple(item.duration for item in injected),
        rests,
        world.judge.first_out,
        world.judge.alarms,
        tuple(broken),
        _classed(broken, injected),
        (now_ns - begun_ns) * 1e-9,
        replayed,
    )


def _classed(broken: list[Broken], injected: tuple[Injected, ...]) -> str:
    rules = {item.rule for item in broken}
    if not rules:
        return "ok"
    if rules - set(TRUE_RULES):
        return "violation"
    if rules <= {rule for item in injected for rule in item.injector.hardware}:
        return "hardware"
    return "together" if len(injected) > 1 else "violation"


def _crash(
    case: Case, seed: int, *, compiled: bool, tell: Callable[[World], None] | None
) -> Verdict:
    """Kill the program after a scan of the cycle and begin it again a second later."""
    world = until("cycle", seed, case.number, compiled=compiled)
    died_in = world.sequencer.snapshot().step.value
    return _restarted(case, world, died_in, tell)


def crash_all(seed: int, *, compiled: bool, every: int) -> list[Verdict]:
    """Crash at every so-manieth scan of the cycle, in one go over it."""
    from benchmarks.campaign.places import turns

    found = []
    for number, (world, step) in enumerate(turns("cycle", seed, compiled=compiled)):
        if number % every == 0:
            copy = world.copied()
            found.append(_restarted(Case("crash", number), copy, step.step.value, None))
    return found


def _restarted(
    case: Case, world: World, died_in: str, tell: Callable[[World], None] | None
) -> Verdict:
    begun_ns = world.clock.now_ns()
    judge = world.judge
    judge.broken, judge.events, judge.alarms, judge.first_out = [], [], 0, ""
    world.clock.sleep_until(begun_ns + ns(1.0))
    world.restarted()
    step, trouble = None, ""
    try:
        step = world.turn_until(lambda _step: False, 0.5)
        world.ask(RequestKind.RESET)
        step = world.turn_until(lambda turned: turned.step is CycleStep.IDLE, 12.0)
    except Exception as error:  # that nothing is raised is what is looked at
        trouble = f"{type(error).__name__}: {error}"
    now_ns = world.clock.now_ns()
    if any(isinstance(event, RunStarted) for _, event in judge.events):
        judge.broken.append(Broken("automatic_restart", now_ns, "", "", "a run was resumed"))
    if step is not None and step.step not in (*RESTS, CycleStep.IDLE):
        judge.broken.append(Broken("resumed", now_ns, step.step.value, step.stage, "not at rest"))
    still = world.truth.film_Pa > world.rig.limits.bled_Pa
    if step is not None and step.step is CycleStep.IDLE and still:
        judge.broken.append(Broken("idle_on_pressure", now_ns, "idle", "", "film not bled"))
    if tell is not None:
        tell(world)
    return _verdict(case, world, (died_in, "crash"), (), step, trouble, begun_ns, replayed=False)


def _clean(
    case: Case, seed: int, *, compiled: bool, tell: Callable[[World], None] | None
) -> Verdict:
    """Run a whole cycle without any fault, of its own seed: not one alarm may come."""
    own_seed = Random(f"{seed} clean {case.number}").randrange(1 << 31)
    world = World(rig(), own_seed, compiled=compiled, options=QUICK)
    world.ask(RequestKind.RESET)
    step, trouble, ended = None, "", ""
    try:
        world.turn_until(lambda turned: turned.step is CycleStep.IDLE, 60.0)
        world.ask(RequestKind.START)
        world.loop.turn()
        step = world.turn_until(lambda turned: turned.step in (CycleStep.IDLE, *RESTS), 150.0)
    except Exception as error:  # that nothing is raised is what is looked at
        trouble = f"{type(error).__name__}: {error}"
    now_ns = world.clock.now_ns()
    for _, event in world.judge.events:
        if isinstance(event, RunEnded):
            ended = event.outcome
    raised = [
        event.name
        for _, event in world.judge.events
        if isinstance(event, AlarmChanged) and event.change == "raised"
    ]
    if ended != "complete" or raised:
        what = f"{ended or 'did not start'}: {', '.join(raised)}"
        world.judge.broken.append(Broken("nuisance", now_ns, "", "", what))
    if tell is not None:
        tell(world)
    return _verdict(case, world, ("", "clean"), (), step, trouble, 0, replayed=False)
