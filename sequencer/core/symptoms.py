"""What the interlocks look for: each function returns the words to show, empty where all is well.

Unknown values never pass as good where an interlock asks for certainty; where it asks only whether
a limit is passed, unknown is the business of the interlock that watches the sensor.
"""

from sequencer.core.estimate import films_disagree
from sequencer.core.turn import Turn
from sequencer.model import Clamp, CycleStep
from sequencer.physics.flow import ZERO_CELSIUS_K
from sequencer.units import ATMOSPHERE_abs_Pa, ns, show_pressure

LEAK_WINDOW_s = 2.5
SHUT_SETTLES_s = 0.5
"""Travel of a valve, and the gas coming to rest behind it."""
FED_SETTLES_s = 10.0
"""How long gas that was let on in one go takes to the head's temperature."""
FILM_HIGH_HIGH = 1.1  # times the target
FILM_LOST = 0.7  # of the target, once it has been reached


def chain(turn: Turn) -> str:
    """The stop chain."""
    return "the stop chain is open" if turn.seen.chain_ok is not True else ""


def logic(turn: Turn) -> str:
    """The 24 V supply."""
    return "the 24 V logic supply is not good" if turn.seen.logic_ok is not True else ""


def guard(turn: Turn) -> str:
    """The guard, from the moment the clamp may move."""
    if turn.in_step(CycleStep.PURGING) and turn.memory.outputs.clamp is Clamp.LEAVE:
        return ""
    return "the guard is not shut" if turn.seen.guard_closed is not True else ""


def _margin_below(turn: Turn, limit: float) -> str:
    margin = turn.seen.clamp_margin
    if margin is None or margin >= limit:
        return ""
    return f"clamp margin {margin:.2f}, at least {limit:.2f} wanted"


def margin_trip(turn: Turn) -> str:
    """Clamp force short of the need."""
    return _margin_below(turn, turn.rig.limits.clamp_trip)


def margin_warn(turn: Turn) -> str:
    """Clamp force near the need."""
    return _margin_below(turn, turn.rig.limits.clamp_warn * (1.0 + turn.dead_band))


def air(turn: Turn) -> str:
    """House air."""
    air_Pa, limit_Pa = turn.seen.air_Pa, turn.rig.limits.air_pressure_Pa
    if air_Pa is None or air_Pa >= limit_Pa:
        return ""
    return f"house air {show_pressure(air_Pa)}, at least {show_pressure(limit_Pa)} wanted"


def bad(turn: Turn, roles: tuple[str, ...]) -> str:
    """Readings of these roles that are not good."""
    found = [
        f"{role}: {reading.reason or 'uncertain'}"
        for role in roles
        if (reading := turn.seen.readings.get(role)) is not None and not reading.good
    ]
    return "; ".join(found)


def film_bad(turn: Turn) -> str:
    """Film readings that cannot be believed."""
    if turn.seen.film_known:
        return ""
    return bad(turn, turn.rig.film_roles)


def clamp_bad(turn: Turn) -> str:
    """Clamp readings that cannot be believed."""
    return bad(turn, ("clamp_pressure", "clamp_closed"))


def supply_bad(turn: Turn) -> str:
    """A supply reading that cannot be believed."""
    return bad(turn, ("supply_pressure",))


def films_apart(turn: Turn) -> str:
    """Twin film sensors against each other."""
    if turn.seen.film_known or not films_disagree(turn.rig, turn.seen.readings):
        return ""
    values = [show_pressure(turn.seen.readings[r].value) for r in turn.rig.film_roles]
    return f"the film sensors read {' and '.join(values)}"


def unexpected(turn: Turn) -> str:
    """Film pressure where none belongs."""
    under_clamp = turn.under_clamp() and turn.memory.clamp_found == "closed"
    if turn.in_step(CycleStep.PURGING) and under_clamp:
        return ""  # it belongs there, not into the strokes that empty the air line
    film_Pa, limit_Pa = turn.seen.film_Pa, turn.rig.limits.bled_Pa
    if film_Pa is None or film_Pa <= limit_Pa:
        return ""
    return f"film {show_pressure(film_Pa)} where it should be empty"


def _target_Pa(turn: Turn) -> float:
    run = turn.memory.run
    if run is None or run.recipe is None:
        return turn.rig.limits.film_pressure_Pa  # a line that is emptied has no other
    return run.recipe.imprint.film_pressure_Pa


def film_over(turn: Turn) -> str:
    """Film pressure above the recipe."""
    film_Pa = turn.seen.film_Pa
    limit_Pa = _target_Pa(turn) + turn.rig.limits.film_over_Pa
    if film_Pa is None or film_Pa <= limit_Pa:
        return ""
    return f"film {show_pressure(film_Pa)}, at most {show_pressure(limit_Pa)} wanted"


def film_high_high(turn: Turn) -> str:
    """Film pressure far above the recipe."""
    film_Pa, limits = turn.seen.film_Pa, turn.rig.limits
    target_Pa = _target_Pa(turn)
    limit_Pa = max(FILM_HIGH_HIGH * target_Pa, target_Pa + 1.5 * limits.film_over_Pa)
    limit_Pa = min(limit_Pa, max(limits.relief_Pa, target_Pa))
    if film_Pa is None or film_Pa <= limit_Pa:
        return ""
    return f"film {show_pressure(film_Pa)}, far above {show_pressure(target_Pa)}"


def film_lost(turn: Turn) -> str:
    """Film pressure gone in the dwell."""
    film_Pa, target_Pa = turn.seen.film_Pa, _target_Pa(turn)
    if film_Pa is None or film_Pa >= FILM_LOST * target_Pa:
        return ""
    return f"film fell to {show_pressure(film_Pa)} of {show_pressure(target_Pa)}"


def out_of_band(turn: Turn) -> str:
    """Time out of band in the dwell."""
    out_s, limit_s = turn.memory.out_of_band_ns / 1e9, turn.rig.limits.out_of_band_s
    return f"{out_s:.0f} s of the dwell out of band" if out_s > limit_s else ""


def supply_off(turn: Turn) -> str:
    """Supply pressure off its setting."""
    supply_Pa, target_Pa = turn.seen.supply_Pa, _target_Pa(turn)
    band_Pa = turn.rig.limits.supply_band_Pa * (1.0 - turn.dead_band)
    if supply_Pa is None or abs(supply_Pa - target_Pa) <= band_Pa:
        return ""
    return f"supply {show_pressure(supply_Pa)}, set to {show_pressure(target_Pa)}"


def creep(turn: Turn) -> str:
    """Supply pressure rising above what the regulator gave when it was proven set."""
    supply_Pa, set_Pa = turn.seen.supply_Pa, turn.memory.supply_set_Pa
    if supply_Pa is None or set_Pa is None:
        return ""
    rise_Pa = supply_Pa - set_Pa
    if rise_Pa <= turn.rig.limits.supply_creep_Pa:
        return ""
    return f"supply crept up by {show_pressure(rise_Pa)} from {show_pressure(set_Pa)}"


def leak(turn: Turn) -> str:
    """A film that is shut in loses pressure, beyond what a cooling head explains.

    Gas that is shut in keeps p/T; so the rate is taken at one temperature, the head's.
    """
    memory, seen = turn.memory, turn.seen
    outputs, windows = memory.outputs, memory.windows
    shut_in = not outputs.supply_open and not outputs.vent_open and turn.under_clamp()
    film_Pa = seen.film_Pa if seen.film_known else None
    if not shut_in or film_Pa is None:
        windows.pop("leak", None)
        return ""
    known_head = seen.head_known and seen.head_degC is not None
    gas_K = ZERO_CELSIUS_K + (seen.head_degC or 0.0) if known_head else 1.0
    content = (film_Pa + ATMOSPHERE_abs_Pa) / gas_K
    known = windows.get("leak")
    if known is None or turn.now_ns < known[0]:
        settles_s = SHUT_SETTLES_s if turn.rig.hold == "fed" else FED_SETTLES_s
        windows["leak"] = (turn.now_ns + ns(settles_s) if known is None else known[0], content)
        return ""
    window_s = (turn.now_ns - known[0]) / 1e9
    if window_s < LEAK_WINDOW_s:
        return ""
    windows["leak"] = (turn.now_ns, content)
    rate_Pa_per_s = (known[1] - content) * gas_K / window_s
    if rate_Pa_per_s <= turn.rig.limits.leak_Pa_per_s:
        return ""
    return f"film lost {show_pressure(rate_Pa_per_s * window_s)} in {window_s:.1f} s, shut in"


def bottle_falls(turn: Turn) -> str:
    """A bottle that falls while nothing but a leak takes gas: the coarse look at a fed film."""
    bottle_Pa, windows = turn.seen.bottle_Pa, turn.memory.windows
    if bottle_Pa is None:
        return ""
    began_Pa = windows.setdefault("bottle", (turn.now_ns, bottle_Pa))[1]
    if began_Pa - bottle_Pa <= turn.rig.limits.bottle_fall_Pa:
        return ""
    return f"bottle fell by {show_pressure(began_Pa - bottle_Pa)} while the film was held"


def bottle(turn: Turn) -> str:
    """The bottle near its end."""
    bottle_Pa, limit_Pa = turn.seen.bottle_Pa, turn.rig.limits.bottle_change_out_Pa
    if bottle_Pa is None or bottle_Pa >= limit_Pa * (1.0 + turn.dead_band):
        return ""
    return f"bottle {show_pressure(bottle_Pa)}, changed out at {show_pressure(limit_Pa)}"


def raised(_turn: Turn) -> str:
    """Never true by itself: the stage machine or a person raises these by name."""
    return ""
