"""JSON text of what the program tells: always valid JSON, whatever a float holds."""

import json
import math
from collections.abc import Mapping


def text(facts: Mapping[str, object]) -> str:
    """Write facts as one line of JSON; a number that is not finite becomes null."""
    try:
        return json.dumps(facts, allow_nan=False, separators=(",", ":"), ensure_ascii=False)
    except ValueError:
        plain = _finite(facts)
        return json.dumps(plain, allow_nan=False, separators=(",", ":"), ensure_ascii=False)


def _finite(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value
