"""What the interlocks look for: each function returns the words to show, empty where all is well.

Unknown values never pass as good where an interlock asks for certainty; where it asks only whether
a limit is passed, unknown is the business of the interlock that watches the sensor.
"""

from sequencer.core.estimate import films_disagree, heads_disagree
from sequencer.core.turn import Turn
from sequencer.model import Clamp, CycleStep
from sequencer.units import show_pressure, show_temperature
from sequencer.wiring import channel_values

OVERRUN_ns = 150_000_000
CLOCK_GAP_ns = 500_000_000
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
    return _margin_below(turn, turn.rig.limits.clamp_warn)


def air(turn: Turn) -> str:
    """House air."""
    air_Pa, limit_Pa = turn.seen.air_Pa, turn.rig.limits.air_pressure_Pa
    if air_Pa is None or air_Pa >= limit_Pa:
        return ""
    return f"house air {show_pressure(air_Pa)}, at least {show_pressure(limit_Pa)} wanted"


def _bad(turn: Turn, roles: tuple[str, ...]) -> str:
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
    return _bad(turn, turn.rig.film_roles)


def clamp_bad(turn: Turn) -> str:
    """Clamp readings that cannot be believed."""
    return _bad(turn, ("clamp_pressure", "clamp_closed"))


def head_bad(turn: Turn) -> str:
    """Head readings that cannot be believed."""
    if turn.seen.head_known:
        return ""
    return _bad(turn, turn.rig.head_roles)


def supply_bad(turn: Turn) -> str:
    """A supply reading that cannot be believed."""
    return _bad(turn, ("supply_pressure",))


def films_apart(turn: Turn) -> str:
    """Twin film sensors against each other."""
    if turn.seen.film_known or not films_disagree(turn.rig, turn.seen.readings):
        return ""
    values = [show_pressure(turn.seen.readings[r].value) for r in turn.rig.film_roles]
    return f"the film sensors read {' and '.join(values)}"


def heads_apart(turn: Turn) -> str:
    """Twin head sensors against each other."""
    if turn.seen.head_known or not heads_disagree(turn.rig, turn.seen.readings):
        return ""
    one, other = (turn.seen.readings[role].value for role in turn.rig.head_roles)
    return f"the head sensors differ by {abs(one - other):.1f} K"


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
    band_Pa = turn.rig.limits.supply_band_Pa
    if supply_Pa is None or abs(supply_Pa - target_Pa) <= band_Pa:
        return ""
    return f"supply {show_pressure(supply_Pa)}, set to {show_pressure(target_Pa)}"


def head_over(turn: Turn) -> str:
    """The head above its set-point."""
    head_degC = _hottest_degC(turn)
    run = turn.memory.run
    if head_degC is None or run is None or run.recipe is None:
        return ""
    limit_degC = run.recipe.imprint.temperature_degC + turn.rig.limits.head_over_K
    return _hot_words(head_degC, limit_degC)


def head_limit(turn: Turn) -> str:
    """The head above the rig's limit."""
    head_degC = _hottest_degC(turn)
    return "" if head_degC is None else _hot_words(head_degC, turn.rig.limits.head_temperature_degC)


def _hot_words(head_degC: float, limit_degC: float) -> str:
    if head_degC <= limit_degC:
        return ""
    return f"head {show_temperature(head_degC)}, at most {show_temperature(limit_degC)} allowed"


def _hottest_degC(turn: Turn) -> float | None:
    seen = turn.seen
    if not seen.head_known:
        found = [seen.readings[role] for role in turn.rig.head_roles]
        return max((item.value for item in found if item.good), default=None)
    other = seen.readings.get("head_temperature_2")
    head_degC = seen.head_degC
    return head_degC if other is None or head_degC is None else max(head_degC, other.value)


def no_gain(turn: Turn) -> str:
    """Require a minimum gain of temperature per window while the head is below its band."""
    memory, limits, head_degC = turn.memory, turn.rig.limits, turn.seen.head_degC
    if not memory.outputs.heater_on or head_degC is None or memory.run is None:
        return ""
    near_degC = turn.recipe.imprint.temperature_degC - 3.0 * limits.head_band_K
    if head_degC >= near_degC:
        memory.reference_degC = None
        memory.since_ns.pop("gain", None)
        return ""
    started_ns = memory.since_ns.setdefault("gain", turn.now_ns)
    if memory.reference_degC is None:
        memory.reference_degC = head_degC
    if turn.now_ns - started_ns < limits.head_gain_window_s * 1e9:
        return ""
    gain_K = head_degC - memory.reference_degC
    memory.since_ns["gain"] = turn.now_ns
    memory.reference_degC = head_degC
    if gain_K >= limits.head_gain_K:
        return ""
    return (
        f"head gained {gain_K:.1f} K in {limits.head_gain_window_s:.0f} s at heat, at least "
        f"{limits.head_gain_K:.1f} K expected"
    )


def bottle(turn: Turn) -> str:
    """The bottle near its end."""
    bottle_Pa, limit_Pa = turn.seen.bottle_Pa, turn.rig.limits.bottle_change_out_Pa
    if bottle_Pa is None or bottle_Pa >= limit_Pa:
        return ""
    return f"bottle {show_pressure(bottle_Pa)}, changed out at {show_pressure(limit_Pa)}"


def read_back(turn: Turn) -> str:
    """Outputs that do not do what was written."""
    if not turn.read_back:
        return ""
    written = channel_values(turn.memory.outputs, turn.rig)
    wrong = [name for name, value in turn.read_back if name in written and written[name] != value]
    return f"not driven as written: {', '.join(wrong)}" if wrong else ""


def overrun(turn: Turn) -> str:
    """A late scan."""
    late_ns = turn.host.late_ns
    return f"the scan came {late_ns / 1e6:.0f} ms late" if late_ns > OVERRUN_ns else ""


def clock(turn: Turn) -> str:
    """A host that stood still."""
    gap_ns = abs(turn.host.clock_gap_ns)
    return f"the host stood still for {gap_ns / 1e9:.1f} s" if gap_ns > CLOCK_GAP_ns else ""


def record(turn: Turn) -> str:
    """A record that cannot be written."""
    return "" if turn.host.record_ok else "the record cannot be written"


def raised(_turn: Turn) -> str:
    """Never true by itself: the stage machine or a person raises these by name."""
    return ""
