"""The faults beyond the first: each changes what is so, what is read, or what is said."""

import pytest

from sequencer.errors import InputRefused, LinkLost
from sequencer.units import PSI_Pa
from simulator.driver import create
from simulator.faults import PULSED, parts
from simulator.options import read_options
from tests.simulator.cranked import Cranked, cranked, rig_with
from tests.simulator.test_faults import CLAMPED, HEATED, PIPE_FULL, PRESSED, SEALED, both, struck

FILM_2 = {"role": "film_pressure_2"}


def after_press(rigs: tuple[Cranked, Cranked], outputs=CLAMPED, then_s: float = 3.0):
    both(rigs, 3.0, PRESSED)
    return both(rigs, then_s, outputs)


@pytest.mark.parametrize("kind", ["vent_blocked", "vent_choked"])
def test_a_blocked_vent_keeps_gas_in(kind: str) -> None:
    bad, good = after_press(struck(kind), then_s=1.5)
    assert bad.film_Pa > 5 * PSI_Pa
    assert good.film_Pa < 3 * PSI_Pa


def test_a_leaking_vent_loses_a_sealed_film() -> None:
    bad, good = after_press(struck("vent_leak", size="0.1 dm3/(s bar)"), SEALED)
    assert bad.film_Pa < good.film_Pa - 20 * PSI_Pa


@pytest.mark.parametrize("kind", ["film_pinhole", "film_edge_leak", "film_missing", "film_burst"])
def test_a_film_at_fault_loses_its_gas(kind: str) -> None:
    bad, good = after_press(struck(kind, at="3 s"), SEALED, 5.0)
    assert bad.film_Pa < good.film_Pa - 2 * PSI_Pa


@pytest.mark.parametrize(("role", "word"), [("film_supply", "shut"), ("film_vent", "open")])
def test_a_stuck_valve_stays_where_it_stands(role: str, word: str) -> None:
    rigs = struck("valve_stuck", role=role, at="0.5 s")
    both(rigs, 0.9, CLAMPED)
    both(rigs, 3.0, PRESSED)
    told = rigs[0].driver.bench().actuation
    assert getattr(told, role.removeprefix("film_")) == (1.0 if word == "open" else 0.0)
    assert struck("valve_stuck", role="clamp")[0].run(0.1, CLAMPED).cylinder_Pa > 0.0


def test_a_slow_valve_comes_late() -> None:
    bad, good = after_press(struck("valve_slow", role="film_vent", size="2 s"), then_s=1.0)
    assert bad.film_Pa > 100 * PSI_Pa > good.film_Pa


def test_a_chattering_valve_feeds_less() -> None:
    bad, good = both(struck("valve_chatter", role="film_supply"), 0.6, PRESSED)
    assert bad.film_Pa < good.film_Pa - 1 * PSI_Pa


def test_a_regulator_set_high_or_low_shows_at_the_outlet() -> None:
    for kind, sign in (("regulator_high", 1.0), ("regulator_low", -1.0)):
        bad, good = both(struck(kind), 10.0, PRESSED)
        assert sign * (bad.outlet_Pa - good.outlet_Pa) > 40 * PSI_Pa


def test_a_bottle_is_emptied_or_changed() -> None:
    bad, _ = both(struck("bottle_empty", at="1 s"), 2.0, CLAMPED)
    assert bad.inlet_Pa < 25 * PSI_Pa
    bad, good = both(struck("bottle_changed", at="1 s"), 5.0, CLAMPED)
    assert bad.inlet_Pa > good.inlet_Pa + 200 * PSI_Pa


def test_house_air_sags_and_comes_back() -> None:
    bad, good = both(struck("air_low"), 5.0, CLAMPED)
    assert bad.cylinder_Pa < good.cylinder_Pa - 15 * PSI_Pa
    rigs = struck("air_returns", at="0 s")
    low, _ = both(rigs, 1.9, CLAMPED)
    back, good = both(rigs, 5.0, CLAMPED)
    assert low.cylinder_Pa < 40 * PSI_Pa < back.cylinder_Pa


def test_a_clamp_valve_that_drops_or_sticks() -> None:
    bad, good = both(struck("clamp_dropped"), 2.0, CLAMPED)
    assert bad.cylinder_Pa < 20 * PSI_Pa < good.cylinder_Pa
    from sequencer.model import Clamp, Outputs

    let_go = Outputs(clamp=Clamp.RELEASE)
    bad, good = both(struck("clamp_stuck_applied"), 3.0, let_go)
    assert bad.cylinder_Pa > 50 * PSI_Pa > good.cylinder_Pa


def test_a_controller_that_was_moved_heats_elsewhere() -> None:
    bad, good = (rig.run(900.0, HEATED, tick_s=0.2) for rig in struck("controller_moved"))
    assert bad.head_degC > good.head_degC + 20.0


def test_lost_coolant_cools_slower() -> None:
    from sequencer.model import Outputs

    rigs = struck("coolant_lost", start={"head_temperature": "150 degC"})
    bad, good = (rig.run(60.0, Outputs(coolant_on=True), tick_s=0.2) for rig in rigs)
    assert bad.head_degC > good.head_degC + 3.0


@pytest.mark.parametrize(
    ("kind", "low", "high"),
    [("thermocouple_shorted", 15, 30), ("thermocouple_reversed", -120, -40),
     ("thermocouple_loose", 60, 80), ("thermocouple_wrong_type", 78, 92)],
)  # fmt: skip
def test_a_thermocouple_at_fault_reads_too_little(kind: str, low: float, high: float) -> None:
    bad, _ = struck(kind, start={"head_temperature": "100 degC"})
    bad.run(2.0, CLAMPED)
    assert low < bad.value("head_temperature") < high
    assert bad.value("head_temperature_2") > 95.0


@pytest.mark.parametrize(
    ("kind", "size", "least_psi"),
    [("sensor_drift", "5 psi/s", 10.0), ("sensor_stuck_high", "", 150.0),
     ("sensor_stuck_low", "", 150.0), ("sensor_wrong_unit", "", 100.0),
     ("sensors_swapped", "", 50.0)],
)  # fmt: skip
def test_a_sensor_that_lies_is_away_from_the_truth(kind: str, size: str, least_psi: float) -> None:
    more = {"size": size} if size else {}
    rigs = struck(kind, **FILM_2, **more)
    both(rigs, 3.0, PRESSED)
    apart_Pa = rigs[0].value("film_pressure_2") - rigs[1].value("film_pressure_2")
    assert abs(apart_Pa) > least_psi * PSI_Pa
    assert rigs[0].driver.truth().film_Pa == rigs[1].driver.truth().film_Pa
    assert rigs[0].raw("film_pressure_2").ok


def test_noise_and_a_spike() -> None:
    noisy, _ = struck("sensor_noise", **FILM_2, size="20 psi")
    seen: list[float] = []
    noisy.run(1.0, CLAMPED, watch=lambda _scan: seen.append(noisy.value("film_pressure_2")))
    assert max(seen) > 10 * PSI_Pa
    rigs = struck("sensor_spike", **FILM_2, size="50 psi", at="1 s")
    seen = []
    rigs[0].run(2.0, CLAMPED, watch=lambda _scan: seen.append(rigs[0].value("film_pressure_2")))
    assert sum(value > 10 * PSI_Pa for value in seen) in (1, 2)


@pytest.mark.parametrize("kind", ["sensor_slow", "sensor_delayed"])
def test_a_late_sensor_still_shows_what_was(kind: str) -> None:
    rigs = struck(kind, **FILM_2, size="2 s")
    both(rigs, 0.6, PRESSED)
    assert rigs[0].value("film_pressure_2") < rigs[1].value("film_pressure_2") - 20 * PSI_Pa
    assert rigs[0].raw("film_pressure_2").taken_ns == rigs[0].now_ns


def test_a_stale_sample_keeps_its_time() -> None:
    rigs = struck("sensor_stale", **FILM_2, at="1 s")
    both(rigs, 3.0, PRESSED)
    assert rigs[0].now_ns - rigs[0].raw("film_pressure_2").taken_ns > 1_500_000_000


@pytest.mark.parametrize(("kind", "mA"), [("loop_open", 0.0), ("loop_shorted", 22.5)])
def test_a_current_loop_leaves_its_band(kind: str, mA: float) -> None:
    rigs = struck(kind, **FILM_2)
    both(rigs, 0.1, CLAMPED)
    assert rigs[0].raw("film_pressure_2").value == mA


def test_contacts_say_what_is_not_so() -> None:
    for kind, start, said in (("contact_open", "closed", 0.0), ("contact_closed", "open", 1.0)):
        rigs = struck(kind, role="guard_closed", start={"guard": start})
        both(rigs, 0.1, CLAMPED)
        assert rigs[0].raw("guard_closed").value == said != rigs[1].raw("guard_closed").value
    rig, _ = struck("contact_chatter", role="guard_closed")
    place = list(rig.rig.inputs).index("guard_closed")
    seen: list[float] = []
    rig.run(1.0, CLAMPED, watch=lambda scan: seen.append(scan.raw[place].value))
    assert len(set(seen)) == 2


def test_a_blown_fuse_and_a_welded_output() -> None:
    bad, good = both(struck("fuse_blown", role="film_supply"), 3.0, PRESSED)
    assert bad.film_Pa < 1 * PSI_Pa < good.film_Pa
    bad, good = both(struck("output_stuck_on", role="film_isolation", at="0.5 s"), 2.0, CLAMPED)
    assert bad.gap_Pa > 100 * PSI_Pa > good.gap_Pa
    both_ways = struck("output_stuck_on", role="film_supply", at="0 s", for_="1 s")
    bad, good = both(both_ways, 3.0, PIPE_FULL)
    assert bad.film_Pa > 50 * PSI_Pa > good.film_Pa


def test_a_brown_out_shakes_the_contact_of_its_supply() -> None:
    rig, _ = struck("brown_out")
    place = list(rig.rig.inputs).index("logic_power_ok")
    seen: list[float] = []
    rig.run(1.0, CLAMPED, watch=lambda scan: seen.append(scan.raw[place].value))
    assert len(set(seen)) == 2


def test_a_frozen_read_back_does_not_follow() -> None:
    rigs = struck("read_back_frozen", at="1 s")
    both(rigs, 1.5, CLAMPED)
    both(rigs, 1.0, PRESSED)
    assert dict(rigs[0].scan.read_back)["supply"] is False
    assert dict(rigs[1].scan.read_back)["supply"] is True


def test_a_late_link_and_a_repeated_scan_show_old_times() -> None:
    late, _ = struck("link_late", size="0.4 s")
    late.run(2.0, CLAMPED)
    assert late.now_ns - late.raw("film_pressure").taken_ns == pytest.approx(0.4e9, abs=0.03e9)
    same, _ = struck("scan_repeated", at="1 s")
    same.run(2.0, CLAMPED)
    assert same.now_ns - same.raw("film_pressure").taken_ns > 0.9e9


def test_a_garbled_reply_spoils_some_channels() -> None:
    rig, _ = struck("link_garbage")
    rig.run(0.1, CLAMPED)
    assert {item.ok for item in rig.scan.raw} == {True, False}


@pytest.mark.parametrize(
    ("kind", "topic"), [("person_wrong_number", "clamp_gauge"), ("person_contrary", "clamp_open")]
)
def test_a_person_who_is_wrong(kind: str, topic: str) -> None:
    said = []
    for rig in struck(kind):
        from sequencer.model import Prompt

        choices = ("open", "closed") if topic == "clamp_open" else ()
        prompt = Prompt(1, topic, topic, rig.now_ns, 10**12, choices=choices)
        rig.driver.attendant().asked(prompt, rig.now_ns)
        rig.run(10.0, CLAMPED)
        said.append(rig.driver.attendant().answers(rig.now_ns)[0].value)
    assert said[0] != said[1]


def test_a_hasty_person_says_what_is_wanted_and_does_nothing() -> None:
    rig, _ = struck("person_hasty", start={"regulator": "0 psi"})
    rig.run(0.1, CLAMPED)
    rig.ask("supply_gauge", target=180 * PSI_Pa)
    rig.run(1.0, CLAMPED)
    assert rig.driver.attendant().answers(rig.now_ns)[0].value == 180 * PSI_Pa
    assert rig.driver.truth().outlet_Pa < 5 * PSI_Pa


def test_a_fault_in_a_step_waits_for_that_step() -> None:
    rig = cranked({"faults": [{"kind": "link_lost", "at": "holding + 1 s", "for": "1 s"}]})
    rig.run(5.0, CLAMPED)
    rig.driver.entered("holding", "dwell", rig.now_ns)
    rig.run(0.9, CLAMPED)
    with pytest.raises(LinkLost):
        rig.run(0.2, CLAMPED)


@pytest.mark.parametrize(
    ("at", "after", "from_ns"),
    [("3 s", "", 3_000_000_000), ("holding", "holding", 0),
     ("holding + 30 s", "holding", 30_000_000_000),
     ("clamping/try supply + 0.2 s", "clamping/try supply", 200_000_000),
     ("venting scan 3", "venting", 60_000_000)],
)  # fmt: skip
def test_when_a_fault_strikes(at: str, after: str, from_ns: int) -> None:
    options = read_options({"faults": [{"kind": "film_burst", "at": at}]}, "rig.toml")
    fault = options.faults[0].fault()
    assert (fault.after, fault.from_ns) == (after, from_ns)


@pytest.mark.parametrize("at", ["houlding + 3 s", "-1 s", "holding + 3 psi", "soon"])
def test_a_moment_that_makes_no_sense_is_refused(at: str) -> None:
    with pytest.raises(InputRefused):
        create({"faults": [{"kind": "film_burst", "at": at}]}, rig_with(), "rig.toml")


def test_pulses_end_with_their_fault() -> None:
    for kind in PULSED:
        role = "film_supply" if kind == "valve_chatter" else "guard_closed"
        role = "film_pressure" if kind == "sensor_spike" else role
        given = {"kind": kind, "at": "1 s", "for": "300 ms"}
        if kind not in ("brown_out", "air_returns"):
            given["role"] = role
        if kind == "sensor_spike":
            given["size"] = "5 psi"
        fault = read_options({"faults": [given]}, "rig.toml").faults[0].fault()
        assert all(fault.from_ns <= part.from_ns < fault.until_ns for part in parts(fault))


def test_a_copied_rig_goes_its_own_way() -> None:
    rig = cranked({"start": {"regulator": "180 psi", "clamp": "closed"}})
    rig.run(1.0, CLAMPED)
    copies = [rig.driver.copied(), rig.driver.copied()]
    before = rig.driver.truth()
    scans = []
    for copy in copies:
        other = Cranked.__new__(Cranked)
        other.driver, other.rig, other.now_ns, other.scan = copy, rig.rig, rig.now_ns, rig.scan
        other.run(2.0, PRESSED)
        scans.append(other.scan)
    assert rig.driver.truth() == before
    assert scans[0] == scans[1]
    assert copies[0].truth().film_Pa > 100 * PSI_Pa
