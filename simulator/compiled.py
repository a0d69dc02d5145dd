"""The same plant source, as it stands or compiled with numba for speed.

There is one source. The compiled plant is made from the functions of `simulator.plant` themselves:
each keeps its code and sees, in place of the functions it calls, their compiled twins.
"""

import types
from collections.abc import Callable

from sequencer.errors import DriverUnavailable
from simulator.plant import advance
from simulator.values import Actuation, PlantParams, PlantState

Advance = Callable[[PlantState, PlantParams, Actuation, float], PlantState]

_OWN_PACKAGES = ("simulator.", "sequencer.physics.")


def load_advance(compiled: bool) -> Advance:
    """Return `advance`, interpreted or compiled; both agree to rounding.

    Compiling happens at the first call and takes some seconds, once per process. Raises
    DriverUnavailable when numba, the extra `fast`, is not installed.
    """
    if not compiled:
        return advance
    try:
        import numba
    except ImportError as missing:
        raise DriverUnavailable(
            "the compiled plant needs numba: install imprint-sequencer[fast], or run interpreted"
        ) from missing
    compile_one: Callable[[Callable[..., object]], Advance] = numba.njit
    return _compiled(advance, compile_one, {})


def _compiled(
    function: types.FunctionType | Callable[..., object],
    compile_one: Callable[[Callable[..., object]], Advance],
    done: dict[str, Advance],
) -> Advance:
    """Compile a function after everything of ours that it calls; no call circle is allowed."""
    assert isinstance(function, types.FunctionType)
    name = f"{function.__module__}.{function.__qualname__}"
    if name not in done:
        seen = dict(function.__globals__)
        for used in function.__code__.co_names:
            value = seen.get(used)
            if isinstance(value, types.FunctionType) and value.__module__.startswith(_OWN_PACKAGES):
                seen[used] = _compiled(value, compile_one, done)
        twin = types.FunctionType(function.__code__, seen, function.__name__)
        twin.__module__ = function.__module__
        done[name] = compile_one(twin)
    return done[name]
