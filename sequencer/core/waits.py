"""What stages wait for besides evidence: people, delays, the dwell, the cooling."""

from sequencer.bottle import bottle_needed_Pa
from sequencer.core.evidence import (
    BLED_WAIT,
    clamp_still_full,
    film_band_Pa,
    film_bled,
    head_band_K,
    head_question,
    pressed_question,
    readings_bled,
)
from sequencer.core.memory import Exposure
from sequencer.core.outputs import pressure_seen
from sequencer.core.questions import Question, ask, forget, number, pressure, withdraw
from sequencer.core.turn import Turn, Verdict
from sequencer.events import Noted
from sequencer.model import Clamp, Means
from sequencer.units import ns, show_pressure, show_temperature, show_time

CHANGE_OVER_s = 0.5  # well above the travel of a solenoid valve
LEAK_TEST_s = 3.5  # a little more than the interlock's settling time and window
PROOF_s = 1.0  # how long each shut-off is tried against the other
COOL_ENOUGH_degC = 45.0  # a head above this burns; ISO 13732-1 thresholds lie near, from memory
VENT_STROKES, VENT_STROKE_s = 3, 0.5
STROKE_AFTER_VENTS = 3.0  # commissioned vent times between two strokes
LATE_MARGIN, LATE_SETTLE_s = 2.0, 120.0


def never(_turn: Turn) -> Verdict:
    """Wait for a request."""
    return Verdict.WAIT


def reset_wanted(turn: Turn) -> Verdict:
    """Wait for an accepted reset."""
    return Verdict.DONE if turn.memory.reset_wanted else Verdict.WAIT


def release_wanted(turn: Turn) -> Verdict:
    """Wait for an accepted release request."""
    return Verdict.DONE if turn.memory.release_wanted else Verdict.WAIT


def bottle_enough(turn: Turn) -> Verdict:
    """A person reads the bottle gauge and it suffices for this run."""
    need_Pa = bottle_needed_Pa(turn.recipe, turn.rig)
    question = pressure(
        "bottle_gauge",
        f"Read the bottle gauge (at least {show_pressure(need_Pa)} wanted): what does it show?",
        20.0 * turn.rig.limits.bottle_change_out_Pa,
        need_Pa,
        f"{show_pressure(need_Pa)} or more, else change the bottle",
    )
    verdict = ask(turn, question, lambda value: float(value) >= need_Pa)
    if verdict is Verdict.DONE:
        detail = f"gauge {show_pressure(number(turn, 'bottle_gauge'))}"
        turn.proved("bottle_enough", Means.OPERATOR, detail)
    return verdict


def head_setpoint(turn: Turn) -> Verdict:
    """A person sets the head's own controller and reads its set-point back."""
    target_degC, band_K = turn.recipe.imprint.temperature_degC, head_band_K(turn)
    question = Question(
        "head_setpoint",
        f"Set the head's controller to {show_temperature(target_degC)}: what does it show as set?",
        (),
        "degC",
        0.0,
        turn.rig.limits.head_temperature_degC + 50.0,
        target_degC,
    )
    return ask(turn, question, lambda value: abs(float(value) - target_degC) <= band_K)


def sample_in(turn: Turn) -> Verdict:
    """Stamp and foil are in the press, and the guard was seen open since the last run."""
    recipe = turn.recipe
    question = Question(
        "sample_in",
        f"Open the guard, lay in {recipe.material} foil and stamp ({recipe.stamp.name}), film "
        "flat, shut the guard. In place? The head is HOT.",
        ("in place", "not ready"),
    )
    opened = turn.memory.guard_opened or not turn.rig.has("guard_closed")
    return ask(turn, question, lambda value: value == "in place" and opened)


def _guard_shut(turn: Turn) -> bool:
    return turn.seen.guard_closed is True or not turn.rig.has("guard_closed")


def hands_clear_to_release(turn: Turn) -> Verdict:
    """Hands are clear, and the film is seen to be bled in this very scan."""
    return hands_clear(turn) if _still_bled(turn) else Verdict.WAIT


def _still_bled(turn: Turn) -> bool:
    seen_bled = not turn.rig.film_roles or not pressure_seen(turn)
    return seen_bled and turn.memory.exposure is Exposure.NO


def _clear_age_ns(turn: Turn) -> int | None:
    answer = turn.memory.answers.get("hands_clear")
    return None if answer is None else turn.now_ns - answer.at_ns


def hands_clear(turn: Turn) -> Verdict:
    """A person at the rig says that all hands are out, with the guard shut; asked last of all."""
    question = Question(
        "hands_clear",
        "The clamp is about to move. Hands clear, guard shut, eye protection on?",
        ("clear", "not clear"),
    )
    verdict = ask(turn, question, lambda value: value == "clear")
    if verdict is not Verdict.DONE:
        return verdict
    if _guard_shut(turn):
        return Verdict.DONE
    age_ns = _clear_age_ns(turn)
    if age_ns is not None and age_ns > ns(turn.rig.prompts.hands_clear_valid_s):
        forget(turn, "hands_clear")
    return Verdict.WAIT


def announced(turn: Turn) -> Verdict:
    """The announced delay has passed with the guard shut and the word still fresh."""
    prompts, memory = turn.rig.prompts, turn.memory
    if "announced" not in memory.since_ns:  # forgotten with the stage, so told once in each
        memory.since_ns["announced"] = turn.now_ns
        turn.emit(Noted(f"The clamp closes in {prompts.announce_s:g} s. Keep clear."))
    age_ns = _clear_age_ns(turn)
    stale = age_ns is None or age_ns > ns(prompts.hands_clear_valid_s)
    if stale or not _guard_shut(turn):
        forget(turn, "hands_clear")
        return Verdict.BACK
    if turn.stage_age_s() < prompts.announce_s:
        return Verdict.WAIT
    forget(turn, "hands_clear")
    memory.guard_opened = False  # it must be seen open again before the next run
    return Verdict.DONE


def no_rise(turn: Turn) -> Verdict:
    """Neither shut-off lets gas into the shut film while the other stands open."""
    memory, film_Pa = turn.memory, turn.seen.film_Pa
    if not turn.seen.film_known or film_Pa is None:
        return Verdict.WAIT
    if memory.reference_Pa is None:
        memory.reference_Pa = film_Pa
    rise_Pa = film_Pa - memory.reference_Pa
    if turn.held("film_rise", rise_Pa > 0.5 * turn.rig.limits.bled_Pa, 0.2):
        turn.failure = f"film rose by {show_pressure(rise_Pa)} behind a shut valve"
        return Verdict.FAILED
    return Verdict.DONE if turn.stage_age_s() >= PROOF_s else Verdict.WAIT


def changed_over(turn: Turn) -> Verdict:
    """A valve told to shut has had time to: else both stand open for a moment, and puff."""
    return Verdict.DONE if turn.stage_age_s() >= CHANGE_OVER_s else Verdict.WAIT


def dwell(turn: Turn) -> Verdict:
    """The hold time, counted only while pressure and temperature are in band."""
    memory, recipe = turn.memory, turn.recipe
    verdict = _still_at_pressure(turn)
    _count(turn)
    if verdict is not Verdict.DONE:
        return verdict
    if memory.in_band_ns < ns(recipe.imprint.hold_s):
        return Verdict.BACK if leak_test_due(turn) and clamp_still_full(turn) else Verdict.WAIT
    by = turn.rig.evidence.film_at_pressure.by
    out_s = memory.out_of_band_ns / 1e9
    detail = f"{show_time(memory.in_band_ns / 1e9)} in band, {show_time(out_s)} out"
    turn.proved("held_in_band", Means(by), detail)
    return Verdict.DONE


def _count(turn: Turn) -> None:
    """Count this scan's time to the dwell where it is in band."""
    memory = turn.memory
    step_ns = turn.now_ns - (memory.last_ns if memory.last_ns is not None else turn.now_ns)
    if memory.paused_since_ns is not None:
        if turn.now_ns - memory.paused_since_ns + memory.paused_ns >= ns(turn.rig.limits.pause_s):
            end_pause(turn)
            turn.emit(Noted("The pause has reached its cap; the dwell goes on."))
    elif in_band(turn):
        memory.in_band_ns += step_ns
    else:
        memory.out_of_band_ns += step_ns


def leak_test_due(turn: Turn) -> bool:
    """Tell whether a fed film is due to be held without its supply: a regulator masks a leak.

    A three-way valve cannot shut the supply without venting; without a sensor nothing would show.
    """
    rig, memory = turn.rig, turn.memory
    if rig.hold != "fed" or rig.three_way or not rig.film_roles:
        return False
    last_ns = memory.leak_tested_ns
    since_ns = memory.step_since_ns if last_ns is None else last_ns
    return turn.now_ns - since_ns >= ns(rig.limits.leak_test_every_s)


def leak_tested(turn: Turn) -> Verdict:
    """The film has been held alone for a moment; what it lost then is an interlock's business."""
    _count(turn)
    if turn.stage_age_s() < LEAK_TEST_s:
        return Verdict.WAIT
    if not clamp_still_full(turn):
        turn.failure = "the clamp is no longer full enough for opening the supply again"
        return Verdict.WAIT
    turn.memory.leak_tested_ns = turn.now_ns
    return Verdict.DONE


def end_pause(turn: Turn) -> None:
    """End a pause, keeping how long it was."""
    memory = turn.memory
    if memory.paused_since_ns is not None:
        memory.paused_ns += turn.now_ns - memory.paused_since_ns
        memory.paused_since_ns = None


def in_band(turn: Turn) -> bool:
    """Tell whether film pressure and head temperature stand in their bands, as far as is known."""
    seen, imprint = turn.seen, turn.recipe.imprint
    if turn.rig.evidence.film_at_pressure.by == "measured":
        film_Pa = seen.film_Pa if seen.film_known else None
    else:
        topic = pressed_question(turn, "still_at_pressure", "").topic
        answer = turn.memory.answers.get(topic)
        # While the gauge is being read again, what it showed last holds.
        last_Pa = turn.memory.reference_Pa
        expected_Pa = imprint.film_pressure_Pa if last_Pa is None else last_Pa
        film_Pa = expected_Pa if answer is None else float(answer.value)
    if film_Pa is None or abs(film_Pa - imprint.film_pressure_Pa) > film_band_Pa(turn):
        return False
    if not turn.rig.head_roles:
        return True
    head_degC = seen.head_degC if seen.head_known else None
    return head_degC is not None and abs(head_degC - imprint.temperature_degC) <= head_band_K(turn)


def _still_at_pressure(turn: Turn) -> Verdict:
    """Where the film has no sensor, have its gauge read again and again during the dwell."""
    rig, memory = turn.rig, turn.memory
    if rig.evidence.film_at_pressure.by == "measured":
        return Verdict.DONE
    question = pressed_question(turn, "still_at_pressure", "Still at pressure?")
    topic, target_Pa = question.topic, turn.recipe.imprint.film_pressure_Pa
    answer = memory.answers.get(topic)
    read_ns = memory.stage_since_ns if answer is None else answer.at_ns
    near = answer is None or abs(float(answer.value) - target_Pa) <= film_band_Pa(turn)
    every_s = rig.prompts.still_at_pressure_every_s if near else 5.0
    if topic not in memory.prompts:
        if turn.now_ns - read_ns < ns(every_s):
            return Verdict.DONE
        # What was read last is kept until the next answer: the dwell counts by it.
        if answer is not None:
            memory.reference_Pa = float(answer.value)
            del memory.answers[topic]
    verdict = ask(turn, question, lambda _value: True)
    return Verdict.SILENT if verdict is Verdict.SILENT else Verdict.DONE


def cooling_s(turn: Turn) -> float:
    """Time that the commissioned rate gives for cooling to the demold temperature."""
    rig, recipe = turn.rig, turn.recipe
    if recipe.demold is None:
        return 0.0
    times = rig.commissioned
    rate = times.cooling_K_per_min if rig.has("coolant") else times.natural_cooling_K_per_min
    fall_K = recipe.imprint.temperature_degC - recipe.demold.temperature_degC
    return 60.0 * max(0.0, fall_K) / rate


def cooling_within_s(turn: Turn) -> float:
    """Time in the stage after which a person is asked whether to go on cooling under pressure."""
    return LATE_MARGIN * cooling_s(turn) + LATE_SETTLE_s + turn.memory.late_s


def cooled(turn: Turn) -> Verdict:
    """The head is at or below the demold temperature; beyond its time a person decides."""
    rig, memory, demold = turn.rig, turn.memory, turn.recipe.demold
    if demold is None:
        return Verdict.DONE
    if turn.stage_age_s() > cooling_within_s(turn):
        question = Question(
            "cooling_late",
            f"The head is not yet at {show_temperature(demold.temperature_degC)}, and its time is "
            "over. Wait longer under pressure, or let the film off now?",
            ("wait", "vent now"),
        )
        verdict = ask(turn, question, lambda value: value == "vent now")
        answer = memory.answers.get("cooling_late")
        if answer is not None and answer.value == "wait":
            forget(turn, "cooling_late")
            memory.late_s += LATE_MARGIN * cooling_s(turn) + LATE_SETTLE_s
        if verdict is not Verdict.WAIT:
            return verdict
    if rig.head_roles:
        head_degC = turn.seen.head_degC if turn.seen.head_known else None
        if head_degC is None or head_degC > demold.temperature_degC:
            return Verdict.WAIT
        turn.proved("cooled", Means.MEASURED, f"head {show_temperature(head_degC)}")
    else:
        if turn.stage_age_s() < cooling_s(turn):
            return Verdict.WAIT
        verdict = ask(
            turn,
            head_question(turn, demold.temperature_degC, "at or below it"),
            lambda value: float(value) <= demold.temperature_degC,
            again_after_s=30.0,
        )
        if verdict is not Verdict.DONE:
            return verdict
        detail = f"display {show_temperature(number(turn, 'head_gauge'))}"
        turn.proved("cooled", Means.OPERATOR, detail)
    memory.cooled = True
    return Verdict.DONE


def film_let_off(turn: Turn) -> Verdict:
    """The film has been let off as far as its sensors, or the time, can tell before the proof."""
    if turn.rig.film_roles:
        return Verdict.DONE if readings_bled(turn) else Verdict.WAIT
    wait_s = BLED_WAIT * turn.rig.commissioned.film_vent_s
    return Verdict.DONE if turn.stage_age_s() >= wait_s else Verdict.WAIT


def vent_stroke_due(turn: Turn) -> bool:
    """Tell whether a vent that does not let the film off is to be shut and opened once more.

    Only by what a sensor shows, three times at most, and never a three-way valve: shutting its vent
    opens the supply.
    """
    rig, memory = turn.rig, turn.memory
    film_Pa = turn.seen.film_Pa
    if rig.has("emergency_stop") and turn.seen.chain_ok is not True:
        return False
    if rig.three_way or film_Pa is None or film_Pa <= rig.limits.bled_Pa:
        return False
    waited_ns = (memory.vent_strokes + 1) * ns(STROKE_AFTER_VENTS * rig.commissioned.film_vent_s)
    return memory.vent_strokes < VENT_STROKES and turn.now_ns - memory.step_since_ns >= waited_ns


def vent_stroked(turn: Turn) -> Verdict:
    """The vent has been shut for a moment, or less where the film then rises."""
    memory, film_Pa = turn.memory, turn.seen.film_Pa
    if memory.reference_Pa is None:
        memory.reference_Pa = film_Pa
    if film_Pa is None or memory.reference_Pa is None:
        rises = True
    else:
        rises = film_Pa > memory.reference_Pa + turn.rig.limits.bled_Pa
    if turn.stage_age_s() < VENT_STROKE_s and not rises:
        return Verdict.WAIT
    memory.vent_strokes += 1
    turn.emit(Noted(f"vent stroke {memory.vent_strokes} of {VENT_STROKES}"))
    return Verdict.DONE


def locked(turn: Turn) -> Verdict:
    """Nothing but a film proven bled leads on; a vent that does not work is stroked meanwhile."""
    return Verdict.BACK if vent_stroke_due(turn) else film_bled(turn)


def release_needs_word(turn: Turn) -> bool:
    """Tell whether the foil would leave the stamp above the demold temperature, or unknown."""
    memory, run = turn.memory, turn.memory.run
    if memory.cooled or memory.outputs.clamp is Clamp.RELEASE:
        return False  # a clamp that is letting go already must not be closed for a question
    demold = run.recipe.demold if run is not None and run.recipe is not None else None
    limit_degC = COOL_ENOUGH_degC if demold is None else demold.temperature_degC
    head_degC = turn.seen.head_degC if turn.seen.head_known else None
    return head_degC is None or head_degC > limit_degC


def hot_release(turn: Turn) -> Verdict:
    """A person's explicit word to open the clamp on a hot stack; a head that cools needs none."""
    if not _still_bled(turn):
        return Verdict.WAIT  # the watch over the film decides
    if not release_needs_word(turn):
        withdraw(turn, "hot_release")
        return Verdict.DONE
    head = turn.seen.head_degC
    hot = "of unknown temperature" if head is None else f"at {show_temperature(head)}"
    question = Question(
        "hot_release",
        f"The film is bled; the head is {hot}. Release hot, or keep it clamped?",
        ("release hot", "keep clamped"),
    )
    return ask(turn, question, lambda value: value == "release hot", again_after_s=30.0)
