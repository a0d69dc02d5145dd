"""Every kind of fault has its effect on the true rig or on what is read of it, and ends in time."""

import dataclasses
from pathlib import Path

import pytest

from sequencer.errors import LinkLost
from sequencer.model import Clamp, Outputs
from sequencer.units import PSI_Pa
from sequencer.wiring import image
from simulator.faults import KINDS
from tests.simulator.cranked import Cranked, cranked
from tests.simulator.test_coils import THREE_WAY, spring

CLAMPED = Outputs(clamp=Clamp.APPLY)
PRESSED = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
SEALED = Outputs(clamp=Clamp.APPLY, vent_open=False)
PIPE_FULL = Outputs(clamp=Clamp.APPLY, isolation_open=True, vent_open=False)
HEATED = Outputs(heater_on=True, heater_setpoint_degC=100.0)


def struck(kind: str, *, at: str = "0 s", start: dict[str, object] | None = None, **more: object):
    """A cranked rig with one fault, and the same rig without it."""
    ready = {"start": {"regulator": "180 psi", "clamp": "closed"} | (start or {})}
    fault = {"kind": kind, "at": at, **{name.rstrip("_"): value for name, value in more.items()}}
    return cranked(ready | {"faults": [fault]}), cranked(ready)


def both(rigs: tuple[Cranked, Cranked], duration_s: float, outputs: Outputs):
    return tuple(rig.run(duration_s, outputs) for rig in rigs)


def test_supply_stuck_open_feeds_the_film_through_an_open_isolation() -> None:
    bad, good = both(struck("supply_stuck_open"), 3.0, PIPE_FULL)
    assert bad.film_Pa > 170 * PSI_Pa
    assert good.film_Pa < 1 * PSI_Pa


def test_supply_stuck_shut_keeps_the_film_empty() -> None:
    bad, good = both(struck("supply_stuck_shut"), 3.0, PRESSED)
    assert bad.film_Pa < 1 * PSI_Pa
    assert good.film_Pa > 170 * PSI_Pa


def test_isolation_stuck_open_fills_the_gap() -> None:
    bad, good = both(struck("isolation_stuck_open"), 1.0, CLAMPED)
    assert bad.gap_Pa > 170 * PSI_Pa
    assert good.gap_Pa < 1 * PSI_Pa


def test_isolation_stuck_shut_keeps_the_gap_empty() -> None:
    bad, good = both(struck("isolation_stuck_shut"), 1.0, PIPE_FULL)
    assert bad.gap_Pa < 1 * PSI_Pa
    assert good.gap_Pa > 170 * PSI_Pa


def test_vent_stuck_shut_keeps_the_film_full() -> None:
    rigs = struck("vent_stuck_shut")
    both(rigs, 3.0, PRESSED)
    bad, good = both(rigs, 3.0, CLAMPED)
    assert bad.film_Pa > 150 * PSI_Pa
    assert good.film_Pa < 1 * PSI_Pa


def test_vent_stuck_open_lets_the_film_never_fill() -> None:
    bad, good = both(struck("vent_stuck_open"), 3.0, PRESSED)
    assert bad.film_Pa < 130 * PSI_Pa
    assert good.film_Pa > 170 * PSI_Pa


def test_a_leaking_supply_valve_pressurises_a_shut_vessel() -> None:
    bad, good = both(struck("supply_leak", size="0.1 dm3/(s bar)"), 2.0, PIPE_FULL)
    assert bad.film_Pa > 20 * PSI_Pa
    assert good.film_Pa < 1 * PSI_Pa


def test_a_leaking_isolation_valve_fills_the_gap() -> None:
    bad, good = both(struck("isolation_leak"), 5.0, CLAMPED)
    assert bad.gap_Pa > 20 * PSI_Pa
    assert good.gap_Pa < 1 * PSI_Pa


def test_a_leaking_film_loses_its_pressure_when_sealed() -> None:
    rigs = struck("film_leak", at="4 s")
    both(rigs, 3.0, PRESSED)
    bad, good = both(rigs, 10.0, SEALED)
    assert bad.film_Pa < 160 * PSI_Pa
    assert good.film_Pa > 175 * PSI_Pa


def test_lost_clamp_air_empties_the_cylinder() -> None:
    bad, good = both(struck("clamp_air_lost"), 3.0, CLAMPED)
    assert bad.cylinder_Pa < 20 * PSI_Pa
    assert good.cylinder_Pa > 80 * PSI_Pa


def test_a_leaking_clamp_lies_below_the_house_air() -> None:
    bad, good = both(struck("clamp_leak", size="2 dm3/(s bar)"), 5.0, CLAMPED)
    assert bad.cylinder_Pa < good.cylinder_Pa - 5 * PSI_Pa


def test_a_stuck_clamp_never_closes() -> None:
    bad, good = both(struck("clamp_stuck", start={"clamp": "open"}), 5.0, CLAMPED)
    assert bad.piston_m == pytest.approx(0.0, abs=1e-4)
    assert good.piston_m == pytest.approx(0.05, rel=1e-2)


def test_a_creeping_regulator_rises_at_no_flow() -> None:
    bad, good = both(struck("regulator_creep"), 60.0, CLAMPED)
    assert bad.outlet_Pa > good.outlet_Pa + 5 * PSI_Pa


def test_a_frozen_sensor_repeats_itself_with_fresh_times() -> None:
    rigs = struck("sensor_frozen", at="1 s", role="film_pressure")
    both(rigs, 1.0, CLAMPED)
    stuck = rigs[0].raw("film_pressure")
    both(rigs, 3.0, PRESSED)
    now = rigs[0].raw("film_pressure")
    assert (now.value, now.ok) == (stuck.value, True)
    assert now.taken_ns > stuck.taken_ns
    assert rigs[0].value("film_pressure_2") > 170 * PSI_Pa


@pytest.mark.parametrize("role", ["film_pressure_2", "head_temperature", "guard_closed"])
def test_a_bad_sensor_is_not_vouched_for(role: str) -> None:
    rigs = struck("sensor_bad", role=role, at="1 s", for_="1 s")
    both(rigs, 0.5, CLAMPED)
    assert rigs[0].raw(role).ok
    both(rigs, 1.0, CLAMPED)
    assert not rigs[0].raw(role).ok
    assert rigs[1].raw(role).ok
    both(rigs, 1.0, CLAMPED)
    assert rigs[0].raw(role).ok


def test_an_offset_moves_the_reading_and_not_the_truth() -> None:
    rigs = struck("sensor_offset", role="film_pressure", size="20 psi")
    bad, good = both(rigs, 3.0, PRESSED)
    assert bad.film_Pa == good.film_Pa
    higher_Pa = rigs[0].value("film_pressure") - rigs[1].value("film_pressure")
    assert higher_Pa == pytest.approx(20 * PSI_Pa, abs=PSI_Pa)


def test_an_offset_of_the_control_sensor_misleads_the_controller_too() -> None:
    rigs = struck("sensor_offset", role="head_temperature", size="-30 K")
    bad, good = (rig.run(900.0, HEATED, tick_s=0.2) for rig in rigs)
    assert good.head_degC == pytest.approx(100.0, abs=3.0)
    assert bad.head_degC == pytest.approx(130.0, abs=3.0)
    assert rigs[0].value("head_temperature") == pytest.approx(100.0, abs=4.0)


def test_an_open_thermocouple_reads_the_top_and_its_controller_stops_heating() -> None:
    rigs = struck("thermocouple_open", at="60 s", start={"head_temperature": "80 degC"})
    bad, good = (rig.run(120.0, HEATED, tick_s=0.2) for rig in rigs)
    assert rigs[0].value("head_temperature") > 1000.0
    assert rigs[0].value("head_temperature_2") < 110.0
    assert bad.element_W < 1.0 < good.element_W


def test_a_heater_stuck_on_heats_while_it_is_off() -> None:
    bad, good = (rig.run(120.0, CLAMPED, tick_s=0.2) for rig in struck("heater_stuck_on"))
    assert bad.head_degC > good.head_degC + 15.0


def test_a_broken_heater_does_not_heat() -> None:
    bad, good = (rig.run(120.0, HEATED, tick_s=0.2) for rig in struck("heater_open"))
    assert bad.head_degC < 25.0
    assert good.head_degC > 40.0


@pytest.mark.parametrize(
    ("kind", "contact"),
    [("emergency_stop", "emergency_stop"), ("logic_power_lost", "logic_power_ok")],
)
def test_coils_without_power_let_everything_go_to_rest(kind: str, contact: str) -> None:
    rigs = struck(kind, at="3 s", for_="4 s")
    both(rigs, 2.9, PRESSED)
    assert rigs[0].raw(contact).value == 1.0
    bad, good = both(rigs, 3.0, PRESSED)
    assert rigs[0].raw(contact).value == 0.0
    assert bad.film_Pa < 1 * PSI_Pa
    assert good.film_Pa > 170 * PSI_Pa
    # A clamp that holds without power does; the registers still say what was written.
    assert bad.cylinder_Pa > 80 * PSI_Pa
    assert dict(rigs[0].scan.read_back)["supply"] is True
    # Power returning re-opens what the registers still ask for: the sequencer must have written.
    back, _ = both(rigs, 3.0, PRESSED)
    assert rigs[0].raw(contact).value == 1.0
    assert back.film_Pa > 170 * PSI_Pa


def test_an_open_guard_opens_its_contact() -> None:
    rigs = struck("guard_open", at="1 s", for_="1 s")
    seen = []
    for _ in range(3):
        both(rigs, 0.75, CLAMPED)
        seen.append(rigs[0].raw("guard_closed").value)
    assert seen == [1.0, 0.0, 1.0]


def test_a_low_bottle_cannot_feed_the_regulator() -> None:
    rigs = struck("bottle_low", size="150 psi", at="1 s")
    both(rigs, 2.0, CLAMPED)
    assert rigs[0].value("bottle_pressure") == pytest.approx(150 * PSI_Pa, abs=10 * PSI_Pa)
    for _ in range(3):
        both(rigs, 2.0, PRESSED)
        bad, good = both(rigs, 2.0, CLAMPED)
    bad, good = both(rigs, 3.0, PRESSED)
    assert bad.film_Pa < 150 * PSI_Pa
    assert good.film_Pa > 170 * PSI_Pa


@pytest.mark.parametrize("until", ["8 s", None])
def test_a_silent_person_says_nothing_until_back(until: str | None) -> None:
    more = {"for_": until} if until else {}
    bad, good = struck("person_silent", at="0 s", **more)
    for rig in (bad, good):
        rig.ask("film_empty")
        rig.run(7.98, CLAMPED)
    assert len(good.driver.attendant().answers(good.now_ns)) == 1
    assert bad.driver.attendant().answers(bad.now_ns) == ()
    # Back at 8 s the person finds the question still standing, and takes the usual time for it.
    bad.run(7.04, CLAMPED)
    assert len(bad.driver.attendant().answers(bad.now_ns)) == (1 if until else 0)


def test_a_lost_link_raises_and_the_dead_man_acts_meanwhile() -> None:
    bad, _ = struck("link_lost", at="3 s", for_="2 s")
    bad.run(2.98, PRESSED)
    bad.now_ns = 3_500_000_000
    fresh = dataclasses.replace(PRESSED, expires_ns=bad.now_ns + 500_000_000)
    with pytest.raises(LinkLost):
        bad.driver.read(bad.now_ns)
    with pytest.raises(LinkLost):
        bad.driver.write(image(fresh, bad.rig), bad.now_ns)
    with pytest.raises(LinkLost):
        bad.driver.read(4_990_000_000)
    bad.now_ns = 5_020_000_000
    assert bad.run(0.02).film_Pa < 10 * PSI_Pa
    assert dict(bad.scan.read_back)["supply"] is False


@pytest.mark.parametrize(
    ("kind", "supply", "vent"), [("supply_stuck_open", 1.0, 0.0), ("supply_stuck_shut", 0.0, 1.0)]
)
def test_a_stuck_three_way_spool_moves_both_paths(kind: str, supply: float, vent: float) -> None:
    rig = cranked({"faults": [{"kind": kind}]}, outputs=spring("apply") | THREE_WAY)
    rig.run(0.1)
    told = rig.driver.bench().actuation
    assert (told.supply, told.vent) == (supply, vent)


def test_a_fault_ends_at_its_own_time_between_two_scans() -> None:
    rig = cranked(
        {
            "start": {"regulator": "180 psi", "clamp": "closed"},
            "faults": [{"kind": "isolation_stuck_open", "at": "1.003 s", "for": "7 ms"}],
        }
    )
    rig.run(0.2, CLAMPED)
    assert rig.run(0.8, CLAMPED).gap_Pa < 1.0
    after = rig.run(0.02, CLAMPED, tick_s=0.02)
    # 7 ms at 1 dm3/(s bar) and 13 bar fill a gap of 5 mL; a whole tick or none would not do that.
    assert after.gap_Pa > 100 * PSI_Pa
    assert rig.driver.bench().faults == ()


def test_every_kind_of_fault_is_shown_above() -> None:
    shown = "".join(path.read_text() for path in Path(__file__).parent.glob("test_*.py"))
    assert [kind for kind in KINDS if f'"{kind}"' not in shown] == []
