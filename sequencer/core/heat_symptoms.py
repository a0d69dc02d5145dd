"""What the interlocks look for in the head: readings, limits and trends of its temperature.

A trend is looked at in windows: from the first scan that its condition holds, anew after each.
"""

from sequencer.core.estimate import heads_disagree
from sequencer.core.symptoms import bad
from sequencer.core.turn import Turn
from sequencer.units import ns, show_temperature

RUNAWAY_WINDOW_s = 10.0
HEAT_FADES_s = 30.0
"""How long a head may still warm after the heater is off: its heat spreads, its sensors lag."""


def head_bad(turn: Turn) -> str:
    """Head readings that cannot be believed."""
    if turn.seen.head_known:
        return ""
    return bad(turn, turn.rig.head_roles)


def heads_apart(turn: Turn) -> str:
    """Twin head sensors against each other."""
    if turn.seen.head_known or not heads_disagree(turn.rig, turn.seen.readings):
        return ""
    one, other = (turn.seen.readings[role].value for role in turn.rig.head_roles)
    return f"the head sensors differ by {abs(one - other):.1f} K"


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


def runaway(turn: Turn) -> str:
    """The head warming although nothing asks for heat: a welded relay, a shorted switch."""
    windows, head_degC = turn.memory.windows, _hottest_degC(turn)
    if turn.memory.outputs.heater_on or head_degC is None:
        windows.pop("runaway", None)
        return ""
    known = windows.get("runaway")
    if known is None:
        windows["runaway"] = (turn.now_ns + ns(HEAT_FADES_s), head_degC)
        return ""
    since_ns, then_degC = known
    if turn.now_ns < since_ns:
        windows["runaway"] = (since_ns, head_degC)
        return ""
    if turn.now_ns - since_ns < ns(RUNAWAY_WINDOW_s):
        return ""
    windows["runaway"] = (turn.now_ns, head_degC)
    rise_K = head_degC - then_degC
    if rise_K < turn.rig.limits.head_runaway_K:
        return ""
    return f"head rose by {rise_K:.1f} K in {RUNAWAY_WINDOW_s:.0f} s with the heater off"


def reversed_thermocouple(turn: Turn) -> str:
    """The head falling while it is heated from below its band: two wires changed over."""
    memory, limits, head_degC = turn.memory, turn.rig.limits, turn.seen.head_degC
    if not memory.outputs.heater_on or head_degC is None or memory.run is None:
        return ""
    near_degC = turn.recipe.imprint.temperature_degC - 3.0 * limits.head_band_K
    if head_degC >= near_degC:
        memory.windows.pop("reversed", None)
        return ""
    known = memory.windows.get("reversed")
    if known is None or head_degC > known[1]:
        memory.windows["reversed"] = (turn.now_ns, head_degC)
        return ""
    fall_K = known[1] - head_degC
    if fall_K < limits.head_reversed_K:
        return ""
    return f"head fell by {fall_K:.1f} K while it was heated"
