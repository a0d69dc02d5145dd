"""The simulated rig spoken to as the microcontroller board of ``docs/board-protocol.md``.

The board knows nothing of roles and units: it numbers inputs and coils in the order of the rig
file. Like the real one it takes a line whole or not at all, and after the life of the last one has
run out it switches the coils as that line said for this case.
"""

from collections.abc import Callable, Mapping
from random import Random

from drivers.checksum import crc16_modbus
from sequencer.config import SETPOINT_ROLES, Rig
from sequencer.driver import Driver
from sequencer.model import ChannelValue, Image

NAME, VERSION = "imprint-board", "1"
LONGEST_LIFE_ms = 5000
BITS = {"0": False, "1": True}


class Board:
    """One board in front of a simulated rig; ``session`` names its life since power-on."""

    def __init__(self, driver: Driver, rig: Rig, seed: int) -> None:
        self._driver = driver
        self._coils = [o.channel for role, o in rig.outputs.items() if role not in SETPOINT_ROLES]
        self._dials = [o.channel for role, o in rig.outputs.items() if role in SETPOINT_ROLES]
        self._coil_bits = dict.fromkeys(self._coils, False)
        self._dialled: dict[str, float] = {}
        self._rng = Random(f"{seed} board")
        self._expires_ns = 0
        self.session = ""
        self._inputs = len(rig.inputs)
        self._name_session()

    def reset(self, now_ns: int) -> None:
        """Lose power and come back: every coil without power, a new session."""
        nothing = dict.fromkeys(self._coils, False)
        self._driver.write(Image(nothing, nothing, now_ns), now_ns)
        self._dialled.clear()
        self._name_session()

    def _name_session(self) -> None:
        before = self.session
        while self.session == before:
            self.session = f"{self._rng.getrandbits(16):04X}"

    def answer(self, line: bytes, now_ns: int) -> bytes:
        """Return the answer to a line without its end, nothing to one that is damaged."""
        body, mark, checksum = line.rstrip(b"\r\n").rpartition(b"*")
        if not mark or checksum.decode("ascii", "replace") != crc16_modbus(body):
            return b""
        words = body.decode("ascii", "replace").split(" ")
        if len(words) < 2 or len(words[0]) != 2 or not words[0].isdecimal():
            return b""
        said = " ".join((words[0], *self._said(words[1], words[2:], now_ns))).encode("ascii")
        return said + b"*" + crc16_modbus(said).encode("ascii") + b"\n"

    def _said(self, verb: str, given: list[str], now_ns: int) -> list[str]:
        verbs: Mapping[str, tuple[Callable[[list[str], int], list[str]], int]] = {
            "who": (self._who, 0),
            "in": (self._in, 0),
            "set": (self._set, 4 + len(self._dials)),
        }
        if verb not in verbs:
            return ["err", "verb"]
        act, wants = verbs[verb]
        return act(given, now_ns) if len(given) == wants else ["err", "form"]

    def _who(self, _given: list[str], _now_ns: int) -> list[str]:
        sizes = [str(n) for n in (self._inputs, len(self._coils), len(self._dials))]
        return ["who", NAME, VERSION, self.session, *sizes]

    def _in(self, _given: list[str], now_ns: int) -> list[str]:
        scan = self._driver.read(now_ns)
        self._coil_bits.update(scan.read_back)
        values = [f"{item.value:.6g}" if item.ok else "-" for item in scan.raw]
        return ["in", self.session, self._bits(), *values]

    def _set(self, given: list[str], now_ns: int) -> list[str]:
        session, life, now, safe, *dials = given
        if session != self.session:
            return ["err", "session"]
        if not life.isdecimal() or not 0 < int(life) <= LONGEST_LIFE_ms:
            return ["err", "life"]
        values, afterwards = self._coils_of(now), self._coils_of(safe)
        turned = self._dials_of(dials)
        if values is None or afterwards is None or turned is None:
            return ["err", "form"]
        # Dials first, so that nothing is switched on to a set-point of before.
        image = Image({**turned, **values}, afterwards, now_ns + int(life) * 1_000_000)
        self._driver.write(image, now_ns)
        self._dialled.update(turned)
        self._coil_bits.update(self._driver.read(now_ns).read_back)
        return ["set", self.session, self._bits(), *self._dials_shown()]

    def _bits(self) -> str:
        return "".join("1" if self._coil_bits[name] else "0" for name in self._coils)

    def _dials_shown(self) -> list[str]:
        return [f"{self._dialled[n]:.6g}" if n in self._dialled else "-" for n in self._dials]

    def _coils_of(self, bits: str) -> dict[str, bool] | None:
        """Return the coils that a text of 0, 1 and - switches, None if it is no such text."""
        if len(bits) != len(self._coils) or not set(bits) <= {"0", "1", "-"}:
            return None
        return {name: BITS[bit] for name, bit in zip(self._coils, bits, strict=True) if bit in BITS}

    def _dials_of(self, texts: list[str]) -> dict[str, ChannelValue] | None:
        turned: dict[str, ChannelValue] = {}
        for name, text in zip(self._dials, texts, strict=True):
            if text == "-":
                continue
            try:
                turned[name] = float(text)
            except ValueError:
                return None
            if not abs(float(turned[name])) < 1e6:
                return None
        return turned
