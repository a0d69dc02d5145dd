"""The state key: what of the core's memory can still make a difference, in canonical form.

Times stand relative to now, in whole ticks, and capped where no threshold lies beyond; the longer
deadlines are met by an edge of their own: see `search`. What `LEFT_OUT` names changes nothing that
the core does later. Of a trend only the value at its window's begin is kept, not its phase.
"""

import math

from sequencer.config import Rig
from sequencer.core.interlocks import BY_NAME
from sequencer.core.memory import Memory
from sequencer.core.stages import STAGES
from sequencer.core.turn import Turn
from sequencer.explore.plant import Plant
from sequencer.explore.rigs import TICK_ns, TICK_s
from sequencer.model import Clamp, CycleStep

C = CycleStep
BEFORE_VENTING = (C.CLAMPING, C.PRESSURIZING, C.HOLDING, C.COOLING)
DWELLING = (C.HOLDING, C.COOLING)
HELD_CAP = 1  # ticks after which a dwell or delay of the search's rigs is over
AGE_CAP = 2  # and after which what was answered or asked is old
STAGE_CAP_s = 60.0  # a stage whose limit lies beyond is aged by the long edge

Key = tuple[object, ...]

# Fields of `Memory` that the key leaves out, because no later output or step depends on them.
LEFT_OUT = {
    "last_ns": "now",
    "last_end": "told only",
    "weakest": "told only",
    "stopping": "told only",
    "stop_reason": "told only",
    "vent_open_since_ns": "read where a person proves the film bled; none of the rigs",
    "next_prompt": "a number",
    "requests_seen": "forgotten after each scan: every request is a new one",
    "raw_last": "read where an input may freeze; none of the rigs",
    "alarm_rises": "told only",
    "shelves": "told only",
    "pulsed_ns": "no rig has a watchdog output",
}


def state_key(memory: Memory, plant: Plant, told: Clamp, way_back: bool, rig: Rig) -> Key:
    """Return the canonical, hashable form of one state of core, plant and rules."""
    now_ns = memory.last_ns or 0

    def age(since_ns: int, cap: int) -> int:
        ticks = (now_ns - since_ns) // TICK_ns
        return ticks if ticks < cap else cap

    outputs, run = memory.outputs, memory.run
    stage = STAGES[memory.step][memory.stage]
    limit_s = stage.limit(Turn(rig, now_ns, memory))
    if limit_s < STAGE_CAP_s:
        cap = math.ceil(limit_s / TICK_s) + 1
    else:
        cap = 0 if math.isinf(limit_s) and memory.step is not C.COOLING else AGE_CAP
    paused = memory.paused_since_ns
    step = memory.step
    purging = memory.step is C.PURGING
    return (
        plant,
        told,
        way_back,
        memory.step,
        memory.stage,
        age(memory.stage_since_ns, cap),
        None if run is None else run.purpose,
        memory.finish_cooling and step in BEFORE_VENTING,
        memory.trip is None,
        memory.fallback_clamp,
        memory.reset_wanted,
        memory.release_wanted,
        memory.exposure,
        memory.peaks_Pa,
        memory.gap,
        memory.clamp_found,
        memory.guard_opened and step in (C.IDLE, C.HEATING),  # can be had there at any time
        outputs.clamp,
        outputs.supply_open,
        outputs.isolation_open,
        outputs.vent_open,
        outputs.heater_on,
        outputs.coolant_on,
        memory.reference_Pa,
        memory.reference_degC,
        memory.stroke_peak_Pa if purging else 0.0,
        memory.strokes if purging else 0,
        memory.vent_strokes,
        step in DWELLING and memory.leak_tested_ns is not None and age(memory.leak_tested_ns, 3),
        memory.supply_set_Pa if run is not None else None,
        tuple(sorted((name, value) for name, (_, value) in memory.windows.items())),
        memory.cooled,
        memory.late_s > 0.0 and step is C.COOLING,
        _dwelt(memory) if step is C.HOLDING else (),
        age(memory.step_since_ns, 3) if step in (C.HOLDING, C.VENT_UNCONFIRMED) else 0,
        None if paused is None else age(paused, 3),
        tuple(sorted((name, age(at, HELD_CAP)) for name, at in memory.since_ns.items())),
        tuple(sorted((name, age(at, HELD_CAP)) for name, at in memory.watched_since_ns.items())),
        tuple(sorted((topic, age(p.asked_ns, 3)) for topic, p in memory.prompts.items())),
        tuple(
            sorted((topic, a.value, age(a.at_ns, AGE_CAP)) for topic, a in memory.answers.items())
        ),
        tuple(
            sorted(
                name
                for name, alarm in memory.alarms.items()
                if alarm.true_now and BY_NAME[name].response == "trip" and BY_NAME[name].steps
            )
        ),
    )


def _dwelt(memory: Memory) -> tuple[int, ...]:
    times_ns = (memory.in_band_ns, memory.out_of_band_ns, memory.paused_ns)
    return tuple(min(time_ns // TICK_ns, 3) for time_ns in times_ns)
