"""Channels of the simulated rig: noise, lag, scaling, resolution and age are what was asked."""

import itertools
import math
import statistics
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.config import CurrentLoop, Input, Linear
from sequencer.units import PSI_Pa
from simulator.sensors import (
    BURNT_OUT_degC,
    Character,
    Contact,
    LOOP_STEP_mA,
    Transmitter,
)
from tests.simulator.cranked import cranked, packed

QUIET = Character(lag_s=0.0, noise=0.0, offset_spread=0.0, quantum=1e-6, period_s=0.0)
TICK_ns = 20_000_000


def loop(low_Pa: float, high_Pa: float) -> Input:
    scaling = CurrentLoop(kind="current_loop", low=f"{low_Pa!r} Pa", high=f"{high_Pa!r} Pa")
    return Input(channel="x", scaling=scaling)


@given(
    low_Pa=st.floats(-1e5, 1e5),
    span_Pa=st.floats(1e4, 1e7),
    share=st.floats(0.0, 1.0),
)
def test_a_current_loop_is_undone_to_half_a_step(
    low_Pa: float, span_Pa: float, share: float
) -> None:
    truth_Pa = low_Pa + share * span_Pa
    transmitter = Transmitter(loop(low_Pa, low_Pa + span_Pa), QUIET, Random(1))
    raw_mA = transmitter.sample(truth_Pa, 0).value
    back_Pa = low_Pa + (raw_mA - 4.0) / 16.0 * span_Pa
    assert back_Pa == pytest.approx(truth_Pa, abs=0.51 * LOOP_STEP_mA / 16.0 * span_Pa)
    assert raw_mA / LOOP_STEP_mA == pytest.approx(round(raw_mA / LOOP_STEP_mA), abs=1e-6)


@given(gain=st.floats(0.01, 100.0), offset=st.floats(-50.0, 50.0), truth=st.floats(-50.0, 400.0))
def test_a_straight_line_is_undone(gain: float, offset: float, truth: float) -> None:
    channel = Input(channel="x", scaling=Linear(gain=gain, offset=offset))
    raw = Transmitter(channel, QUIET, Random(1)).sample(truth, 0).value
    assert gain * raw + offset == pytest.approx(truth, abs=1e-5)


def test_a_transmitter_saturates_inside_the_bands_of_ne_43() -> None:
    # NAMUR NE 43: measuring from 3.8 to 20.5 mA; a failure is signalled outside 3.6 to 21 mA.
    transmitter = Transmitter(loop(0.0, 1e6), QUIET, Random(1))
    assert transmitter.sample(-1e6, 0).value == pytest.approx(3.8, abs=LOOP_STEP_mA)
    assert transmitter.sample(9e6, TICK_ns).value == pytest.approx(20.5, abs=LOOP_STEP_mA)


def test_noise_is_as_strong_as_asked_and_offset_is_its_own() -> None:
    character = QUIET._replace(noise=200.0, offset_spread=500.0)
    transmitter = Transmitter(Input(channel="x"), character, Random("noise"))
    values = [transmitter.sample(1e6, tick * TICK_ns).value for tick in range(8000)]
    assert statistics.stdev(values) == pytest.approx(200.0, rel=0.05)
    own = statistics.fmean(values) - 1e6
    assert own == pytest.approx(Random("noise").gauss(0.0, 500.0), abs=10.0)
    apart = [b - a for a, b in itertools.pairwise(values)]
    # White noise: differences of neighbours spread sqrt(2) wider.
    assert statistics.stdev(apart) == pytest.approx(200.0 * math.sqrt(2), rel=0.05)


@pytest.mark.parametrize("tick_s", [0.02, 0.2])
def test_lag_is_first_order_at_any_tick(tick_s: float) -> None:
    transmitter = Transmitter(Input(channel="x"), QUIET._replace(lag_s=0.5), Random(1))
    transmitter.sample(0.0, 0)
    for tick in range(1, round(1.0 / tick_s) + 1):
        value = transmitter.sample(100.0, round(tick * tick_s * 1e9)).value
    assert value == pytest.approx(100.0 * (1.0 - math.exp(-1.0 / 0.5)), abs=1e-4)


def test_a_slow_channel_repeats_its_last_sample_with_its_true_age() -> None:
    transmitter = Transmitter(Input(channel="x"), QUIET._replace(period_s=0.25), Random(1))
    start_ns = 7_000_000_123
    seen = [transmitter.sample(float(tick), start_ns + tick * TICK_ns) for tick in range(101)]
    assert {(reading.taken_ns - start_ns) % 250_000_000 for reading in seen} == {0}
    assert len({reading.taken_ns for reading in seen}) == 9
    assert all(
        0 <= start_ns + tick * TICK_ns - reading.taken_ns < 250_000_000
        for tick, reading in enumerate(seen)
    )


def test_temperatures_come_in_tenths_and_contacts_as_one_or_nought() -> None:
    rig = cranked()
    for _ in range(30):
        rig.run(0.3)
        tenths = rig.raw("head_temperature").value * 10
        assert tenths == pytest.approx(round(tenths), abs=1e-9)
        assert rig.raw("clamp_closed").value == 0.0
        assert rig.raw("guard_closed").value == 1.0


def test_a_contact_wired_the_other_way_round_is_turned_over() -> None:
    contact = Contact(Input(channel="x", scaling=Linear(gain=-1.0, offset=1.0)))
    assert contact.state(True) == (0.0, True)
    assert contact.state(False) == (1.0, True)


def test_each_fault_of_a_transmitter_and_its_end() -> None:
    transmitter = Transmitter(Input(channel="x"), QUIET, Random(1))
    assert transmitter.sample(5.0, 0).value == pytest.approx(5.0)
    transmitter.fail(frozen=True)
    stuck = transmitter.sample(9.0, TICK_ns)
    assert (stuck.value, stuck.ok, stuck.taken_ns) == (pytest.approx(5.0), True, TICK_ns)
    transmitter.fail(bad=True)
    assert not transmitter.sample(9.0, 2 * TICK_ns).ok
    transmitter.fail(offset=2.0)
    assert transmitter.sample(9.0, 3 * TICK_ns).value == pytest.approx(11.0)
    transmitter.fail(burnt_out=True)
    assert transmitter.sample(9.0, 4 * TICK_ns).value == pytest.approx(BURNT_OUT_degC)
    transmitter.fail()
    assert transmitter.sample(9.0, 5 * TICK_ns).value == pytest.approx(9.0)


def test_one_channel_does_not_change_the_noise_of_another() -> None:
    full = cranked()
    alone = cranked(
        inputs={
            "clamp_pressure": {
                "channel": "clamp",
                "scaling": {"kind": "current_loop", "low": "0 psi", "high": "150 psi"},
            }
        }
    )
    for _ in range(20):
        full.run(0.02)
        alone.run(0.02)
        assert full.raw("clamp_pressure") == alone.raw("clamp_pressure")


def test_twin_sensors_differ_by_their_own_errors_only() -> None:
    rig = cranked({"start": {"film_pressure": "100 psi", "energised": ["film_vent"]}})
    rig.run(0.1)
    first, second = rig.value("film_pressure"), rig.value("film_pressure_2")
    assert first != second
    assert first == pytest.approx(second, abs=3 * PSI_Pa)
    assert packed(rig.scan)
