"""What a rig file may say of a device on a serial line, under ``[driver.options]``.

A template is text with places in braces; a pattern is a regular expression that the whole reply
must match, with a named group for each channel that it gives. In group names every run of signs
that are no letters or digits is one underscore: the channel ``film 1`` is the group ``film_1``, the
channel ``24 V`` is ``_24_V``. A group for an output read back is called ``out_`` and the channel.
"""

import dataclasses
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

from pydantic import Field, model_validator

from sequencer.config import SETPOINT_ROLES, Rig
from sequencer.errors import InputRefused, Problem
from sequencer.files import Strict, offer, validate
from sequencer.units import Time

PREFIX = "driver.options"
READ_BACK = "out_"
PLACE = re.compile(r"\{([^{}]*)\}")
TAG_GROUP, SESSION_GROUP = "the_tag", "the_session"


class Identity(Strict):
    """The question that tells which device is there; its group ``session`` changes at a reset."""

    send: str
    expect: str


class Read(Strict):
    """One question for any number of inputs; ``every`` spares a slow device from each scan."""

    send: str
    expect: str
    every_s: Time = Field(alias="every", default=0.0, ge=0)


class Write(Strict):
    """One line that writes an output, or without ``channel`` the whole image.

    Places: ``{value}`` or a channel's name, ``{safe:NAME}`` the value it has after the expiry,
    ``{life_ms}`` the time until then, ``{tag}`` and ``{session}``.
    """

    send: str
    expect: str = ""
    channel: str = ""


class Options(Strict):
    """All of ``[driver.options]`` of the back end ``serial_lines``."""

    port: str
    baud: int = Field(default=115_200, ge=50)
    bytesize: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stopbits: Literal[1, 2] = 1
    raise_dtr: bool = True
    settle_s: Time = Field(alias="settle", default=0.0, ge=0, le=30)
    reply_within_s: Time = Field(alias="reply_within", default=0.1, gt=0, le=10)
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    terminator: Annotated[str, Field(min_length=1, max_length=2)] = "\n"
    echo: bool = False
    checksum: Literal["none", "xor8", "sum8", "crc16-modbus"] = "none"
    checksum_mark: Annotated[str, Field(max_length=2)] = "*"
    on: str = "1"
    off: str = "0"
    leave: str | None = None
    number: str = ".6g"
    words: dict[str, float] = Field(default_factory=dict)
    identity: Identity | None = None
    read: tuple[Read, ...] = Field(min_length=1)
    write: tuple[Write, ...] = ()

    @model_validator(mode="after")
    def _sound(self) -> "Options":
        try:
            text = format(1.5, self.number)
        except ValueError:
            raise ValueError(f'number = "{self.number}" formats no number; try ".6g"') from None
        if not (text + self.terminator + self.checksum_mark).isascii():
            raise ValueError("number, terminator and checksum_mark must be ASCII; change them")
        if self.checksum != "none" and not self.checksum_mark:
            raise ValueError('a checksum needs a mark before it; write checksum_mark = "*"')
        return self


def group_of(channel: str) -> str:
    """Return the name of the pattern's group that gives a channel."""
    name = re.sub(r"[^A-Za-z0-9]+", "_", channel)
    return f"_{name}" if name[:1].isdigit() else name


def compiled(pattern: str) -> re.Pattern[str]:
    """Return a pattern with ``{tag}`` and ``{session}`` made groups, to be compared afterwards.

    Raises:
        re.error: if it is no regular expression.
    """
    text = pattern.replace("{tag}", rf"(?P<{TAG_GROUP}>\S+)")
    return re.compile(text.replace("{session}", rf"(?P<{SESSION_GROUP}>\S+)"))


def switches(rig: Rig) -> dict[str, str]:
    """Map the group of each output that is on or off to its channel."""
    return {
        READ_BACK + group_of(output.channel): output.channel
        for role, output in rig.outputs.items()
        if role not in SETPOINT_ROLES
    }


def read_options(tables: Mapping[str, object], rig: Rig, file: str) -> Options:
    """Return the checked options.

    Raises:
        InputRefused: with every problem, named by the rig file and ``driver.options....``.
    """
    try:
        options = validate(tables, Options, file)
    except InputRefused as refused:
        named = [
            dataclasses.replace(problem, key=f"{PREFIX}.{problem.key}" if problem.key else PREFIX)
            for problem in refused.problems
        ]
        raise InputRefused(*named) from None
    problems = [
        Problem(file, f"{PREFIX}.{key}", f'"{value}"' if value else "", limit, advice)
        for key, value, limit, advice in (*_reads(options, rig), *_writes(options, rig))
    ]
    if problems:
        raise InputRefused(*problems)
    return options


Found = tuple[str, str, str, str]  # key, value, limit, advice


def _reads(options: Options, rig: Rig) -> Iterator[Found]:
    inputs = {group_of(item.channel): item.channel for item in rig.inputs.values()}
    outputs = switches(rig)
    if len(inputs) < len({item.channel for item in rig.inputs.values()}):
        yield "read", "", "two input channels have the same group", "rename one of them"
    given: dict[str, str] = {}
    if options.identity is not None:
        key = "identity"
        groups, problem = _groups(options.identity.expect)
        if problem:
            yield f"{key}.expect", options.identity.expect, problem, "mend the pattern"
        for name in groups - {"session", TAG_GROUP}:
            yield f"{key}.expect", name, "unknown group", "known: session"
        yield from _places(f"{key}.send", options.identity.send, ("tag",))
    for number, read in enumerate(options.read):
        key = f"read.{number}"
        yield from _places(f"{key}.send", read.send, _common(options))
        groups, problem = _groups(read.expect)
        if problem:
            yield f"{key}.expect", read.expect, problem, "mend the pattern"
        for name in sorted(groups - {TAG_GROUP, SESSION_GROUP}):
            if name in given:
                yield f"{key}.expect", name, f"is given by {given[name]} too", "drop one"
            elif name not in inputs and name not in outputs:
                known = (*inputs, *outputs)
                yield (
                    f"{key}.expect",
                    name,
                    "no channel of the rig has this group",
                    offer(name, known),
                )
            given[name] = key
    for name, channel in inputs.items():
        if name not in given:
            yield "read", channel, "no pattern gives this input", f"add a group (?P<{name}>...)"


def _writes(options: Options, rig: Rig) -> Iterator[Found]:
    channels = {output.channel for output in rig.outputs.values()}
    whole = [write for write in options.write if not write.channel]
    named = [write.channel for write in options.write if write.channel]
    if whole and len(options.write) > 1:
        yield "write", "", "one line writes the whole image, others single outputs", "keep one kind"
    elif not whole:
        for channel in sorted(channels - set(named)):
            yield "write", channel, "nothing writes this output", f'add channel = "{channel}"'
    for number, write in enumerate(options.write):
        key = f"write.{number}"
        if write.channel and write.channel not in channels:
            limit, advice = "is no output channel of the rig", offer(write.channel, channels)
            yield f"{key}.channel", write.channel, limit, advice
        if named.count(write.channel) > 1:
            yield f"{key}.channel", write.channel, "is written twice", "drop one"
        values = ("value",) if write.channel else tuple(channels)
        safe = (f"safe:{write.channel}",) if write.channel else [f"safe:{name}" for name in values]
        yield from _places(
            f"{key}.send", write.send, (*_common(options), "life_ms", *values, *safe)
        )
        if not write.channel:
            told = set(PLACE.findall(write.send))
            for channel in sorted(channels - told):
                yield f"{key}.send", channel, "nothing writes this output", f"add {{{channel}}}"
            if options.leave is None:
                limit = "a whole image must be able to leave an output as it is"
                yield "leave", "", limit, 'name the sign that the device leaves it by: leave = "-"'
        groups, problem = _groups(write.expect)
        if problem:
            yield f"{key}.expect", write.expect, problem, "mend the pattern"
        for name in sorted(groups - {TAG_GROUP, SESSION_GROUP} - switches(rig).keys()):
            yield f"{key}.expect", name, "no output has this group", offer(name, switches(rig))


def _common(options: Options) -> tuple[str, ...]:
    identity = options.identity
    known = identity is not None and "session" in _groups(identity.expect)[0]
    return ("tag", "session") if known else ("tag",)


def _groups(pattern: str) -> tuple[set[str], str]:
    """Return the names of a pattern's groups, and what is wrong with it."""
    try:
        return set(compiled(pattern).groupindex), ""
    except re.error as error:
        return set(), f"is no regular expression: {error}"


def _places(key: str, template: str, known: tuple[str, ...]) -> Iterator[Found]:
    for name in PLACE.findall(template):
        if name not in known:
            yield key, f"{{{name}}}", "unknown place", offer(name, known)
    if not template.isascii() or not template.isprintable():
        yield key, template, "must be printable ASCII", "rewrite it"
