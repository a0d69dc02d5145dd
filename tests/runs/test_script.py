"""`sequencer.api.run_cycle`, and the examples that the README gives, run as they stand."""

import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from sequencer.api import RunResult, run_cycle
from sequencer.errors import InputRefused, RecordError
from sequencer.events import PromptAsked, RunEnded, StepEntered
from sequencer.model import Prompt
from tests.runs.bench import CYCLE

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
PYTHON = re.findall(r"```python\n(.*?)```", README, re.DOTALL)


def the_code(mark: str) -> str:
    (code,) = (code for code in PYTHON if mark in code)
    return code


def fast(recipe: str = "pmma-grating", name: str = "bench-instrumented", **more) -> RunResult:
    return run_cycle(recipe, name, speed=None, keep_record=False, **more)


def test_the_result_is_typed() -> None:
    seen: list[tuple[int, object]] = []
    result = fast(
        sample="foil 12", seed=4, on_event=lambda now_ns, event: seen.append((now_ns, event))
    )
    assert (result.outcome, result.verified, result.complete) == ("complete", "measured", True)
    assert isinstance(result.duration_s, float)
    assert isinstance(result.gas_used_g, float)
    assert isinstance(result.cycles_left, int)
    assert result.fill_fraction is not None
    assert result.fill_fraction > 0.9
    assert result.alarms == result.problems == ()
    assert result.trouble == ""
    assert result.document["run_id"] == result.run_id
    steps = [event.step.value for _, event in seen if isinstance(event, StepEntered)]
    assert [step for step in steps if step != "idle"] == CYCLE
    assert [event.outcome for _, event in seen if isinstance(event, RunEnded)] == ["complete"]
    times = [now_ns for now_ns, _ in seen]
    assert times == sorted(times)


def honest(prompt: Prompt) -> float | str | None:
    """A person's words for a rig whose simulated hands do what is asked."""
    if prompt.choices:
        return prompt.choices[0]
    if prompt.target is not None:
        return prompt.target
    return {"head_gauge": 170.0, "bottle_gauge": 13e6, "clamp_gauge": 6e5}.get(prompt.topic, 0.0)


def test_a_callback_is_asked_the_right_prompts() -> None:
    asked: list[Prompt] = []

    def answer(prompt: Prompt) -> float | str | None:
        asked.append(prompt)
        return honest(prompt)

    result = fast(answer=answer)
    assert result.outcome == "complete"
    topics = [prompt.topic for prompt in asked]
    assert topics == ["film_empty", "sample_in", "supply_gauge", "hands_clear", "film_empty"]
    regulator = asked[2]
    assert regulator.unit == "Pa"
    assert regulator.target == pytest.approx(180 * 6894.757)
    assert regulator.answer_by_ns - regulator.asked_ns == 180_000_000_000
    assert asked[3].choices == ("clear", "not clear")


@pytest.mark.parametrize("topic", ["sample_in", "supply_gauge", "hands_clear"])
def test_none_leaves_a_prompt_unanswered(topic: str) -> None:
    result = fast(answer=lambda prompt: None if prompt.topic == topic else honest(prompt))
    assert result.outcome == "stopped"
    assert "nobody answered in time" in result.problems[0]
    assert result.peak_film_pressure_kPa is not None
    assert result.peak_film_pressure_kPa < 20.0
    assert not result.complete


@pytest.mark.parametrize(
    ("topic", "speed"), [("sample_in", None), ("film_empty", None), ("film_empty", 100.0)]
)
def test_a_callback_that_raises_ends_the_run_in_order(topic: str, speed: float | None) -> None:
    def answer(prompt: Prompt) -> float | str | None:
        if prompt.topic == topic:
            raise LookupError("no such gauge")
        return honest(prompt)

    result = run_cycle("pmma-grating", speed=speed, keep_record=False, answer=answer)
    assert result.outcome == ("refused" if topic == "film_empty" else "stopped")
    assert "LookupError: no such gauge" in result.trouble
    assert topic in result.trouble


def test_a_callback_that_raises_under_gas_vents_first() -> None:
    seen: list[str] = []

    def answer(prompt: Prompt) -> float | str | None:
        if prompt.topic == "still_at_pressure":
            raise LookupError("no such gauge")
        return honest(prompt)

    def listen(now_ns: int, event: object) -> None:
        if isinstance(event, StepEntered):
            seen.append(event.step.value)

    result = fast("pmma-grating-low", "bench-gauges", answer=answer, on_event=listen)
    assert result.outcome == "stopped"
    assert seen[-4:] == ["holding", "venting", "releasing", "idle"]


def test_a_listener_that_raises_does_not_disturb_the_run() -> None:
    def listen(now_ns: int, event: object) -> None:
        if isinstance(event, PromptAsked):
            raise LookupError("nobody listens")

    result = fast(on_event=listen)
    assert result.outcome == "complete"
    assert "LookupError" in result.trouble


def test_errors_are_of_one_tree(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="no-such-recipe"):
        fast("no-such-recipe")
    with pytest.raises(InputRefused, match="film_pressure"):
        fast("pmma-grating", "bench-gauges")
    (tmp_path / "file").write_text("")
    with pytest.raises(RecordError):
        run_cycle("pmma-grating", speed=None, records=tmp_path / "file" / "records.db")


def test_speed_and_answers_are_for_rigs_with_a_simulated_person(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from simulator.driver import SimulatedDriver

    monkeypatch.setattr(SimulatedDriver, "attendant", lambda self: None)
    with pytest.raises(InputRefused, match="speed"):
        fast(answer=honest)
    with pytest.raises(InputRefused, match="answer=None"):
        run_cycle("pmma-grating", keep_record=False)


def test_the_example_runs_three_recipes_as_it_stands(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", the_code("run_cycle")],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert len(lines) == 3
    assert all("complete, verified measured" in line for line in lines)
    assert (tmp_path / "out" / "example.db").exists()


@pytest.mark.slow
def test_a_signal_in_a_script_ends_the_run_in_order_and_then_the_script(tmp_path: Path) -> None:
    script = """
import os, signal, sys
from sequencer.api import run_cycle
def listen(now_ns, event):
    print(type(event).__name__, getattr(getattr(event, "step", ""), "value", ""), flush=True)
    if type(event).__name__ == "StepEntered" and event.step.value == "holding":
        os.kill(os.getpid(), signal.SIGINT)
try:
    run_cycle("pmma-grating", speed=None, keep_record=False, on_event=listen)
except KeyboardInterrupt:
    print("interrupted")
    raise SystemExit(5)
print("went on")
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 5, done.stderr
    lines = done.stdout.splitlines()
    assert lines[-1] == "interrupted"
    entered = [line.split()[-1] for line in lines if line.startswith("StepEntered")]
    assert entered[-3:] == ["venting", "releasing", "idle"]
    assert done.stderr.count("stopping in the safe order") == 1


def test_a_run_in_another_thread_takes_no_signals() -> None:
    results: list[RunResult] = []
    thread = threading.Thread(target=lambda: results.append(fast()))
    thread.start()
    thread.join(60)
    assert [result.outcome for result in results] == ["complete"]
