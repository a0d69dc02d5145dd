"""Checksums of lines, as text in hexadecimal that goes behind the line."""

from collections.abc import Callable

Checksum = Callable[[bytes], str]


def xor8(data: bytes) -> str:
    """Return the exclusive or of all bytes, two digits."""
    value = 0
    for byte in data:
        value ^= byte
    return f"{value:02X}"


def sum8(data: bytes) -> str:
    """Return the sum of all bytes modulo 256, two digits."""
    return f"{sum(data) & 0xFF:02X}"


def crc16_modbus(data: bytes) -> str:
    """Return the CRC of the Modbus serial line specification (V1.02, 6.2.2), four digits.

    Polynomial 0x8005 reflected, start 0xFFFF; the more significant byte is written first here.
    """
    value = 0xFFFF
    for byte in data:
        value = (value >> 8) ^ _TABLE[(value ^ byte) & 0xFF]
    return f"{value:04X}"


def _entry(index: int) -> int:
    for _ in range(8):
        index = (index >> 1) ^ (0xA001 if index & 1 else 0)
    return index


_TABLE = tuple(_entry(index) for index in range(256))

CHECKSUMS: dict[str, Checksum] = {"xor8": xor8, "sum8": sum8, "crc16-modbus": crc16_modbus}
