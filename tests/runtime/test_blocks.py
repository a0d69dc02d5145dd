"""Scans in blocks: every bit comes back, whatever a float or an integer holds."""

import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.model import Clamp, Host, Inputs, Outputs, RawInput, Request, RequestKind
from sequencer.runtime import blocks, stored
from sequencer.runtime.blocks import Kept
from tests.fakes import bench_rig, grating_recipe

INT64 = st.integers(-(2**63), 2**63 - 1)
BITS = st.integers(0, 2**64 - 1)
CURIOUS = [
    0x0000000000000000,
    0x8000000000000000,  # -0.0
    0x7FF0000000000000,  # inf
    0xFFF0000000000000,
    0x7FF8000000000000,  # nan
    0xFFF8DEADBEEF0001,  # nan with a sign and a payload
    0x0000000000000001,  # the smallest subnormal
]
FLOATS = st.one_of(BITS, st.sampled_from(CURIOUS)).map(
    lambda bits: struct.unpack("<d", struct.pack("<Q", bits))[0]
)
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)


def bits(value):
    """Everything down to the bits of a float, so that NaN and the sign of zero count."""
    if isinstance(value, float):
        return struct.pack("<d", value)
    if isinstance(value, tuple):
        return tuple(bits(item) for item in value)
    if isinstance(value, (RawInput, Inputs, Outputs, Host, Request)):
        return (type(value), *(bits(getattr(value, n)) for n in value.__dataclass_fields__))
    return type(value), value


def requests():
    return st.builds(
        Request,
        kind=st.sampled_from(RequestKind),
        request_id=TEXT,
        actor=TEXT,
        at_rig=st.booleans(),
        recipe=st.sampled_from([None, grating_recipe()]),
        sample=TEXT,
        prompt_id=INT64,
        value=st.one_of(st.none(), FLOATS, TEXT),
        finish_cooling=st.booleans(),
        person=TEXT,
        reason=TEXT,
    )


def outputs():
    return st.builds(
        Outputs,
        clamp=st.sampled_from(Clamp),
        supply_open=st.booleans(),
        isolation_open=st.booleans(),
        vent_open=st.booleans(),
        heater_on=st.booleans(),
        heater_setpoint_degC=st.floats(allow_nan=False),
        coolant_on=st.booleans(),
        film_setpoint_Pa=st.floats(allow_nan=False),
        expires_ns=INT64,
    )


def scans(channels):
    raw = st.builds(RawInput, value=FLOATS, ok=st.booleans(), taken_ns=INT64)
    inputs = st.builds(
        Inputs,
        raw=st.tuples(*[raw] * channels),
        read_back=st.lists(st.tuples(TEXT, st.booleans()), max_size=3).map(tuple),
        requests=st.lists(requests(), max_size=2).map(tuple),
        host=st.builds(Host, st.booleans(), INT64, INT64, st.booleans()),
    )
    return st.builds(Kept, INT64, inputs, outputs())


@settings(deadline=None, max_examples=150)
@given(st.integers(0, 4).flatmap(lambda n: st.lists(scans(n), min_size=1, max_size=6)))
def test_every_bit_comes_back(kept):
    again = list(blocks.unpack(blocks.pack(kept)))
    assert [bits(tuple(scan)) for scan in again] == [bits(tuple(scan)) for scan in kept]


def test_a_sign_of_zero_in_the_outputs_counts_as_a_change():
    kept = [Kept(at, Inputs(()), Outputs(film_setpoint_Pa=v)) for at, v in enumerate((0.0, -0.0))]
    again = list(blocks.unpack(blocks.pack(kept)))
    assert [bits(scan.outputs) for scan in again] == [bits(scan.outputs) for scan in kept]


def test_a_long_steady_block_is_small():
    raw = tuple(RawInput(4.0 + 0.1 * place, True, 0) for place in range(12))
    kept = [
        Kept(at * 20_000_000, Inputs(tuple(RawInput(r.value, True, at * 20_000_000) for r in raw)),
             Outputs(expires_ns=at * 20_000_000 + 500_000_000))
        for at in range(256)
    ]  # fmt: skip
    assert len(blocks.pack(kept)) / 256 < 8


@pytest.mark.parametrize(
    "bad", [b"", b"x", zlib.compress(b""), zlib.compress(b"\x01\0\0\0\0\0\0\0")]
)
def test_damaged_blocks_are_told(bad):
    with pytest.raises(ValueError, match="damaged block"):
        list(blocks.unpack(bad))


def test_a_block_cut_short_or_changed_inside_is_told():
    data = zlib.decompress(blocks.pack([Kept(0, Inputs((RawInput(1.0, True, 0),)), Outputs())]))
    for size in range(len(data)):
        with pytest.raises(ValueError, match="damaged block"):
            list(blocks.unpack(zlib.compress(data[:size])))


@pytest.mark.parametrize("model", [bench_rig(), grating_recipe()])
def test_a_stored_model_is_rebuilt_equal(model):
    again = stored.rebuild(type(model), stored.dump(model))
    assert again == model
    assert repr(again) == repr(model)
    assert type(again) is type(model)


def test_a_rebuilt_rig_keeps_its_nested_models_and_tuples():
    rig = stored.rebuild(type(bench_rig()), stored.dump(bench_rig()))
    assert type(rig.inputs["film_pressure"].scaling).__name__ == "CurrentLoop"
    assert type(rig.inputs["head_temperature"].scaling).__name__ == "Linear"
    assert isinstance(rig.gauges, tuple)
    assert rig.driver.options == bench_rig().driver.options
    assert rig.timing.reaction_s == bench_rig().timing.reaction_s


def test_a_model_stored_with_other_fields_is_refused_by_name():
    text = stored.dump(grating_recipe()).replace('"hold_s"', '"dwell_s"')
    with pytest.raises(ValueError, match="other fields: dwell_s, hold_s"):
        stored.rebuild(type(grating_recipe()), text)
