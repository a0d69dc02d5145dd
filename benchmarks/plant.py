"""The plant against a general integrator on the very same right-hand side: cost and error.

A dry-run is listened to: which actuation held for how long, and in which steps the plant was
carried. The same course is then run again by each method, and by LSODA at a hundredth of a
millionth of its usual error as the reference.
"""

import importlib.util
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.integrate import solve_ivp

from benchmarks.cycle import bench, run
from benchmarks.timing import Took, median_s, tell, times
from sequencer.runtime.loop import LONG_TICK_ns
from simulator.compiled import Advance, load_advance
from simulator.plant import advance, derivatives
from simulator.values import Actuation, PlantParams, PlantState

REPEATS = 5
RTOL, REFERENCE_RTOL = 1e-6, 1e-10
FED_s = 10.0
"""How long after the film is fed its rise still counts as gas moving."""

Edit = dict[str, float]
SCALES = PlantState._make(
    {"kg": 1e-3, "Pa": 1e5, "degC": 100.0, "m": 0.05, "W": 500.0, "percent": 100.0}.get(
        name.rsplit("_", 1)[-1], 1.0
    )
    for name in PlantState._fields
)


class Leg(NamedTuple):
    """A part of the course: what hands changed before it, what held, and the ticks it took."""

    edit: Edit
    params: PlantParams
    actuation: Actuation
    ticks_s: tuple[float, ...]


class Course(NamedTuple):
    """Where it begins, and its legs."""

    start: PlantState
    legs: tuple[Leg, ...]

    @property
    def duration_s(self) -> float:
        """Time from the first leg to the last."""
        return sum(sum(leg.ticks_s) for leg in self.legs)


Method = Callable[[PlantState, Leg], list[PlantState]]
"""Carries a state through a leg and gives it after every tick."""


def main() -> None:
    """Measure and tell."""
    whole = listened()
    for name, courses in (
        ("The gas part: clamp to dwell, vent to open", gas_parts(whole)),
        ("The whole cycle", [whole]),
    ):
        _compare(name, courses)


def listened() -> Course:
    """Run a dry-run as the command does and return what its plant went through."""
    ready = bench(long_tick_ns=LONG_TICK_ns)
    plant = ready.driver.bench()
    start = latest = plant.state
    legs: list[tuple[Edit, PlantParams, Actuation, list[float]]] = []

    def listening(
        state: PlantState, params: PlantParams, actuation: Actuation, duration_s: float
    ) -> PlantState:
        nonlocal latest
        edit = {
            name: new
            for name, new, old in zip(PlantState._fields, state, latest, strict=True)
            if new != old
        }
        same = legs and not edit and legs[-1][1:3] == (params, actuation)
        if not same:
            legs.append((edit, params, actuation, []))
        legs[-1][3].append(duration_s)
        latest = advance(state, params, actuation, duration_s)
        return latest

    plant._advance = listening
    run(ready)
    return Course(start, tuple(Leg(edit, p, a, tuple(ticks)) for edit, p, a, ticks in legs))


def gas_parts(course: Course) -> list[Course]:
    """Return the parts under clamp but for the long wait on a film that is fed."""
    parts: list[Course] = []
    state, legs, begin = course.start, [], course.start
    for leg in course.legs:
        told = leg.actuation
        fed = told.supply == told.isolation == 1.0 and told.vent == 0.0
        moving = told.clamp_apply == 1.0 or bool(legs)
        head, tail = _split(leg, FED_s) if fed else (leg, None)
        if moving:
            if not legs:
                begin = state
            legs.append(head)
        if tail is not None and legs:
            parts.append(Course(begin, tuple(legs)))
            legs = []
        state = ours(advance)(state, leg)[-1]
    return [*parts, Course(begin, tuple(legs))] if legs else parts


def _split(leg: Leg, at_s: float) -> tuple[Leg, Leg | None]:
    gone_s = 0.0
    for count, tick_s in enumerate(leg.ticks_s):
        if gone_s >= at_s:
            rest = leg._replace(edit={}, ticks_s=leg.ticks_s[count:])
            return leg._replace(ticks_s=leg.ticks_s[:count]), rest
        gone_s += tick_s
    return leg, None


def ours(carry: Advance) -> Method:
    """Carry it as the simulated rig does, tick by tick."""

    def through(state: PlantState, leg: Leg) -> list[PlantState]:
        passed = []
        for tick_s in leg.ticks_s:
            state = carry(state, leg.params, leg.actuation, tick_s)
            passed.append(state)
        return passed

    return through


def lsoda(rtol: float, *, every_tick: bool) -> Method:
    """Carry it by LSODA; asked for every tick's state or, cheaper, only for the leg's end."""

    def through(state: PlantState, leg: Leg) -> list[PlantState]:
        params, actuation = leg.params, leg.actuation
        at_s = np.cumsum(leg.ticks_s)

        def rates(_: float, values: np.ndarray) -> PlantState:
            # Plain floats: arithmetic with those of numpy would cost LSODA more than the plant.
            return derivatives(PlantState._make(values.tolist()), params, actuation)

        found = solve_ivp(
            rates,
            (0.0, at_s[-1]),
            state,
            "LSODA",
            t_eval=at_s if every_tick else at_s[-1:],
            rtol=rtol,
            atol=rtol * np.array(SCALES),
        )
        if not found.success:
            raise RuntimeError(found.message)
        return [PlantState._make(values) for values in found.y.T.tolist()]

    return through


def carried(course: Course, method: Method) -> list[PlantState]:
    """Return the states that a method passes through."""
    state, passed = course.start, []
    for leg in course.legs:
        passed += method(state._replace(**leg.edit), leg)
        state = passed[-1]
    return passed


def _compare(title: str, courses: Sequence[Course]) -> None:
    def cost(method: Method) -> Took:
        carried(courses[0], method)  # what is done for the first time is not measured
        return median_s(lambda: [carried(course, method) for course in courses], REPEATS)

    def states(method: Method) -> list[PlantState]:
        return [state for course in courses for state in carried(course, method)]

    reference = states(lsoda(REFERENCE_RTOL, every_tick=True))
    general = cost(lsoda(RTOL, every_tick=False))
    rows = [
        (
            f"LSODA, rtol {RTOL:g}, ends of legs only",
            "1 x",
            f"{general.cpu_s * 1e3:.0f} ms",
            *_errors(states(lsoda(RTOL, every_tick=True)), reference),
        )
    ]
    carriers = [("this plant, interpreted", advance)]
    if importlib.util.find_spec("numba") is not None:
        compiled = load_advance(True)
        carriers.append(("this plant, compiled", compiled))
    for name, carry in carriers:
        spent = cost(ours(carry))
        rows.append(
            (
                f"{name}, a state every tick",
                times(general.cpu_s / spent.cpu_s),
                f"{spent.cpu_s * 1e3:.0f} ms",
                *_errors(states(ours(carry)), reference),
            )
        )
    ticks = sum(len(leg.ticks_s) for course in courses for leg in course.legs)
    seconds = sum(course.duration_s for course in courses)
    tell(
        f"Plant. {title} ({seconds:.0f} s, {ticks} ticks)",
        ("method", "faster", "processor", "film", "cylinder", "head", "dose"),
        rows,
        f"Errors: the largest at any tick against LSODA at rtol {REFERENCE_RTOL:g}; head in K, the "
        "others as a share of their largest. "
        "LSODA's cost is without the states between, its error with them. "
        f"Medians of {REPEATS}; compile time left out.",
    )


def _errors(found: Sequence[PlantState], reference: Sequence[PlantState]) -> tuple[str, ...]:
    pairs = list(zip(found, reference, strict=True))
    film_Pa = max(abs(one.film_Pa - true.film_Pa) for one, true in pairs)
    air_Pa = max(abs(one.cylinder_Pa - true.cylinder_Pa) for one, true in pairs)
    head_K = max(abs(one.head_degC - true.head_degC) for one, true in pairs)
    dose = max(abs(one.dose - true.dose) for one, true in pairs)
    return (
        f"{film_Pa / max(true.film_Pa for true in reference):.1e}",
        f"{air_Pa / max(true.cylinder_Pa for true in reference):.1e}",
        f"{head_K:.1e}",
        f"{dose / max(true.dose for true in reference):.1e}",
    )
