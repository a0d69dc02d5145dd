"""The result of a run in one document, gathered scan by scan."""

import math
from collections.abc import Callable, Iterable, Mapping

from sequencer.config import Rig
from sequencer.events import (
    AlarmChanged,
    Event,
    EvidenceHad,
    RequestAnswered,
    RunEnded,
    RunStarted,
    Step,
    StepEntered,
)
from sequencer.files import digest
from sequencer.model import Clamp, CycleStep, Estimate, Inputs, Means
from sequencer.physics import film, nitrogen
from sequencer.recipe import Recipe
from sequencer.runtime.trace import Point, Trace
from sequencer.units import ATMOSPHERE_abs_Pa

SCHEMA = 1
PRESSED = 0.2  # of the recipe's film pressure: below it a margin is not the run's


def _nothing() -> Mapping[str, float]:
    return {}


class Summary:
    """A sink that gathers a run's result; ``prediction`` is the driver's.

    Times are from the first scan. Unknown is None, never zero: peaks and margins count measured
    values only, gas and fill only what the back end predicts.
    """

    def __init__(
        self,
        rig: Rig,
        recipe: Recipe | None = None,
        *,
        run_id: str = "",
        prediction: Callable[[], Mapping[str, float]] = _nothing,
        warnings: Iterable[str] = (),
    ) -> None:
        self._rig = rig
        self._recipe = recipe
        self._run_id = run_id
        self._prediction = prediction
        self._warnings = list(warnings)
        self._problems: list[str] = []
        self._trace = Trace()
        self._began_ns: int | None = None
        self._now_s = 0.0
        self._started_s: float | None = None
        self._ended_s: float | None = None
        self._outcome: str | None = None
        self._verified: str | None = None
        self._weakest: Means | None = None
        self._steps: list[dict[str, object]] = []
        self._evidence: list[dict[str, object]] = []
        self._alarms: list[dict[str, object]] = []
        self._peak_film_Pa: float | None = None
        self._peak_head_degC: float | None = None
        self._least_clamp_margin: float | None = None
        self._least_film_margin: float | None = None
        self._bottle_Pa: float | None = None
        self._blind_s = 0.0
        self._record_ok = True

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Gather one scan."""
        if self._began_ns is None:
            self._began_ns = now_ns
        before_s, self._now_s = self._now_s, (now_ns - self._began_ns) / 1e9
        running = self._running
        for event in step.events:
            self._hear(event)
        if running or self._running:
            self._measure(step)
            if not inputs.host.link_ok:
                self._blind_s += self._now_s - before_s
        self._record_ok = self._record_ok and inputs.host.record_ok
        if self._trace.due(now_ns):
            self._trace.add(now_ns, self._point(step.estimate))

    @property
    def _running(self) -> bool:
        return self._started_s is not None and self._ended_s is None

    def refuse(self, *problems: str) -> None:
        """Note why the run did not begin; the outcome is then ``refused``."""
        self._outcome = "refused"
        self._problems.extend(problems)

    def trace(self) -> tuple[Point, ...]:
        """Return the thinned trace for plotting."""
        return self._trace.points()

    def document(self) -> dict[str, object]:
        """Return the result as plain JSON values; ``outcome`` is None while the run goes on.

        Step times are in s from the first scan, ``left_s`` None for the step it still stands in.
        """
        predicted = self._prediction()
        return {
            "schema": SCHEMA,
            "run_id": self._run_id,
            "outcome": self._outcome,
            "verified": self._verified or (self._weakest.value if self._weakest else None),
            "duration_s": self._duration_s(),
            "steps": [dict(step) for step in self._steps],
            "gas_used_g": predicted.get("gas_used_g"),
            "cycles_left": self._cycles_left(),
            "peak_film_pressure_kPa": _scaled(self._peak_film_Pa, 1e-3),
            "peak_head_temperature_degC": self._peak_head_degC,
            "min_clamp_margin": self._least_clamp_margin,
            "min_film_margin": self._least_film_margin,
            "fill_fraction": predicted.get("fill_fraction"),
            "alarms": [dict(alarm) for alarm in self._alarms],
            "warnings": list(self._warnings),
            "problems": list(self._problems),
            "recipe_digest": None if self._recipe is None else digest(self._recipe),
            "rig_digest": digest(self._rig),
            "limits_the_result": self._limits(predicted),
        }

    def _hear(self, event: Event) -> None:
        match event:
            case RunStarted():
                self._start()
            case RunEnded():
                self._end(event)
            case StepEntered():
                self._enter(event.step)
            case EvidenceHad():
                self._prove(event)
            case AlarmChanged(change="raised"):
                self._alarms.append(_alarm(event, self._now_s))
            case RequestAnswered(kind="start" | "purge", accepted=False):
                self.refuse(*event.reasons)
            case _:
                pass

    def _start(self) -> None:
        self._started_s, self._ended_s = self._now_s, None
        self._outcome = None
        # What led up to the run is no part of it; its first step may be told before its start.
        self._steps = [
            step
            for step in self._steps
            if step["entered_s"] == self._now_s and step["step"] not in _RESTING
        ]

    def _end(self, event: RunEnded) -> None:
        self._ended_s = self._now_s
        self._outcome, self._verified = event.outcome, event.verified
        if event.outcome != "complete" and event.reason:
            self._problems.append(event.reason)
        if self._steps and self._steps[-1]["step"] == CycleStep.IDLE.value:
            self._steps.pop()
        self._leave()

    def _enter(self, step: CycleStep) -> None:
        self._leave()
        if self._ended_s is None:
            self._evidence = []
            self._steps.append(
                {
                    "step": step.value,
                    "entered_s": self._now_s,
                    "left_s": None,
                    "evidence": self._evidence,
                }
            )

    def _leave(self) -> None:
        if self._steps and self._steps[-1]["left_s"] is None:
            self._steps[-1]["left_s"] = self._now_s

    def _prove(self, event: EvidenceHad) -> None:
        if not self._running:
            return
        self._evidence.append(
            {
                "evidence": event.evidence,
                "means": event.means.value,
                "detail": event.detail,
                "at_s": self._now_s,
            }
        )
        order = list(Means)
        if self._weakest is None or order.index(event.means) > order.index(self._weakest):
            self._weakest = event.means

    def _measure(self, step: Step) -> None:
        seen = step.estimate
        self._peak_film_Pa = _greater(self._peak_film_Pa, seen.film_Pa)
        self._peak_head_degC = _greater(self._peak_head_degC, seen.head_degC)
        if self._pressed(seen):
            self._least_clamp_margin = _less(self._least_clamp_margin, seen.clamp_margin)
            self._least_film_margin = _less(self._least_film_margin, self._film_margin(step))
        if seen.bottle_Pa is not None:
            self._bottle_Pa = seen.bottle_Pa

    def _pressed(self, seen: Estimate) -> bool:
        """Tell whether the film carries enough of the recipe's pressure for margins to mean it.

        A puff of the shut-offs' proof has a margin too, and it says nothing about the run.
        """
        if seen.film_Pa is None or self._recipe is None:
            return False
        return seen.film_Pa >= PRESSED * self._recipe.imprint.film_pressure_Pa

    def _film_margin(self, step: Step) -> float | None:
        seen, size = step.estimate, self._rig.geometry
        if seen.film_Pa is None or seen.head_degC is None:
            return None
        if seen.film_Pa <= self._rig.limits.bled_Pa:
            return None
        closed = seen.clamp_closed
        if closed is None:
            closed = step.outputs.clamp is Clamp.APPLY
        if closed:
            return film.gap_margin(
                seen.film_Pa, size.free_gap_m, size.film_thickness_m, seen.head_degC
            )
        return film.window_margin(
            seen.film_Pa, 0.5 * size.window_diameter_m, size.film_thickness_m, seen.head_degC
        )

    def _point(self, seen: Estimate) -> Point:
        fill = self._prediction().get("fill_fraction")
        return Point(self._now_s, seen.film_Pa, seen.clamp_Pa, seen.supply_Pa, seen.head_degC, fill)

    def _duration_s(self) -> float | None:
        if self._started_s is None:
            return None
        return (self._now_s if self._ended_s is None else self._ended_s) - self._started_s

    def _cycles_left(self) -> int | None:
        """Count whole cycles of this recipe that the bottle still gives, None if unmeasured."""
        if self._bottle_Pa is None or self._recipe is None:
            return None
        size = self._rig.geometry
        film_abs_Pa = self._recipe.imprint.film_pressure_Pa + ATMOSPHERE_abs_Pa
        volume_m3 = size.film_volume_m3 + size.line_volume_m3
        left = nitrogen.cycles_left(
            size.bottle_volume_m3,
            self._bottle_Pa + ATMOSPHERE_abs_Pa,
            self._rig.limits.bottle_change_out_Pa + ATMOSPHERE_abs_Pa,
            nitrogen.cycle_kg(volume_m3, film_abs_Pa, ATMOSPHERE_abs_Pa),
        )
        return int(left) if math.isfinite(left) else None

    def _limits(self, predicted: Mapping[str, float]) -> list[str]:
        """Say in sentences what this document does not know."""
        said = []
        weakest = self._verified or (self._weakest.value if self._weakest else "measured")
        if weakest in _WEAK:
            said.append(_WEAK[weakest])
        if not self._rig.film_roles:
            said.append("The rig has no film sensor: film peak and film margin are not known.")
        elif not self._rig.head_roles:
            said.append("The rig has no head sensor: head peak and film margin are not known.")
        margins = self._recipe is not None and self._started_s is not None
        if self._least_clamp_margin is None and margins:
            said.append("Clamp and film pressure were not both seen: clamp margin is not known.")
        elif self._least_film_margin is not None:
            said.append(
                "The film margin holds for the free gap of the rig file and an undamaged film"
                + (
                    "; above 200 degC the film's strength is extrapolated."
                    if (self._peak_head_degC or 0.0) > film.STRENGTH_EXTRAPOLATED_ABOVE_degC
                    else "."
                )
            )
        if "fill_fraction" in predicted and self._recipe is not None:
            said.append("Fill and gas used are computed from a model of the rig, not measured.")
        elif self._recipe is not None:
            said.append("Nothing here says how far the features filled: look at the foil.")
        if self._blind_s > 0.0:
            said.append(f"The link to the rig was down for {self._blind_s:.1f} s of the run.")
        if not self._record_ok:
            said.append("The record of this run is not whole.")
        return said


_RESTING = (CycleStep.IDLE.value, CycleStep.FAULTED.value)
_WEAK = {
    "operator": "Part of the evidence is what a person read from gauges.",
    "by_ear": "Part of the evidence is what a person heard.",
    "timed": "Part of the evidence is a stated time; no one saw that it sufficed.",
}


def _alarm(event: AlarmChanged, at_s: float) -> dict[str, object]:
    return {
        "name": event.name,
        "at_s": at_s,
        "priority": event.priority.value,
        "first_out": event.first_out,
        "detail": event.detail,
        "cause": event.cause,
        "consequence": event.consequence,
        "action": event.action,
    }


def _greater(kept: float | None, new: float | None) -> float | None:
    return new if kept is None or (new is not None and new > kept) else kept


def _less(kept: float | None, new: float | None) -> float | None:
    return new if kept is None or (new is not None and new < kept) else kept


def _scaled(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor
