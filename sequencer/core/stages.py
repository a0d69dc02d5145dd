"""The stages inside each step: what each drives, what ends it, and how long it may take.

Rules of this file: one table, read from top to bottom; a stage that is not needed on a rig or in
a run is passed over; the last stage's end is the step's ``done``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sequencer.core import evidence, outputs, purge, waits
from sequencer.core.memory import Gap
from sequencer.core.outputs import Image
from sequencer.core.turn import Turn, Verdict
from sequencer.model import CycleStep

GAS_MARGIN = 3.0  # a gas step may take this many times its commissioned time
HEAT_MARGIN = 2.0  # and a thermal one this many times what its commissioned rate gives
SETTLE_s = 10.0  # for what no commissioned time covers
FOR_EVER_s = float("inf")


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage. ``usual`` and ``limit`` are times in s; ``limit_ends`` says what its end means:

    ``overdue`` a trip request, ``silent`` as if nobody had answered.
    """

    name: str
    image: Image
    wait: Callable[[Turn], Verdict]
    waits_for: str
    usual: Callable[[Turn], float]
    limit: Callable[[Turn], float]
    needed: Callable[[Turn], bool] = lambda _turn: True
    limit_ends: Literal["overdue", "silent"] = "overdue"


def _for_ever(_turn: Turn) -> float:
    return FOR_EVER_s


def _asking(turn: Turn) -> float:
    """Three askings of one question."""
    return 3.0 * turn.rig.prompts.answer_within_s


def _question(name: str, image: Image, wait: Callable[[Turn], Verdict], waits_for: str) -> Stage:
    return Stage(name, image, wait, waits_for, lambda _turn: 30.0, _asking, limit_ends="silent")


def _gas(
    turn: Turn, usual_s: float, by: str, settle_s: float = SETTLE_s, askings: int = 1
) -> float:
    """Limit of a gas stage, with time for the answers where a person is the sensor."""
    limit_s = GAS_MARGIN * usual_s + settle_s
    return limit_s + askings * _asking(turn) if by in ("operator", "by_ear") else limit_s


def _fill_limit(turn: Turn) -> float:
    return _gas(turn, turn.rig.commissioned.clamp_fill_s, turn.rig.evidence.clamp_full.by)


def _rise_limit(turn: Turn) -> float:
    return _gas(turn, turn.rig.commissioned.film_rise_s, turn.rig.evidence.film_at_pressure.by)


def _bled_usual(turn: Turn) -> float:
    return turn.rig.commissioned.film_vent_s + turn.rig.limits.bled_for_s


def _bled_limit(turn: Turn) -> float:
    by = turn.rig.evidence.film_bled.by
    if by == "measured":
        # A sensor that was never seen to move needs a typed gauge reading besides.
        typed_s = 0.0 if evidence.readings_tell(turn) else _asking(turn)
        return GAS_MARGIN * turn.rig.commissioned.film_vent_s + SETTLE_s + typed_s
    second_s = turn.rig.prompts.second_reading_after_s
    return _gas(turn, turn.rig.commissioned.film_vent_s, by, SETTLE_s + second_s, 2)


def _drain_limit(turn: Turn) -> float:
    return GAS_MARGIN * turn.rig.commissioned.gap_drain_s + SETTLE_s


def _release_limit(turn: Turn) -> float:
    return _gas(turn, turn.rig.commissioned.clamp_release_s, turn.rig.evidence.clamp_open.by)


def _heat_usual(turn: Turn) -> float:
    return evidence.heating_s(turn, turn.recipe) + turn.recipe.imprint.soak_s


def _heat_limit(turn: Turn) -> float:
    # From cold, whatever the head reads now: the limit must not shrink while it warms.
    rise_K = turn.recipe.imprint.temperature_degC
    heat_s = 60.0 * rise_K / turn.rig.commissioned.heating_K_per_min
    asked_s = _asking(turn) if turn.rig.evidence.head_at_temperature.by == "operator" else 0.0
    return HEAT_MARGIN * heat_s + 2.0 * turn.recipe.imprint.soak_s + 120.0 + asked_s


def _soak_limit(turn: Turn) -> float:
    return 3.0 * turn.recipe.imprint.soak_under_clamp_s + 180.0


def _hold_limit(turn: Turn) -> float:
    limits = turn.rig.limits
    return turn.recipe.imprint.hold_s + limits.out_of_band_s + limits.pause_s + SETTLE_s


def _cool_usual(turn: Turn) -> float:
    return waits.cooling_s(turn)


def _twin_proof(turn: Turn) -> bool:
    return turn.rig.isolated and bool(turn.rig.film_roles)


def _gap_filled(turn: Turn) -> bool:
    # A gap known to be empty is left alone: draining it opens the supply valve once more.
    return turn.rig.isolated and turn.memory.gap is not Gap.EMPTY


def _fed(turn: Turn) -> bool:
    return turn.rig.hold == "fed"


def _sealed(turn: Turn) -> bool:
    return turn.rig.hold == "sealed"


def _seconds(time_s: float) -> Callable[[Turn], float]:
    return lambda _turn: time_s


_BLED = "every film reading at or under the bled limit, or the gauge read empty twice"

STAGES: dict[CycleStep, tuple[Stage, ...]] = {
    CycleStep.IDLE: (
        Stage("rest", outputs.SAFE, waits.never, "a start request", _for_ever, _for_ever),
    ),
    CycleStep.HEATING: (
        Stage(
            "bottle",
            outputs.SAFE,
            waits.bottle_enough,
            "enough nitrogen in the bottle for this run",
            _seconds(30.0),
            _asking,
            needed=lambda turn: turn.rig.evidence.bottle_enough.by == "operator",
            limit_ends="silent",
        ),
        Stage(
            "set-point",
            outputs.HEAT,
            waits.head_setpoint,
            "the head's controller set to the imprint temperature",
            _seconds(30.0),
            _asking,
            needed=lambda turn: not turn.rig.has("heater_setpoint"),
            limit_ends="silent",
        ),
        Stage(
            "warm",
            outputs.HEAT,
            evidence.head_at_temperature,
            "head in its band for the soak",
            _heat_usual,
            _heat_limit,
        ),
        _question("load", outputs.HEAT, waits.sample_in, "stamp and foil in the press"),
        _question(
            "regulator", outputs.HEAT, evidence.supply_at_set, "regulator at the film pressure"
        ),
        _question("hands", outputs.HEAT, waits.hands_clear, "hands clear and guard closed"),
        Stage(
            "announce",
            outputs.HEAT,
            waits.announced,
            "the announced delay before the clamp moves",
            lambda turn: turn.rig.prompts.announce_s,
            _asking,
            limit_ends="silent",
        ),
    ),
    CycleStep.CLAMPING: (
        Stage(
            "fill",
            outputs.CLAMP_HOT,
            evidence.clamp_full,
            "cylinder full: clamp margin at the permit limit",
            lambda turn: turn.rig.commissioned.clamp_fill_s,
            _fill_limit,
        ),
        Stage(
            "drain gap",
            outputs.DRAIN_HOT,
            evidence.gap_drained,
            "gas between the shut-offs let off",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            _drain_limit,
            needed=lambda turn: _twin_proof(turn) and _gap_filled(turn),
        ),
        Stage(
            "try isolation",
            outputs.TRY_ISOLATION,
            waits.no_rise,
            "no film pressure with isolation shut against an open supply valve",
            _seconds(waits.PROOF_s),
            _seconds(SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "change over",
            outputs.CLAMP_HOT,
            waits.changed_over,
            "both shut-offs shut, before the other one is opened",
            _seconds(waits.CHANGE_OVER_s),
            _seconds(SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "try supply",
            outputs.TRY_SUPPLY,
            waits.no_rise,
            "no film pressure with the supply valve shut against an open isolation",
            _seconds(waits.PROOF_s),
            _seconds(SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "bled again",
            outputs.CLAMP_HOT,
            evidence.film_bled,
            _BLED,
            _bled_usual,
            _bled_limit,
            needed=_twin_proof,
        ),
    ),
    CycleStep.PRESSURIZING: (
        Stage(
            "soak",
            outputs.CLAMP_HOT,
            evidence.head_soaked_under_clamp,
            "head back in its band under clamp, clamp still full",
            lambda turn: turn.recipe.imprint.soak_under_clamp_s,
            _soak_limit,
        ),
        Stage(
            "raise",
            outputs.FEED,
            evidence.film_at_pressure,
            "film at the recipe's pressure",
            lambda turn: turn.rig.commissioned.film_rise_s,
            _rise_limit,
        ),
    ),
    CycleStep.HOLDING: tuple(
        Stage(
            "dwell",
            image,
            waits.dwell,
            "hold time, counted in band",
            lambda turn: turn.recipe.imprint.hold_s,
            _hold_limit,
            needed=needed,
        )
        for image, needed in ((outputs.FEED, _fed), (outputs.SEAL, _sealed))
    ),
    CycleStep.COOLING: tuple(
        Stage(
            "cool",
            image,
            waits.cooled,
            "head at or below the demold temperature",
            _cool_usual,
            _for_ever,  # its time-out asks; silence then ends it
            needed=needed,
        )
        for image, needed in ((outputs.COOL_FED, _fed), (outputs.COOL_SEALED, _sealed))
    ),
    CycleStep.VENTING: (
        Stage(
            "vent",
            outputs.CLAMP,
            waits.film_let_off,
            "film pressure let off, before the gap is drained",
            _bled_usual,
            _bled_limit,
            needed=_gap_filled,
        ),
        Stage(
            "drain gap",
            outputs.DRAIN,
            evidence.gap_drained,
            "gas between the shut-offs let off",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            _drain_limit,
            needed=_gap_filled,
        ),
        Stage("bled", outputs.CLAMP, evidence.film_bled, _BLED, _bled_usual, _bled_limit),
    ),
    CycleStep.RELEASING: (
        Stage(
            "word",
            outputs.CLAMP,
            waits.hot_release,
            "a person's word to release above the demold temperature",
            _seconds(30.0),
            _asking,
            needed=waits.release_needs_word,
            limit_ends="silent",
        ),
        Stage(
            "open",
            outputs.RELEASE,
            evidence.clamp_open,
            "clamp open",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            _release_limit,
        ),
    ),
    CycleStep.PURGING: (
        _question("blank", outputs.SAFE, purge.blank_in, "the last stack or a blank in the press"),
        _question("hands", outputs.SAFE, waits.hands_clear, "hands clear and guard closed"),
        Stage(
            "announce",
            outputs.SAFE,
            waits.announced,
            "the announced delay before the clamp moves",
            lambda turn: turn.rig.prompts.announce_s,
            _asking,
            limit_ends="silent",
        ),
        Stage(
            "fill",
            outputs.CLAMP,
            evidence.clamp_full,
            "cylinder full for the supply pressure",
            lambda turn: turn.rig.commissioned.clamp_fill_s,
            _fill_limit,
        ),
        _question(
            "bottle shut", outputs.CLAMP, purge.bottle_shut, "bottle valve shut, regulator open"
        ),
        Stage(
            "stroke",
            outputs.STROKE,
            purge.stroked,
            "gas of the line let into the film",
            _seconds(purge.STROKE_s),
            _seconds(SETTLE_s),
        ),
        Stage(
            "let off",
            outputs.CLAMP,
            purge.stroke_let_off,
            "the stroke's gas let off; strokes until one stays under the limit",
            _bled_usual,
            _bled_limit,
            limit_ends="silent",
        ),
        _question("gauges", outputs.CLAMP, purge.gauges_zero, "both regulator gauges at zero"),
        _question("back out", outputs.CLAMP, purge.regulator_out, "regulator backed out"),
        Stage(
            "drain gap",
            outputs.DRAIN,
            evidence.gap_drained,
            "gas between the shut-offs let off",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            _drain_limit,
            needed=_gap_filled,
        ),
        Stage(
            "bled",
            outputs.CLAMP,
            evidence.film_bled,
            _BLED,
            _bled_usual,
            _bled_limit,
            limit_ends="silent",
        ),
        Stage(
            "open",
            outputs.RELEASE,
            evidence.clamp_open,
            "clamp open",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            _release_limit,
        ),
        _question("air shut", outputs.RELEASE, purge.air_shut, "house air shut, guard closed"),
        Stage(
            "air stroke",
            purge.AIR_STROKE,
            purge.air_stroked,
            "air of the clamp line let into the cylinder",
            lambda turn: turn.rig.commissioned.clamp_fill_s,
            _fill_limit,
        ),
        Stage(
            "air let off",
            outputs.RELEASE,
            purge.air_let_off,
            "the cylinder let off; strokes until the air line is empty",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            _release_limit,
            limit_ends="silent",
        ),
        _question("air gauge", outputs.RELEASE, purge.air_zero, "the air gauge at zero"),
    ),
    CycleStep.TRIPPED: (
        Stage("bleed", outputs.FAULT, evidence.film_bled, _BLED, _bled_usual, _bled_limit),
    ),
    CycleStep.SAFE_CLAMPED: (
        Stage(
            "rest", outputs.FAULT, waits.release_wanted, "a release request", _for_ever, _for_ever
        ),
        Stage(
            "hands",
            outputs.FAULT,
            waits.hands_clear_to_release,
            "hands clear and guard closed",
            _seconds(30.0),
            _for_ever,
        ),
    ),
    CycleStep.VENT_UNCONFIRMED: (
        Stage("locked", outputs.FAULT, evidence.film_bled, _BLED, _for_ever, _for_ever),
    ),
    CycleStep.FAULTED: (
        Stage(
            "rest", outputs.FAULT, waits.reset_wanted, "a reset by a person", _for_ever, _for_ever
        ),
        Stage("bled", outputs.FAULT, evidence.film_bled, _BLED, _bled_usual, _for_ever),
        Stage(
            "clamp",
            outputs.FAULT,
            evidence.clamp_found_out,
            "the clamp seen open, or seen closed",
            _seconds(5.0),
            _for_ever,
        ),
    ),
}
