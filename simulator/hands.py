"""What a person does by hand for each prompt, and when within the time that it takes."""

from collections.abc import Callable
from typing import NamedTuple

from sequencer.model import Prompt
from sequencer.units import PSI_Pa
from simulator.bench import Bench
from simulator.gauges import Eyes

OPEN_SHARE = 0.1
"""Share of the stroke below which a clamp looks open."""
FIRST_TURN = 0.95
"""Share of the target for the regulator's first turn, so that it is reached from below."""

LINE_OPEN_Pa = 60.0 * PSI_Pa
"""What a backed-out regulator is screwed in to, to let a line empty through it."""

Deed = Callable[[Bench, Eyes, Prompt], None]


def looks_open(bench: Bench) -> bool:
    """Tell whether a person who looks at the clamp calls it open."""
    return bench.state.piston_m < OPEN_SHARE * bench.params.cylinder_stroke_m


def open_guard(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Open the guard; from now on nobody knows that the stack is in place."""
    bench.handle(bench.hands._replace(guard_closed=False, stack_in=False))


def change_stack(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Put stamp and foil in, if the clamp is open and lets them."""
    if looks_open(bench):
        bench.change_stack()
        bench.handle(bench.hands._replace(stack_in=True))


def shut_guard(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Take the hands out and shut the guard."""
    bench.handle(bench.hands._replace(guard_closed=True))


def set_controller(bench: Bench, _eyes: Eyes, prompt: Prompt) -> None:
    """Key the target into the temperature controller, to the whole degree."""
    if prompt.target is not None:
        bench.handle(bench.hands._replace(controller_degC=float(round(prompt.target))))


def turn_regulator(bench: Bench, eyes: Eyes, prompt: Prompt) -> None:
    """Turn the regulator most of the way, for a regulator that does not relieve."""
    _turn(bench, eyes, prompt, FIRST_TURN)


def trim_regulator(bench: Bench, eyes: Eyes, prompt: Prompt) -> None:
    """Turn the regulator by what its gauge still lacks."""
    _turn(bench, eyes, prompt, 1.0)


def shut_bottle(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Close the bottle valve."""
    bench.handle(bench.hands._replace(bottle_open=False))


def open_regulator(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Screw a backed-out regulator in, so that the gas before it can leave."""
    set_Pa = max(bench.hands.regulator_Pa, LINE_OPEN_Pa)
    bench.handle(bench.hands._replace(regulator_Pa=set_Pa))


def back_out_regulator(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Take the spring off the regulator."""
    bench.handle(bench.hands._replace(regulator_Pa=0.0))


def shut_air(bench: Bench, _eyes: Eyes, _prompt: Prompt) -> None:
    """Shut the house air."""
    bench.handle(bench.hands._replace(air_open=False))


def _turn(bench: Bench, eyes: Eyes, prompt: Prompt, share: float) -> None:
    shown_Pa = eyes.read("regulator", bench.state)
    if shown_Pa is None or prompt.target is None:
        return
    if abs(prompt.target - shown_Pa) <= eyes.division("regulator"):
        return
    set_Pa = bench.hands.regulator_Pa + share * prompt.target - shown_Pa
    bench.handle(bench.hands._replace(regulator_Pa=max(0.0, set_Pa)))


class Task(NamedTuple):
    """How a prompt is met: deeds at shares of the time it takes, then the answer.

    ``hands_on`` tasks take the person's handling time, the others the delay of reading and saying.
    """

    deeds: tuple[tuple[float, Deed], ...] = ()
    hands_on: bool = False


LOOK = Task()
TASKS = {
    "head_setpoint": Task(((0.5, set_controller),)),
    "head_gauge": LOOK,
    "sample_in": Task(((0.1, open_guard), (0.5, change_stack), (0.9, shut_guard)), hands_on=True),
    "supply_gauge": Task(
        ((0.1, turn_regulator), (0.4, trim_regulator), (0.6, trim_regulator)), hands_on=True
    ),
    "hands_clear": Task(((0.5, shut_guard),)),
    "clamp_gauge": LOOK,
    "film_gauge": LOOK,
    "film_empty": LOOK,
    "flow_ceased": LOOK,
    "still_at_pressure": LOOK,
    "clamp_open": LOOK,
    "bottle_gauge": LOOK,
    "cooling_late": LOOK,
    "hot_release": LOOK,
    "blank_in": Task(((0.9, shut_guard),), hands_on=True),
    "bottle_shut": Task(((0.5, shut_bottle), (0.9, open_regulator))),
    "gauges_zero": LOOK,
    "regulator_out": Task(((0.8, back_out_regulator),)),
    "air_shut": Task(((0.8, shut_air),)),
    "air_gauge": LOOK,
}
