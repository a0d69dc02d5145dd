"""The simulated rig behind the port: repeatable, true to its clock, honest about its dead-man."""

import dataclasses

import pytest

from sequencer.driver import Driver
from sequencer.errors import DriverError, InputRefused
from sequencer.model import Clamp, Image, Outputs
from sequencer.units import PSI_Pa
from sequencer.wiring import image
from simulator.bench import Advance
from simulator.driver import create
from simulator.plant import advance
from tests.simulator.cranked import Cranked, cranked, packed, rig_with
from tests.simulator.test_coils import SWITCHES, THREE_WAY, TWO_SHUT_OFFS, spring

CLAMPED = Outputs(clamp=Clamp.APPLY)
PRESSED = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
READY = {"start": {"regulator": "180 psi", "clamp": "closed"}}


def minute(seed: int) -> bytes:
    rig = cranked({"seed": seed, "start": {"regulator": "120 psi"}})
    scans: list[bytes] = []
    for outputs in (Outputs(), CLAMPED, PRESSED, CLAMPED, Outputs(clamp=Clamp.RELEASE)):
        rig.ask("film_gauge", prompt_id=len(scans) + 1)
        rig.run(12.0, outputs, watch=lambda scan: scans.append(packed(scan)))
        scans.append(repr(rig.driver.attendant().answers(rig.now_ns)).encode())
    return b"".join(scans)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others() -> None:
    first = minute(1)
    assert len(first) > 60 * 50 * 12 * 17
    assert minute(1) == first
    assert minute(2) != first


def test_it_is_a_driver() -> None:
    assert isinstance(create({}, rig_with(), "rig.toml"), Driver)


def test_a_long_tick_is_as_good_as_ten_short_ones() -> None:
    short, long = cranked(READY), cranked(READY)
    for rig in (short, long):
        rig.run(0.5, CLAMPED)
    for outputs in (PRESSED, PRESSED, PRESSED, CLAMPED, CLAMPED):
        now = image(dataclasses.replace(outputs, expires_ns=short.now_ns + 10**9), short.rig)
        short.driver.write(now, short.now_ns)
        long.driver.write(now, long.now_ns)
        by_short = short.run(0.2)
        by_long = long.run(0.2, tick_s=0.2)
        assert by_long.film_Pa + 101325.0 == pytest.approx(by_short.film_Pa + 101325.0, rel=0.01)
        assert by_long.head_degC == pytest.approx(by_short.head_degC, rel=1e-3)


def test_a_film_pressed_on_an_open_clamp_bursts() -> None:
    rig = cranked({"start": {"regulator": "180 psi"}})
    truth = rig.run(3.0, dataclasses.replace(PRESSED, clamp=Clamp.LEAVE))
    assert rig.driver.prediction()["film_intact"] == 0.0
    assert truth.film_peak_Pa < 150 * PSI_Pa
    assert truth.film_Pa < 0.2 * truth.film_peak_Pa


def test_a_clamped_film_holds_the_same_pressure() -> None:
    rig = cranked(READY)
    truth = rig.run(3.0, PRESSED)
    assert rig.driver.prediction()["film_intact"] == 1.0
    assert truth.film_Pa == pytest.approx(180 * PSI_Pa, rel=0.05)
    assert rig.value("film_pressure") == pytest.approx(truth.film_Pa, abs=2 * PSI_Pa)


@pytest.mark.parametrize("clamp", ["open", "closed"])
@pytest.mark.parametrize("outputs", [None, spring("apply") | THREE_WAY])
def test_opening_and_reading_move_nothing(clamp: str, outputs: dict[str, object] | None) -> None:
    tables = {} if outputs is None else {"outputs": outputs}
    rig = cranked({"start": {"clamp": clamp, "regulator": "60 psi"}}, **tables)
    before = rig.driver.truth()
    after = rig.run(5.0)
    assert after.piston_m == pytest.approx(before.piston_m, abs=1e-6)
    assert rig.raw("clamp_closed").value == (1.0 if clamp == "closed" else 0.0)
    assert after.film_Pa == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize("dead_man", ["io_timeout", "watchdog_relay"])
def test_the_dead_man_acts_at_the_very_time_of_expiry(dead_man: str) -> None:
    travel = {"gas": {"valve_travel_least": "0 s", "valve_travel_most": "0 s"}}
    once, twice = (cranked(READY | travel, dead_man=dead_man) for _ in range(2))
    for rig in (once, twice):
        rig.run(3.0, PRESSED)
    expires_ns = once.now_ns + 333_333_333
    fresh = image(dataclasses.replace(PRESSED, expires_ns=expires_ns), once.rig)
    once.driver.write(fresh, once.now_ns)
    twice.driver.write(fresh, twice.now_ns)
    # One reads across the expiry; for the other the safe image is written by hand at that instant.
    late = once.run(1.0, tick_s=1.0)
    twice.run(0.333333333, tick_s=0.333333333)
    assert twice.now_ns == expires_ns
    assert twice.driver.truth().film_Pa == pytest.approx(180 * PSI_Pa, rel=0.05)
    safe = dataclasses.replace(CLAMPED, clamp=Clamp.LEAVE, expires_ns=expires_ns + 10**10)
    twice.driver.write(image(safe, twice.rig), twice.now_ns)
    by_hand = twice.run(1.0 - 0.333333333, tick_s=1.0)
    assert late.film_Pa == pytest.approx(by_hand.film_Pa, rel=1e-9)
    assert late.film_Pa < 120 * PSI_Pa
    assert late.piston_m == pytest.approx(0.05, rel=1e-3)
    assert once.run(2.0, tick_s=0.2).film_Pa < 1 * PSI_Pa


@pytest.mark.parametrize("dead_man", ["io_timeout", "watchdog_relay"])
def test_after_the_dead_man_a_new_image_is_obeyed_again(dead_man: str) -> None:
    rig = cranked(READY, dead_man=dead_man)
    rig.run(2.0, PRESSED)
    assert rig.run(5.0).film_Pa < 1 * PSI_Pa
    # A module that timed out has cleared its registers; a relay that dropped has not.
    assert dict(rig.scan.read_back)["supply"] is (dead_man == "watchdog_relay")
    assert rig.run(3.0, PRESSED).film_Pa > 170 * PSI_Pa


def test_an_image_is_good_up_to_its_expiry() -> None:
    rig = cranked(READY)
    rig.run(3.0, PRESSED)
    expires_ns = rig.now_ns + 480_000_000
    rig.driver.write(
        image(dataclasses.replace(PRESSED, expires_ns=expires_ns), rig.rig), rig.now_ns
    )
    assert rig.run(0.48).film_Pa > 170 * PSI_Pa
    assert dict(rig.scan.read_back)["supply"] is True
    rig.run(0.02)
    assert dict(rig.scan.read_back)["supply"] is False


def test_a_rig_without_a_dead_man_holds_what_was_written_last() -> None:
    rig = cranked(READY, dead_man="none")
    rig.run(3.0, PRESSED)
    assert rig.run(10.0).film_Pa > 170 * PSI_Pa


def test_a_dropped_relay_takes_gas_and_heat_but_not_what_holds_the_clamp() -> None:
    outputs = spring("apply") | THREE_WAY
    rig = cranked(None, outputs=outputs, dead_man="watchdog_relay")
    assert rig.run(2.0, Outputs(clamp=Clamp.RELEASE)).piston_m == pytest.approx(0.0, abs=1e-4)
    assert rig.run(4.0).piston_m == pytest.approx(0.0, abs=1e-4)


def test_three_way_valve_and_spring_clamp_are_driven() -> None:
    outputs = spring("apply") | THREE_WAY | SWITCHES
    rig = cranked(None, outputs=outputs)
    pressed = dataclasses.replace(PRESSED, film_setpoint_Pa=100 * PSI_Pa)
    assert rig.run(3.0, CLAMPED).piston_m == pytest.approx(0.05, rel=1e-2)
    assert rig.run(4.0, pressed).film_Pa == pytest.approx(100 * PSI_Pa, rel=0.08)
    assert rig.run(4.0, CLAMPED).film_Pa < 1 * PSI_Pa
    assert rig.run(4.0, Outputs(clamp=Clamp.RELEASE)).piston_m == pytest.approx(0.0, abs=1e-3)


def test_an_electronic_set_point_takes_the_regulator_from_the_hand() -> None:
    outputs = spring("apply") | TWO_SHUT_OFFS | SWITCHES
    rig = cranked({"start": {"regulator": "60 psi"}}, outputs=outputs)
    assert rig.run(1.0).outlet_Pa == pytest.approx(60 * PSI_Pa, rel=0.08)
    told = Outputs(clamp=Clamp.LEAVE, film_setpoint_Pa=150 * PSI_Pa)
    assert rig.run(5.0, told).outlet_Pa == pytest.approx(150 * PSI_Pa, rel=0.04)


def test_valves_take_their_travel() -> None:
    options = READY | {"gas": {"valve_travel_least": "40 ms", "valve_travel_most": "40 ms"}}
    rig = cranked(options)
    rig.run(1.0, CLAMPED)
    fresh = dataclasses.replace(PRESSED, expires_ns=rig.now_ns + 10**9)
    rig.driver.write(image(fresh, rig.rig), rig.now_ns)
    assert rig.run(0.04, tick_s=0.01).film_Pa == pytest.approx(0.0, abs=10.0)
    assert rig.run(0.02, tick_s=0.01).film_Pa > 1 * PSI_Pa


def test_travel_lies_between_its_bounds_and_belongs_to_the_valve() -> None:
    travels = [cranked({"seed": seed}).driver.bench().travel_ns for seed in range(20)]
    for travel in travels:
        assert all(20_000_000 <= delay <= 50_000_000 for delay in travel.values())
    assert len({travel["supply"] for travel in travels}) > 10


def test_one_spool_feeds_and_vents_at_the_same_time() -> None:
    outputs = spring("apply") | THREE_WAY
    for seed in range(5):
        travel = cranked({"seed": seed}, outputs=outputs).driver.bench().travel_ns
        assert travel["supply"] == travel["vent"]


def test_the_clock_must_not_go_back() -> None:
    rig = cranked()
    rig.run(1.0)
    with pytest.raises(DriverError, match="clock went back"):
        rig.driver.read(rig.now_ns - 1)
    with pytest.raises(DriverError, match="clock went back"):
        rig.driver.write(Image({}, {}, 0), rig.now_ns - 1)


def test_time_may_begin_anywhere() -> None:
    far = Cranked(rig_with(), {}, start_ns=123_456_789_012_345)
    near = Cranked(rig_with(), {}, start_ns=0)
    for rig in (far, near):
        rig.run(2.0, CLAMPED)
    assert [raw.value for raw in far.scan.raw] == [raw.value for raw in near.scan.raw]


def test_a_closed_driver_and_an_unknown_channel_are_refused() -> None:
    rig = cranked()
    with pytest.raises(DriverError, match=r"no such channel.*sprinkler"):
        rig.driver.write(Image({"sprinkler": True}, {}, 10**9), rig.now_ns)
    rig.driver.close()
    with pytest.raises(DriverError, match="not open"):
        rig.driver.read(rig.now_ns)


def test_an_input_that_no_rig_has_is_named() -> None:
    inputs = {"humidity": {"channel": "h"}}
    with pytest.raises(InputRefused, match=r"rig\.toml: inputs\.humidity"):
        create({}, rig_with(inputs=inputs), "rig.toml")


def test_gas_used_is_what_the_bottle_lost() -> None:
    rig = cranked(READY)
    before = rig.driver.truth().bottle_kg
    rig.run(3.0, PRESSED)
    after = rig.run(3.0, CLAMPED)
    used_g = rig.driver.prediction()["gas_used_g"]
    assert used_g == pytest.approx((before - after.bottle_kg) * 1e3, rel=1e-6)
    # 0.2 L of nitrogen at 180 psi, about 15 kg/m3 above the room's: some 3 g, and the gap twice.
    assert 2.5 < used_g < 4.0


@pytest.mark.parametrize("wanted", [False, True])
def test_the_option_chooses_the_compiled_plant(
    wanted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[bool] = []

    def load(compiled: bool) -> Advance:
        asked.append(compiled)
        return advance

    monkeypatch.setattr("simulator.driver.load_advance", load)
    cranked({"compiled": wanted})
    assert asked == [wanted]
