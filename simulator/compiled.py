"""The same plant source, as it stands or compiled with numba for speed.

There is one source. The compiled plant is made from the functions of `simulator.plant` themselves:
each keeps its code and sees, in place of the functions it calls, their compiled twins.
"""

import types
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING

from sequencer.errors import DriverUnavailable
from simulator.plant import advance
from simulator.values import Actuation, PlantParams, PlantState

if TYPE_CHECKING:
    import numpy

    Row = numpy.ndarray[tuple[int], numpy.dtype[numpy.float64]]

Advance = Callable[[PlantState, PlantParams, Actuation, float], PlantState]

_OWN_PACKAGES = ("simulator.", "sequencer.physics.")


def load_advance(compiled: bool) -> Advance:
    """Return `advance`, interpreted or compiled; both agree to rounding.

    Compiling takes some seconds, once per process. Raises DriverUnavailable when numba, the extra
    `fast`, is not installed.
    """
    if not compiled:
        return advance
    try:
        import numba  # noqa: F401
    except ImportError as missing:
        raise DriverUnavailable(
            "the compiled plant needs numba: install imprint-sequencer[fast], or run interpreted"
        ) from missing
    return _advance_over_rows()


def _advance_over_rows() -> Advance:
    """Return the compiled plant with rows of its own to work in.

    A call hands over three rows: handing over the hundred floats of the tuples one by one would
    cost far more than the plant itself. Mostly nothing but the time is new since the call before.
    """
    import numpy

    carry = _compiled_carry()
    state_row = numpy.empty(len(PlantState._fields))
    latest: PlantState | None = None
    params_had: PlantParams | None = None
    actuation_had: Actuation | None = None
    params_row = actuation_row = state_row

    def advance_compiled(
        state: PlantState, params: PlantParams, actuation: Actuation, duration_s: float
    ) -> PlantState:
        nonlocal latest, params_had, actuation_had, params_row, actuation_row
        if state is not latest:
            state_row[:] = state
        if params is not params_had:
            params_had, params_row = params, numpy.array(params)
        if actuation is not actuation_had:
            actuation_had, actuation_row = actuation, numpy.array(actuation)
        carry(state_row, params_row, actuation_row, duration_s)
        latest = PlantState._make(state_row.tolist())
        return latest

    return advance_compiled


@cache
def _compiled_carry() -> "Callable[[Row, Row, Row, float], None]":
    """Compile `advance` into a function that carries a row of the state forward in place."""
    import numba
    from numba.np.unsafe.ndarray import to_fixed_tuple

    kernel = _compiled(advance, numba.njit, {})
    # Plain names of this function: the compiler takes them for constants.
    state_of, params_of, actuation_of = PlantState, PlantParams, Actuation
    many_states, many_params = len(PlantState._fields), len(PlantParams._fields)
    many_told = len(Actuation._fields)

    def carry(state_row: "Row", params_row: "Row", actuation_row: "Row", duration_s: float) -> None:
        after = kernel(
            state_of(*to_fixed_tuple(state_row, many_states)),
            params_of(*to_fixed_tuple(params_row, many_params)),
            actuation_of(*to_fixed_tuple(actuation_row, many_told)),
            duration_s,
        )
        for at in range(many_states):
            state_row[at] = after[at]

    row = numba.float64[::1]
    compiled: Callable[[Row, Row, Row, float], None]
    compiled = numba.njit(numba.void(row, row, row, numba.float64))(carry)
    return compiled


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
