"""The seven pieces of evidence, each had by the means that the rig file names.

Every function here is a stage's wait: it returns DONE once the evidence is had. A reading that is
bad, stale or unknown never proves anything.
"""

from sequencer.core.estimate import margin_at
from sequencer.core.memory import Exposure, Gap
from sequencer.core.questions import Question, ask, forget, number, pressure
from sequencer.core.turn import Turn, Verdict
from sequencer.model import CycleStep, Means, Reading
from sequencer.recipe import Recipe
from sequencer.units import ns, show_pressure, show_temperature

TIMED_MARGIN = 3.0  # a timed proof waits this many times the commissioned time
BLED_WAIT = 3.0  # and a person is asked about the film only after this many vent times
PEAK_TELLS = 3.0  # a peak of this many bled limits makes the fall from it evidence
MARGIN_TOP = 100.0
HEAD_AGAIN_AFTER_s = 30.0  # a head takes its time; a person need not look more often
FALLEN_TO = 0.2  # of the peak: "fell by 80 %"
GAUGE_TOP = 1.5  # a gauge reads up to this many times what the line may carry


def film_target_Pa(turn: Turn) -> float:
    """Film pressure that the clamp must be able to hold before the supply is opened.

    The larger of the recipe's pressure and what stands before the valve: the measured supply
    pressure, or the relief setting where the supply is not measured.
    """
    rig, run = turn.rig, turn.memory.run
    wanted_Pa = run.recipe.imprint.film_pressure_Pa if run and run.recipe else 0.0
    if rig.has("supply_pressure"):
        behind_Pa = turn.seen.supply_Pa
        return max(wanted_Pa, rig.limits.relief_Pa if behind_Pa is None else behind_Pa)
    answered = turn.memory.answers.get("supply_gauge")
    if answered is not None and not isinstance(answered.value, str):
        return max(wanted_Pa, answered.value)
    return max(wanted_Pa, rig.limits.relief_Pa)


def clamp_suffices(turn: Turn, clamp_Pa: float | None) -> bool:
    """Tell whether a clamp pressure permits opening the film supply."""
    if clamp_Pa is None:
        return False
    return margin_at(turn.rig, clamp_Pa, film_target_Pa(turn)) >= turn.rig.limits.clamp_permit


def clamp_still_full(turn: Turn) -> bool:
    """Tell whether a measured clamp still permits opening the film supply, in this very scan."""
    if turn.rig.evidence.clamp_full.by != "measured":
        return True
    closed = turn.seen.clamp_closed is True or not turn.rig.has("clamp_closed")
    return closed and clamp_suffices(turn, turn.seen.clamp_Pa)


def margin_words(margin: float) -> str:
    """Write a clamp margin; against next to no pressure its figures say nothing."""
    return f"clamp margin {margin:.2f}" if margin < MARGIN_TOP else "clamp far above any need"


def clamp_full(turn: Turn) -> Verdict:
    """The cylinder is full: its force suffices for the film pressure to come."""
    proof, rig = turn.rig.evidence.clamp_full, turn.rig
    if proof.by == "measured":
        if not turn.held("clamp_full", clamp_still_full(turn), proof.dwell_s):
            return Verdict.WAIT
        margin = margin_at(rig, turn.seen.clamp_Pa or 0.0, film_target_Pa(turn))
        turn.proved("clamp_full", Means.MEASURED, margin_words(margin))
    elif proof.by == "operator":
        if turn.stage_age_s() < rig.commissioned.clamp_fill_s:
            return Verdict.WAIT
        question = pressure(
            "clamp_gauge",
            "Clamp filling has gone quiet? Read the clamp gauge: what does it show?",
            GAUGE_TOP * _air_top_Pa(turn),
            wants=f"a clamp margin of {rig.limits.clamp_permit:g} or more",
        )
        verdict = ask(turn, question, lambda value: clamp_suffices(turn, float(value)))
        if verdict is not Verdict.DONE:
            return verdict
        gauge_Pa = number(turn, "clamp_gauge")
        margin = margin_at(rig, gauge_Pa, film_target_Pa(turn))
        detail = f"gauge {show_pressure(gauge_Pa)}, {margin_words(margin)}"
        turn.proved("clamp_full", Means.OPERATOR, detail)
    else:
        wait_s = TIMED_MARGIN * rig.commissioned.clamp_fill_s
        if turn.stage_age_s() < wait_s:
            return Verdict.WAIT
        turn.proved("clamp_full", Means.TIMED, f"{wait_s:.1f} s since apply")
    turn.memory.clamp_found = "closed"
    return Verdict.DONE


def _air_top_Pa(turn: Turn) -> float:
    return 2.0 * turn.rig.limits.air_pressure_Pa


def film_band_Pa(turn: Turn) -> float:
    """Half-width of the film pressure band of the run in hand."""
    own = turn.recipe.imprint.pressure_band_Pa
    return turn.rig.limits.film_band_Pa if own is None else own


def head_band_K(turn: Turn) -> float:
    """Half-width of the head temperature band of the run in hand."""
    own = turn.recipe.imprint.temperature_band_K
    return turn.rig.limits.head_band_K if own is None else own


def supply_at_set(turn: Turn) -> Verdict:
    """The regulator stands at the recipe's film pressure.

    With a hand regulator the person is asked before any pressure, measured or not; the question
    is how the person learns what to set. An electronic regulator is only watched.
    """
    rig, target_Pa = turn.rig, turn.recipe.imprint.film_pressure_Pa
    proof, band_Pa = rig.evidence.supply_at_set, rig.limits.supply_band_Pa
    means, detail = Means.MEASURED, ""
    if not rig.has("film_setpoint"):
        question = pressure(
            "supply_gauge",
            f"Set the film regulator to {show_pressure(target_Pa)}: what does its gauge read?",
            GAUGE_TOP * rig.limits.relief_Pa,
            target_Pa,
            f"within {show_pressure(band_Pa)} of {show_pressure(target_Pa)}",
        )
        verdict = ask(turn, question, lambda value: abs(float(value) - target_Pa) <= band_Pa)
        if verdict is not Verdict.DONE:
            return verdict
        means, detail = Means.OPERATOR, f"gauge {show_pressure(number(turn, 'supply_gauge'))}"
    if proof.by == "measured":
        supply_Pa = turn.seen.supply_Pa
        near = supply_Pa is not None and abs(supply_Pa - target_Pa) <= band_Pa
        if not turn.held("supply_at_set", near, proof.dwell_s):
            if turn.held("supply_off_set", supply_Pa is not None and not near, 5.0):
                # The gauge and the sensor disagree: ask for the setting anew.
                forget(turn, "supply_gauge")
            return Verdict.WAIT
        means, detail = Means.MEASURED, f"supply {show_pressure(supply_Pa or 0.0)}"
        turn.memory.supply_set_Pa = supply_Pa
    turn.proved("supply_at_set", means, detail)
    return Verdict.DONE


def film_at_pressure(turn: Turn) -> Verdict:
    """The film stands at the recipe's pressure."""
    rig, target_Pa = turn.rig, turn.recipe.imprint.film_pressure_Pa
    proof, band_Pa = rig.evidence.film_at_pressure, film_band_Pa(turn)
    if proof.by == "measured":
        film_Pa = turn.seen.film_Pa if turn.seen.film_known else None
        near = film_Pa is not None and abs(film_Pa - target_Pa) <= band_Pa
        if not turn.held("film_at_pressure", near, proof.dwell_s):
            return Verdict.WAIT
        turn.proved("film_at_pressure", Means.MEASURED, f"film {show_pressure(film_Pa or 0.0)}")
        return Verdict.DONE
    if turn.stage_age_s() < rig.commissioned.film_rise_s:
        return Verdict.WAIT
    question = pressed_question(turn, "film_gauge", "Film pressure is on.")
    verdict = ask(turn, question, lambda value: abs(float(value) - target_Pa) <= band_Pa)
    if verdict is Verdict.DONE:
        gauge = question.topic.replace("_", " ")
        detail = f"{gauge} {show_pressure(number(turn, question.topic))}"
        turn.proved("film_at_pressure", Means.OPERATOR, detail)
    return verdict


def readings_bled(turn: Turn) -> bool:
    """Tell whether every film sensor has been good, agreeing and under the limit long enough."""
    seen, limits = turn.seen, turn.rig.limits
    low = seen.film_known and seen.film_Pa is not None and seen.film_Pa <= limits.bled_Pa
    return turn.held("readings_bled", low, limits.bled_for_s)


def pressed_question(turn: Turn, topic: str, opening: str) -> Question:
    """Return the question for the pressure on the film, while the supply feeds it.

    On a rig without a film gauge the regulator's gauge is the nearest that can be read.
    """
    target_Pa = turn.recipe.imprint.film_pressure_Pa
    has_gauge = "film" in turn.rig.gauges
    gauge = "film gauge" if has_gauge else "regulator's gauge"
    return pressure(
        topic if has_gauge else "supply_gauge",
        f"{opening} {show_pressure(target_Pa)} wanted: what does the {gauge} read?",
        GAUGE_TOP * turn.rig.limits.relief_Pa,
        target_Pa,
        f"within {show_pressure(film_band_Pa(turn))} of it",
    )


def readings_tell(turn: Turn) -> bool:
    """Tell whether the film sensors alone can prove it bled, by what they were seen to do."""
    memory = turn.memory
    if memory.exposure is not Exposure.YES:
        return memory.exposure is Exposure.NO
    peaks_Pa = memory.peaks_Pa
    return bool(peaks_Pa) and min(peaks_Pa) >= PEAK_TELLS * turn.rig.limits.bled_Pa


def film_bled(turn: Turn) -> Verdict:
    """The film holds no pressure: proven by sensors, by a gauge read twice, or by ear twice."""
    by = turn.rig.evidence.film_bled.by
    if turn.seen.film_Pa is not None and turn.seen.film_Pa > turn.rig.limits.bled_Pa:
        turn.held("readings_bled", False, 0.0)
        return Verdict.WAIT  # nothing that a person says outweighs a sensor that shows pressure
    if by == "measured":
        verdict = _bled_by_sensors(turn)
    elif by == "operator":
        verdict = _bled_twice(turn, _film_gauge(turn), Means.OPERATOR)
    else:
        verdict = _bled_twice(turn, _flow_question(), Means.BY_EAR)
    if verdict is Verdict.DONE:
        turn.memory.exposure = Exposure.NO
        turn.memory.peaks_Pa = ()
    return verdict


def _bled_by_sensors(turn: Turn) -> Verdict:
    memory = turn.memory
    if not readings_bled(turn):
        return Verdict.WAIT
    film = f"film {show_pressure(turn.seen.film_Pa or 0.0)}"
    if memory.exposure is Exposure.NO:
        turn.proved("film_bled", Means.MEASURED, film)
        return Verdict.DONE
    if readings_tell(turn):
        readings: list[Reading] = [turn.seen.readings[role] for role in turn.rig.film_roles]
        fallen = all(
            item.value <= FALLEN_TO * peak_Pa
            for item, peak_Pa in zip(readings, memory.peaks_Pa, strict=True)
        )
        if not fallen:
            return Verdict.WAIT
        peak = show_pressure(min(memory.peaks_Pa))
        turn.proved("film_bled", Means.MEASURED, f"{film}, fallen from {peak}")
        return Verdict.DONE
    # A sensor that has not been seen to move proves nothing by reading zero.
    question = _film_gauge(turn) if "film" in turn.rig.gauges else _flow_question()
    verdict = ask(turn, question, lambda value: _empty(turn, value))
    if verdict is Verdict.DONE:
        value = turn.memory.answers[question.topic].value
        said = value if isinstance(value, str) else f"gauge {show_pressure(value)}"
        means = Means.BY_EAR if isinstance(value, str) else Means.MEASURED
        turn.proved("film_bled", means, f"{film}, {said}")
        forget(turn, question.topic)
    return verdict


def _film_gauge(turn: Turn) -> Question:
    return pressure(
        "film_empty",
        "Read the mechanical gauge on the film line: what does it show?",
        GAUGE_TOP * turn.rig.limits.relief_Pa,
        wants=f"{show_pressure(turn.rig.limits.bled_Pa)} or less, the film empty",
    )


def _flow_question() -> Question:
    return Question(
        "flow_ceased",
        "Listen at the vent: has all flow ceased?",
        ("ceased", "still flowing"),
    )


def _empty(turn: Turn, value: float | str) -> bool:
    return value == "ceased" if isinstance(value, str) else value <= turn.rig.limits.bled_Pa


def _bled_twice(turn: Turn, question: Question, means: Means) -> Verdict:
    """Wait out the vent, then have the same good answer twice, a while apart."""
    rig, memory = turn.rig, turn.memory
    opened_ns = memory.vent_open_since_ns
    if opened_ns is None or turn.now_ns - opened_ns < ns(BLED_WAIT * rig.commissioned.film_vent_s):
        return Verdict.WAIT
    first = f"{question.topic}_first"
    if first in memory.since_ns:
        apart_ns = ns(rig.prompts.second_reading_after_s)
        if turn.now_ns - memory.since_ns[first] < apart_ns:
            return Verdict.WAIT
    verdict = ask(turn, question, lambda value: _empty(turn, value))
    answer = memory.answers.get(question.topic)
    if answer is not None and not _empty(turn, answer.value):
        memory.since_ns.pop(first, None)
    if verdict is not Verdict.DONE:
        return verdict
    forget(turn, question.topic)
    if first not in memory.since_ns:
        memory.since_ns[first] = turn.now_ns
        return Verdict.WAIT
    del memory.since_ns[first]
    said = "gauge read empty twice" if means is Means.OPERATOR else "no flow heard, twice"
    turn.proved("film_bled", means, said)
    return Verdict.DONE


def clamp_open(turn: Turn) -> Verdict:
    """The clamp has let go; `Memory.clamp_found` says what was found."""
    proof, rig, seen = turn.rig.evidence.clamp_open, turn.rig, turn.seen
    if proof.by == "measured":
        empty = seen.clamp_Pa is not None and seen.clamp_Pa <= rig.limits.clamp_open_Pa
        apart = seen.clamp_closed is False or not rig.has("clamp_closed")
        if not turn.held("clamp_open", empty and apart, proof.dwell_s):
            return Verdict.WAIT
        turn.proved("clamp_open", Means.MEASURED, f"clamp {show_pressure(seen.clamp_Pa or 0.0)}")
    elif proof.by == "operator" or turn.in_step(CycleStep.FAULTED):
        # Time since release proves nothing where nothing was released.
        question = Question("clamp_open", "Is the clamp open?", ("open", "closed"))
        verdict = ask(turn, question, lambda value: value == "open")
        answer = turn.memory.answers.get("clamp_open")
        if answer is not None and answer.value == "closed":
            turn.memory.clamp_found = "closed"
        if verdict is not Verdict.DONE:
            return verdict
        turn.proved("clamp_open", Means.OPERATOR, "a person sees it open")
    else:
        wait_s = TIMED_MARGIN * rig.commissioned.clamp_release_s
        if turn.stage_age_s() < wait_s:
            return Verdict.WAIT
        turn.proved("clamp_open", Means.TIMED, f"{wait_s:.1f} s since release")
    turn.memory.clamp_found = "open"
    return Verdict.DONE


def head_at_temperature(turn: Turn) -> Verdict:
    """The head stands in its band for the soak."""
    return _head_in_band(turn, "head_at_temperature", turn.recipe.imprint.soak_s)


def head_soaked_under_clamp(turn: Turn) -> Verdict:
    """The head is back in its band after the cold stack drew on it, and the clamp still full."""
    if not clamp_still_full(turn):
        return Verdict.WAIT
    soak_s = turn.recipe.imprint.soak_under_clamp_s
    if not turn.rig.head_roles:
        return Verdict.DONE if turn.stage_age_s() >= soak_s else Verdict.WAIT
    return _head_in_band(turn, "head_soaked_under_clamp", soak_s)


def _head_in_band(turn: Turn, name: str, soak_s: float) -> Verdict:
    target_degC, band_K = turn.recipe.imprint.temperature_degC, head_band_K(turn)
    if turn.rig.evidence.head_at_temperature.by == "measured":
        head_degC = turn.seen.head_degC if turn.seen.head_known else None
        near = head_degC is not None and abs(head_degC - target_degC) <= band_K
        if not turn.held(name, near, soak_s):
            return Verdict.WAIT
        turn.proved(name, Means.MEASURED, f"head {show_temperature(head_degC or 0.0)}")
        return Verdict.DONE
    if turn.stage_age_s() < heating_s(turn, turn.recipe):
        return Verdict.WAIT
    verdict = ask(
        turn,
        head_question(turn, target_degC, f"within {band_K:g} K of it"),
        lambda value: abs(float(value) - target_degC) <= band_K,
        again_after_s=HEAD_AGAIN_AFTER_s,
    )
    if verdict is Verdict.DONE:
        # The display was in band when it was read; the soak is counted from then.
        if not turn.held(name, True, soak_s):
            return Verdict.WAIT
        detail = f"display {show_temperature(number(turn, 'head_gauge'))}"
        turn.proved(name, Means.OPERATOR, detail)
    return verdict


def head_question(turn: Turn, target_degC: float, wants: str) -> Question:
    """Return the question for the head's temperature."""
    top_degC = turn.rig.limits.head_temperature_degC + 50.0
    text = f"Read the head's display, {show_temperature(target_degC)} wanted: what does it show?"
    return Question("head_gauge", text, (), "degC", -20.0, top_degC, target_degC, wants)


def clamp_found_out(turn: Turn) -> Verdict:
    """Whether the clamp is open or closed has been found out; either is an answer here."""
    closed = turn.rig.evidence.clamp_open.by == "measured" and turn.seen.clamp_closed is True
    if turn.held("clamp_found_closed", closed, turn.rig.evidence.clamp_open.dwell_s):
        turn.memory.clamp_found = "closed"
        return Verdict.DONE
    verdict = clamp_open(turn)
    if turn.memory.clamp_found == "closed" and "clamp_open" in turn.memory.answers:
        return Verdict.DONE
    return verdict


def heating_s(turn: Turn, recipe: Recipe) -> float:
    """Time that the commissioned rate gives for heating to the recipe's temperature."""
    from_degC = turn.seen.head_degC if turn.seen.head_degC is not None else 20.0
    rise_K = max(0.0, recipe.imprint.temperature_degC - from_degC)
    return 60.0 * rise_K / turn.rig.commissioned.heating_K_per_min


def gap_drained(turn: Turn) -> Verdict:
    """The gas between the shut-offs has had its commissioned time to leave through the vent."""
    if turn.stage_age_s() < turn.rig.commissioned.gap_drain_s:
        return Verdict.WAIT
    turn.memory.gap = Gap.EMPTY
    return Verdict.DONE
