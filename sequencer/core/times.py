"""How long a stage usually takes, and how long it may: from commissioned times, with margins."""

from collections.abc import Callable

from sequencer.core import evidence, waits
from sequencer.core.turn import Turn

GAS_MARGIN = 3.0  # a gas step may take this many times its commissioned time
HEAT_MARGIN = 2.0  # and a thermal one this many times what its commissioned rate gives
SETTLE_s = 10.0  # for what no commissioned time covers
FOR_EVER_s = float("inf")


def for_ever(_turn: Turn) -> float:
    """No limit: only a person, or proof, leads on."""
    return FOR_EVER_s


def asking(turn: Turn) -> float:
    """Three askings of one question."""
    return 3.0 * turn.rig.prompts.answer_within_s


def gas(turn: Turn, usual_s: float, by: str, settle_s: float = SETTLE_s, askings: int = 1) -> float:
    """Limit of a gas stage, with time for the answers where a person is the sensor."""
    limit_s = GAS_MARGIN * usual_s + settle_s
    return limit_s + askings * asking(turn) if by in ("operator", "by_ear") else limit_s


def fill_limit(turn: Turn) -> float:
    """Limit of filling the cylinder."""
    return gas(turn, turn.rig.commissioned.clamp_fill_s, turn.rig.evidence.clamp_full.by)


def rise_limit(turn: Turn) -> float:
    """Limit of raising the film pressure."""
    return gas(turn, turn.rig.commissioned.film_rise_s, turn.rig.evidence.film_at_pressure.by)


def bled_usual(turn: Turn) -> float:
    """Usual time to a film proven bled."""
    return turn.rig.commissioned.film_vent_s + turn.rig.limits.bled_for_s


def bled_limit(turn: Turn) -> float:
    """Limit of proving the film bled, with time for the answers it may need."""
    by = turn.rig.evidence.film_bled.by
    if by == "measured":
        # A sensor that was never seen to move needs a typed gauge reading besides.
        typed_s = 0.0 if evidence.readings_tell(turn) else asking(turn)
        return GAS_MARGIN * turn.rig.commissioned.film_vent_s + SETTLE_s + typed_s
    second_s = turn.rig.prompts.second_reading_after_s
    return gas(turn, turn.rig.commissioned.film_vent_s, by, SETTLE_s + second_s, 2)


def drain_limit(turn: Turn) -> float:
    """Limit of draining the gap between the shut-offs."""
    return GAS_MARGIN * turn.rig.commissioned.gap_drain_s + SETTLE_s


def release_limit(turn: Turn) -> float:
    """Limit of opening the clamp."""
    return gas(turn, turn.rig.commissioned.clamp_release_s, turn.rig.evidence.clamp_open.by)


def heat_usual(turn: Turn) -> float:
    """Usual time to a head soaked at temperature."""
    return evidence.heating_s(turn, turn.recipe) + turn.recipe.imprint.soak_s


def heat_limit(turn: Turn) -> float:
    """Limit of heating."""
    # From cold, whatever the head reads now: the limit must not shrink while it warms.
    rise_K = turn.recipe.imprint.temperature_degC
    heat_s = 60.0 * rise_K / turn.rig.commissioned.heating_K_per_min
    asked_s = asking(turn) if turn.rig.evidence.head_at_temperature.by == "operator" else 0.0
    return HEAT_MARGIN * heat_s + 2.0 * turn.recipe.imprint.soak_s + 120.0 + asked_s


def soak_limit(turn: Turn) -> float:
    """Limit of the soak under clamp."""
    return 3.0 * turn.recipe.imprint.soak_under_clamp_s + 180.0


def hold_limit(turn: Turn) -> float:
    """Limit of the dwell, with all the time out of band and paused that it may have."""
    limits = turn.rig.limits
    return turn.recipe.imprint.hold_s + limits.out_of_band_s + limits.pause_s + SETTLE_s


def cool_usual(turn: Turn) -> float:
    """Usual time of cooling."""
    return waits.cooling_s(turn)


def seconds(time_s: float) -> Callable[[Turn], float]:
    """Return a time that no turn changes."""
    return lambda _turn: time_s
