"""The stages inside each step: what each drives, what ends it, and how long it may take.

Rules of this file: one table, read from top to bottom; a stage that is not needed on a rig or in
a run is passed over; the last stage's end is the step's ``done``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sequencer.core import evidence, outputs, purge, times, waits
from sequencer.core.memory import Exposure, Gap
from sequencer.core.outputs import Image
from sequencer.core.turn import Turn, Verdict
from sequencer.model import Clamp, CycleStep


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


def _question(name: str, image: Image, wait: Callable[[Turn], Verdict], waits_for: str) -> Stage:
    return Stage(
        name, image, wait, waits_for, lambda _turn: 30.0, times.asking, limit_ends="silent"
    )


def _twin_proof(turn: Turn) -> bool:
    return turn.rig.isolated and bool(turn.rig.film_roles)


def _gap_filled(turn: Turn) -> bool:
    # A gap known to be empty is left alone: draining it opens the supply valve once more.
    return turn.rig.isolated and turn.memory.gap is not Gap.EMPTY


def _gap_to_vent(turn: Turn) -> bool:
    # The supply is opened only under a clamp that was proven: a run stopped before leaves the gap
    # as it found it.
    return _gap_filled(turn) and turn.memory.clamp_found == "closed"


def _gap_under_clamp(turn: Turn) -> bool:
    # A clamp that was found closed and never proven is left to the next run's own drain.
    held = turn.memory.fallback_clamp is Clamp.APPLY
    return _gap_filled(turn) and held


def _drained_in_fault(turn: Turn) -> bool:
    return turn.rig.isolated and turn.memory.exposure is not Exposure.NO


def _fed(turn: Turn) -> bool:
    return turn.rig.hold == "fed"


def _sealed(turn: Turn) -> bool:
    return turn.rig.hold == "sealed"


_BLED = "proof that the film holds no pressure"

STAGES: dict[CycleStep, tuple[Stage, ...]] = {
    CycleStep.IDLE: (
        Stage("rest", outputs.SAFE, waits.never, "a start request", times.for_ever, times.for_ever),
    ),
    CycleStep.HEATING: (
        Stage(
            "bottle",
            outputs.SAFE,
            waits.bottle_enough,
            "enough nitrogen in the bottle for this run",
            times.seconds(30.0),
            times.asking,
            needed=lambda turn: turn.rig.evidence.bottle_enough.by == "operator",
            limit_ends="silent",
        ),
        Stage(
            "set-point",
            outputs.HEAT,
            waits.head_setpoint,
            "the head's controller set to the imprint temperature",
            times.seconds(30.0),
            times.asking,
            needed=lambda turn: not turn.rig.has("heater_setpoint"),
            limit_ends="silent",
        ),
        Stage(
            "warm",
            outputs.HEAT,
            evidence.head_at_temperature,
            "head in its band for the soak",
            times.heat_usual,
            times.heat_limit,
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
            times.asking,
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
            times.fill_limit,
        ),
        Stage(
            "drain gap",
            outputs.DRAIN_HOT,
            evidence.gap_drained,
            "gas between the shut-offs let off",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            times.drain_limit,
            needed=lambda turn: _twin_proof(turn) and _gap_filled(turn),
        ),
        Stage(
            "try isolation",
            outputs.TRY_ISOLATION,
            waits.no_rise,
            "no film pressure with isolation shut against an open supply valve",
            times.seconds(waits.PROOF_s),
            times.seconds(times.SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "change over",
            outputs.CLAMP_HOT,
            waits.changed_over,
            "both shut-offs shut, before the other one is opened",
            times.seconds(waits.CHANGE_OVER_s),
            times.seconds(times.SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "try supply",
            outputs.TRY_SUPPLY,
            waits.no_rise,
            "no film pressure with the supply valve shut against an open isolation",
            times.seconds(waits.PROOF_s),
            times.seconds(times.SETTLE_s),
            needed=_twin_proof,
        ),
        Stage(
            "bled again",
            outputs.CLAMP_HOT,
            evidence.film_bled,
            _BLED,
            times.bled_usual,
            times.bled_limit,
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
            times.soak_limit,
        ),
        Stage(
            "raise",
            outputs.FEED,
            evidence.film_at_pressure,
            "film at the recipe's pressure",
            lambda turn: turn.rig.commissioned.film_rise_s,
            times.rise_limit,
        ),
    ),
    CycleStep.HOLDING: (
        Stage(
            "leak test",
            outputs.LEAK_TEST,
            waits.leak_tested,
            "the film held without its supply for a moment",
            times.seconds(waits.LEAK_TEST_s),
            times.seconds(times.SETTLE_s),
            needed=waits.leak_test_due,
            limit_ends="silent",
        ),
        *(
            Stage(
                "dwell",
                image,
                waits.dwell,
                "hold time, counted in band",
                lambda turn: turn.recipe.imprint.hold_s,
                times.hold_limit,
                needed=needed,
            )
            for image, needed in ((outputs.FEED, _fed), (outputs.SEAL, _sealed))
        ),
    ),
    CycleStep.COOLING: tuple(
        Stage(
            "cool",
            image,
            waits.cooled,
            "head at or below the demold temperature",
            times.cool_usual,
            times.for_ever,  # its time-out asks; silence then ends it
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
            times.bled_usual,
            times.bled_limit,
            needed=_gap_to_vent,
        ),
        Stage(
            "drain gap",
            outputs.DRAIN,
            evidence.gap_drained,
            "gas between the shut-offs let off",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            times.drain_limit,
            needed=_gap_to_vent,
        ),
        Stage("bled", outputs.CLAMP, evidence.film_bled, _BLED, times.bled_usual, times.bled_limit),
    ),
    CycleStep.RELEASING: (
        Stage(
            "word",
            outputs.CLAMP,
            waits.hot_release,
            "a person's word to release above the demold temperature",
            times.seconds(30.0),
            times.asking,
            needed=waits.release_needs_word,
            limit_ends="silent",
        ),
        Stage(
            "open",
            outputs.RELEASE,
            evidence.clamp_open,
            "clamp open",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            times.release_limit,
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
            times.asking,
            limit_ends="silent",
        ),
        Stage(
            "fill",
            outputs.CLAMP,
            evidence.clamp_full,
            "cylinder full for the supply pressure",
            lambda turn: turn.rig.commissioned.clamp_fill_s,
            times.fill_limit,
        ),
        _question(
            "bottle shut", outputs.CLAMP, purge.bottle_shut, "bottle valve shut, regulator open"
        ),
        Stage(
            "stroke",
            outputs.STROKE,
            purge.stroked,
            "gas of the line let into the film",
            times.seconds(purge.STROKE_s),
            times.seconds(times.SETTLE_s),
        ),
        Stage(
            "let off",
            outputs.CLAMP,
            purge.stroke_let_off,
            "the stroke's gas let off; strokes until one stays under the limit",
            times.bled_usual,
            times.bled_limit,
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
            times.drain_limit,
            needed=_gap_filled,
        ),
        Stage(
            "bled",
            outputs.CLAMP,
            evidence.film_bled,
            _BLED,
            times.bled_usual,
            times.bled_limit,
            limit_ends="silent",
        ),
        Stage(
            "open",
            outputs.RELEASE,
            evidence.clamp_open,
            "clamp open",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            times.release_limit,
        ),
        _question("air shut", outputs.RELEASE, purge.air_shut, "house air shut, guard closed"),
        Stage(
            "air stroke",
            purge.AIR_STROKE,
            purge.air_stroked,
            "air of the clamp line let into the cylinder",
            lambda turn: turn.rig.commissioned.clamp_fill_s,
            times.fill_limit,
        ),
        Stage(
            "air let off",
            outputs.RELEASE,
            purge.air_let_off,
            "the cylinder let off; strokes until the air line is empty",
            lambda turn: turn.rig.commissioned.clamp_release_s,
            times.release_limit,
            limit_ends="silent",
        ),
        _question("air gauge", outputs.RELEASE, purge.air_zero, "the air gauge at zero"),
    ),
    CycleStep.TRIPPED: (
        Stage(
            "bleed", outputs.FAULT, evidence.film_bled, _BLED, times.bled_usual, times.bled_limit
        ),
    ),
    CycleStep.SAFE_CLAMPED: (
        Stage(
            "rest",
            outputs.FAULT,
            waits.release_wanted,
            "a release request",
            times.for_ever,
            times.for_ever,
        ),
        Stage(
            "drain gap",
            outputs.FAULT_DRAIN,
            evidence.gap_drained,
            "gas between the shut-offs let off under clamp",
            lambda turn: turn.rig.commissioned.gap_drain_s,
            times.drain_limit,
            needed=_gap_under_clamp,
        ),
        Stage(
            "bled",
            outputs.FAULT,
            evidence.film_bled,
            _BLED,
            times.bled_usual,
            times.bled_limit,
            needed=_drained_in_fault,
        ),
        Stage(
            "hands",
            outputs.FAULT,
            waits.hands_clear_to_release,
            "hands clear and guard closed",
            times.seconds(30.0),
            times.for_ever,
        ),
    ),
    CycleStep.VENT_UNCONFIRMED: (
        Stage(
            "vent stroke",
            outputs.VENT_STROKE,
            waits.vent_stroked,
            "the vent shut for a moment, to free it when it opens again",
            times.seconds(waits.VENT_STROKE_s),
            times.seconds(times.SETTLE_s),
            needed=waits.vent_stroke_due,
        ),
        Stage("locked", outputs.FAULT, waits.locked, _BLED, times.for_ever, times.for_ever),
    ),
    CycleStep.FAULTED: (
        Stage(
            "rest",
            outputs.FAULT,
            waits.reset_wanted,
            "a reset by a person",
            times.for_ever,
            times.for_ever,
        ),
        Stage("bled", outputs.FAULT, evidence.film_bled, _BLED, times.bled_usual, times.for_ever),
        Stage(
            "clamp",
            outputs.FAULT,
            evidence.clamp_found_out,
            "the clamp seen open, or seen closed",
            times.seconds(5.0),
            times.for_ever,
        ),
    ),
}
