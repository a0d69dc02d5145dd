"""Scans packed into blocks: column by column, compressed, and every bit comes back.

A block is zlib over three parts: the head (two uint32: number of scans, number of inputs), the
columns, and a JSON tail. The columns are little-endian 64-bit words, each column's bytes sorted by
their place in the word, which makes slow signals compress well:

- time of the scan, as differences; then lateness, clock gap, and expiry of the outputs after now;
- for each input its value as float64 bits, and its age (now less the time it was taken);
- then one byte per scan of host flags, and one byte per scan and input of ``ok``.

The tail holds what changes seldom: requests by scan number, and the read-back and the outputs,
written only where they differ from the scan before.
"""

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, replace
from itertools import accumulate
from operator import attrgetter
from typing import NamedTuple, cast

from sequencer.model import Clamp, Host, Inputs, Outputs, RawInput, Request, RequestKind
from sequencer.recipe import Recipe
from sequencer.runtime import stored

_HEAD = struct.Struct("<II")
_WORD = 8
_MASK = (1 << 64) - 1
_LEVEL = 6
_RECORD_OK, _LINK_OK = 1, 2


class Kept(NamedTuple):
    """One scan as it is kept: when, what went in, what came out."""

    now_ns: int
    inputs: Inputs
    outputs: Outputs


def pack(scans: Sequence[Kept]) -> bytes:
    """Pack scans that all have the same number of inputs."""
    times = [scan.now_ns for scan in scans]
    hosts = [scan.inputs.host for scan in scans]
    channels = list(zip(*(scan.inputs.raw for scan in scans), strict=True))
    parts = [_HEAD.pack(len(scans), len(channels))]
    parts.append(_words(b - a for a, b in zip([0, *times], times, strict=False)))
    parts.append(_words(host.late_ns for host in hosts))
    parts.append(_words(host.clock_gap_ns for host in hosts))
    parts.append(_words(scan.outputs.expires_ns - scan.now_ns for scan in scans))
    for channel in channels:
        parts.append(_sorted(_little(array("d", [raw.value for raw in channel]))))
        parts.append(_words(now - raw.taken_ns for now, raw in zip(times, channel, strict=True)))
    parts.append(bytes(_flags(host) for host in hosts))
    parts.extend(bytes(raw.ok for raw in channel) for channel in channels)
    parts.append(json.dumps(_tail(scans), separators=(",", ":")).encode())
    return zlib.compress(b"".join(parts), _LEVEL)


def unpack(block: bytes) -> Iterator[Kept]:
    """Give the scans of a block back, equal in every bit.

    Raises:
        ValueError: if the bytes are no block, or a damaged one.
    """
    try:
        data = zlib.decompress(block)
        count, inputs = _HEAD.unpack_from(data)
        columns = _Columns(data, count)
        times = list(accumulate(columns.integers()))
        late, gaps, expiries = columns.integers(), columns.integers(), columns.integers()
        values, ages = [], []
        for _ in range(inputs):
            values.append(columns.floats())
            ages.append(columns.integers())
        flags = columns.octets()
        oks = [columns.octets() for _ in range(inputs)]
        tail = json.loads(columns.rest())
        requests = {int(at): tuple(map(_request, items)) for at, items in tail["requests"].items()}
        read_backs = _filled(tail["read_back"], count, _read_back)
        images = _filled(tail["outputs"], count, _image)
    except (zlib.error, struct.error, ValueError, LookupError, TypeError, AttributeError) as error:
        raise ValueError(f"a damaged block of scans: {error}") from error
    for at, now_ns in enumerate(times):
        now_ns = _signed(now_ns)
        raw = tuple(
            RawInput(value[at], bool(ok[at]), _signed(now_ns - age[at]))
            for value, ok, age in zip(values, oks, ages, strict=True)
        )
        host = Host(bool(flags[at] & _RECORD_OK), late[at], gaps[at], bool(flags[at] & _LINK_OK))
        yield Kept(
            now_ns,
            Inputs(raw, read_backs[at], requests.get(at, ()), host),
            replace(images[at], expires_ns=_signed(now_ns + expiries[at])),
        )


class _Columns:
    """Reads the columns of a block one after the other."""

    def __init__(self, data: bytes, count: int) -> None:
        self._data = data
        self._count = count
        self._at = _HEAD.size

    def integers(self) -> "array[int]":
        return self._array("q")

    def floats(self) -> "array[float]":
        return self._array("d")

    def octets(self) -> bytes:
        return self._take(self._count)

    def rest(self) -> bytes:
        return self._data[self._at :]

    def _array(self, code: str) -> "array":  # type: ignore[type-arg]
        column = array(code)
        column.frombytes(_unsorted(self._take(_WORD * self._count), self._count))
        if sys.byteorder == "big":
            column.byteswap()
        return column

    def _take(self, size: int) -> bytes:
        part = self._data[self._at : self._at + size]
        if len(part) != size:
            raise ValueError("it ends too early")
        self._at += size
        return part


def _words(numbers: Iterable[int]) -> bytes:
    """Write integers modulo 2^64, so that a difference of any two times has its place."""
    return _sorted(_little(array("Q", [number & _MASK for number in numbers])))


def _little(column: "array[int] | array[float]") -> bytes:
    if sys.byteorder == "big":
        column.byteswap()
    return column.tobytes()


def _sorted(column: bytes) -> bytes:
    return b"".join(column[place::_WORD] for place in range(_WORD))


def _unsorted(column: bytes, count: int) -> bytes:
    words = bytearray(len(column))
    for place in range(_WORD):
        words[place::_WORD] = column[place * count : (place + 1) * count]
    return bytes(words)


def _signed(number: int) -> int:
    number &= _MASK
    return number - (1 << 64) if number >> 63 else number


def _flags(host: Host) -> int:
    return _RECORD_OK * host.record_ok | _LINK_OK * host.link_ok


def _tail(scans: Sequence[Kept]) -> dict[str, object]:
    requests = {
        at: [_plain_request(request) for request in scan.inputs.requests]
        for at, scan in enumerate(scans)
        if scan.inputs.requests
    }
    read_back, outputs = [], []
    last_back: object = None
    last_image = ""
    for at, scan in enumerate(scans):
        if scan.inputs.read_back != last_back:
            last_back = scan.inputs.read_back
            read_back.append((at, last_back))
        image = _IMAGE(scan.outputs)
        # As text, because two floats that compare equal may still differ in their sign.
        if (text := repr(image)) != last_image:
            last_image = text
            outputs.append((at, [_plain_number(value) for value in image]))
    return {"requests": requests, "read_back": read_back, "outputs": outputs}


def _filled(
    changes: list[tuple[int, list[object]]],
    count: int,
    make: Callable[[list[object]], object],
) -> list:  # type: ignore[type-arg]
    """Spread what was written at its changes over all scans."""
    ends = [at for at, _ in changes[1:]] + [count]
    spread: list[object] = []
    for (at, plain), end in zip(changes, ends, strict=True):
        spread.extend([make(plain)] * (end - at))
    if len(spread) != count:
        raise ValueError("its tail does not fit its columns")
    return spread


def _read_back(plain: list[object]) -> tuple[tuple[str, bool], ...]:
    return tuple((channel, driven) for channel, driven in cast(list[tuple[str, bool]], plain))


_IMAGE_FIELDS = tuple(field.name for field in fields(Outputs) if field.name != "expires_ns")
_IMAGE = attrgetter(*_IMAGE_FIELDS)


def _image(plain: list[object]) -> Outputs:
    values = dict(zip(_IMAGE_FIELDS, map(_number, plain), strict=True))
    return Outputs(**{**values, "clamp": Clamp(values["clamp"])})  # type: ignore[arg-type]


def _plain_request(request: Request) -> dict[str, object]:
    plain = {field.name: getattr(request, field.name) for field in fields(request)}
    plain["value"] = _plain_number(request.value)
    plain["recipe"] = None if request.recipe is None else stored.dump(request.recipe)
    return plain


def _request(plain: dict[str, object]) -> Request:
    recipe = cast(str | None, plain["recipe"])
    values = {
        **plain,
        "kind": RequestKind(str(plain["kind"])),
        "value": _number(plain["value"]),
        "recipe": None if recipe is None else stored.rebuild(Recipe, recipe),
    }
    return Request(**values)  # type: ignore[arg-type]


def _plain_number(value: object) -> object:
    """Write a float by its bits, which JSON's decimal numbers would not keep for a NaN."""
    return {"float64": struct.pack(">d", value).hex()} if isinstance(value, float) else value


def _number(plain: object) -> object:
    if isinstance(plain, dict):
        return struct.unpack(">d", bytes.fromhex(plain["float64"]))[0]
    return plain
