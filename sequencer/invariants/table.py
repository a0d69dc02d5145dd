"""Every invariant under its number, and who answers for the numbers that no rule of a scan has."""

from collections.abc import Callable
from typing import NamedTuple

from sequencer.invariants import faults, gas, people
from sequencer.invariants.look import Look

Rule = Callable[[Look], str]


class Invariant(NamedTuple):
    """One invariant: its number and its rule, which also names it."""

    number: int
    rule: Rule

    @property
    def name(self) -> str:
        """The rule in words."""
        return self.rule.__name__.replace("_", " ")

    @property
    def label(self) -> str:
        """Number and words."""
        return f"I{self.number} {self.name}"


INVARIANTS: tuple[Invariant, ...] = (
    Invariant(1, gas.supply_opens_only_onto_a_proven_clamp),
    Invariant(2, gas.supply_open_only_in_its_stages),
    Invariant(3, gas.isolation_open_only_in_its_stages),
    Invariant(4, gas.no_straight_way_from_bottle_to_room),
    Invariant(5, gas.a_shut_clamp_lets_go_only_after_the_proof),
    Invariant(6, gas.a_shut_clamp_stays_on_a_film_not_seen_empty),
    Invariant(7, gas.the_clamp_holds_the_film),
    Invariant(8, gas.pressure_only_after_the_proven_clamp),
    Invariant(9, gas.release_only_after_the_bled_film),
    Invariant(10, gas.settled_steps_stand_vented),
    Invariant(11, gas.a_run_starts_within_the_rig),
    Invariant(12, gas.no_feeding_far_above_the_recipe),
    Invariant(13, faults.a_standing_trip_means_the_safe_image),
    Invariant(14, faults.a_trip_is_written_gas_first_and_lets_nothing_go),
    Invariant(15, faults.vent_unconfirmed_is_left_only_with_a_bled_film),
    Invariant(16, faults.only_a_person_leads_out_of_a_fault),
    Invariant(17, faults.a_reset_moves_nothing),
    Invariant(18, faults.every_stage_ends_in_its_time),
    Invariant(19, faults.the_first_out_stays),
    Invariant(20, faults.a_needed_reading_gone_bad_trips),
    Invariant(21, faults.an_old_value_is_a_bad_one),
    Invariant(22, faults.outputs_that_differ_trip),
    Invariant(23, faults.an_open_stop_chain_means_the_safe_image),
    Invariant(24, faults.nothing_is_resumed_at_start_up),
    Invariant(25, faults.the_watchdog_pulses_only_after_a_whole_scan),
    Invariant(29, people.no_heat_on_a_doubtful_head),
    Invariant(31, people.heat_only_where_it_belongs),
    Invariant(32, people.no_open_guard_at_a_working_clamp),
    Invariant(33, people.the_line_is_stroked_no_more_than_its_cap),
    Invariant(34, people.requests_are_taken_only_where_they_may_be),
    Invariant(36, people.each_change_of_outputs_is_told_once),
    # Beyond forty: what heating, proof, gap and purge add, and the last net.
    Invariant(41, gas.no_feeding_at_a_short_clamp),
    Invariant(42, gas.no_gas_at_an_open_clamp),
    Invariant(43, gas.the_film_is_bled_only_by_proof),
    Invariant(44, gas.a_charged_gap_is_remembered),
    Invariant(48, gas.the_vent_is_stroked_three_times_at_most),
    Invariant(45, people.the_clamp_closes_only_where_it_is_meant_to),
    Invariant(46, people.every_move_stands_in_the_table),
    Invariant(47, people.the_core_never_contradicts_itself),
)

ELSEWHERE: tuple[tuple[int, str], ...] = (
    (26, "what hardware does with a dead host: the served rig's expiry, and the rig itself"),
    (27, "no wall clock: the core imports none (import contracts), and replay proves it"),
    (28, "same inputs, same outputs and events: explore steps every state twice; replay"),
    (30, "HOT is shown: `people.a_hot_head_is_shown` looks at a status, not at a scan"),
    (35, "this program has no manual writes"),
    (37, "a blocked record or bus delays no scan: tests of the loop and the record"),
    (38, "one owner of the outputs: the driver's port and its lock"),
    (39, "liveness, a property of the whole graph: explore looks backwards over it"),
    (40, "every sequence of requests: explore searches them all, not only twelve long"),
)


def broken(look: Look) -> tuple[Invariant, str] | None:
    """Return the first invariant that a scan breaks and how, None where all hold."""
    for invariant in INVARIANTS:
        wrong = invariant.rule(look)
        if wrong:
            return invariant, wrong
    return None
