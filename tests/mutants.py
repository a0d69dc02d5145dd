"""Breaks the core once, in memory, in every way listed here, and looks for a test that notices.

Run as ``python -m tests.mutants [part of a name [nth of]]``. A mutant that no test notices is a hole in the
tests: it is named, and the exit code is 1. Nothing on disk is changed.
"""
# ruff: noqa: E501 - pieces of source are quoted as they stand

import contextlib
import importlib.abc
import importlib.util
import io
import os
import sys
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
CORE = ROOT / "sequencer" / "core"
TESTS = "tests/core/test_{}.py"
ALL = (
    "cycle_table", "fallback", "evidence", "answers", "dwell_release_start", "interlocks", "purge",
    "requests", "properties",
)  # fmt: skip


class Mutant(NamedTuple):
    """One break: in which module of the core, what becomes what, and who should notice first."""

    module: str
    old: str
    new: str
    first: str = "fallback"

    @property
    def name(self) -> str:
        return f"{self.module}: {self.old.strip()[:60]!r} -> {self.new.strip()[:50]!r}"


MUTANTS = (
    # the last net and the fall-back
    Mutant("outputs", "        supply_open=False,\n", ""),
    Mutant("outputs", "        isolation_open=False,\n", ""),
    Mutant("outputs", "        vent_open=True,\n        heater", "        heater"),
    Mutant("outputs", "        heater_on=False,\n", ""),
    Mutant("outputs", "memory.exposure is not Exposure.NO:\n        clamp = Clamp.LEAVE", "False:\n        pass"),
    Mutant("outputs", "if memory.trip is None and memory.step not in FAULT_STEPS:", "if True:"),
    Mutant("outputs", "and film_untouched and cause in PEOPLE", "and cause in PEOPLE"),
    Mutant("outputs", 'if rig.clamp_rests == "release" else Clamp.LEAVE', "if rig else Clamp.LEAVE"),
    Mutant("outputs", "if closed and held else", "if closed else"),
    Mutant("outputs", "if closed and held else", "if held else"),
    Mutant("outputs", "if cause in PEOPLE:\n        return Clamp.LEAVE", "if False:\n        return"),
    Mutant("outputs", "return not seen.film_known or", "return False or"),
    Mutant("outputs", 'PEOPLE = ("emergency_stop", "guard_open")', 'PEOPLE = ("guard_open",)'),
    # the guards of the table
    Mutant("step", "memory.exposure is Exposure.NO and memory.gap is not", "memory.gap is not"),
    Mutant("step", "and memory.gap is not Gap.CHARGED", ""),
    Mutant("step", "return untouched and not pressure_seen(self.turn)", "return untouched"),
    Mutant("step", "return self.turn.recipe.demold is not None", "return True", "cycle_table"),
    Mutant("step", "return self.turn.memory.finish_cooling", "return False", "cycle_table"),
    Mutant("cycle", 'CLAMPING, RELEASING, ("film_untouched",)),\n    Row("stop", CLAMPING, VENTING',
           'CLAMPING, RELEASING),\n    Row("stop", CLAMPING, VENTING', "cycle_table"),
    Mutant("cycle", 'Row("trip", CLAMPING, FAULTED, ("film_untouched",))',
           'Row("trip", CLAMPING, FAULTED)'),
    Mutant("cycle", 'Row("lost", SAFE_CLAMPED, VENT_UNCONFIRMED)', 'Row("lost", IDLE, FAULTED)'),
    Mutant("cycle", 'Row("silent", VENTING, VENT_UNCONFIRMED)', 'Row("silent", VENTING, RELEASING)',
           "cycle_table"),
    # trips and requests
    Mutant("step", "if memory.trip is None and memory.step not in UNLATCHED:", "if True:"),
    Mutant("step", "if trip is not None and trip.at_ns == turn.now_ns:", "if False:"),
    Mutant("step", "        self._withdraw_way_back(turn)\n        self._fire(turn, trigger",
           "        self._fire(turn, trigger"),
    Mutant("step", "memory.exposure is not Exposure.NO or pressure_seen(turn)", "False"),
    Mutant("step", "turn.memory.finish_cooling = False  # that", "pass  # that", "cycle_table"),
    Mutant("step", "turn.stage_age_s() > stage.limit(turn)", "False", "cycle_table"),
    Mutant("step", "        withdraw_all(turn)\n        end_pause", "        end_pause"),
    Mutant("step", "        end_pause(turn)\n", "", "dwell_release_start"),
    Mutant("step", "            del memory.watched_since_ns[name]", "            pass", "interlocks"),
    Mutant("requests", "if known is not None:\n        _answer", "if False:\n        _answer",
           "requests"),
    Mutant("requests", "    RequestKind.RELEASE,\n    RequestKind.ANSWER,", "    RequestKind.ANSWER,",
           "requests"),
    Mutant("requests", "    RequestKind.ANSWER,\n", "", "answers"),
    Mutant("requests", 'reasons.append("reset first")', "pass"),
    Mutant("requests", "for name in causes_standing(turn))", "for name in ())"),
    Mutant("requests", "if len(request.reason.strip()) < 10:", "if False:"),
    Mutant("requests", "or not 0.0 <= value <= limit_Pa", ""),
    # the film
    Mutant("evidence", "low = seen.film_known and", "low =", "evidence"),
    Mutant("evidence", "low, limits.bled_for_s)", "low, 0.0)", "evidence"),
    Mutant("evidence", "PEAK_TELLS = 3.0", "PEAK_TELLS = 1.0", "evidence"),
    Mutant("evidence", "FALLEN_TO = 0.2", "FALLEN_TO = 1.0", "evidence"),
    Mutant("evidence", "return memory.exposure is Exposure.NO\n", "return True\n", "evidence"),
    Mutant("evidence", "return Verdict.WAIT  # nothing", "pass  # nothing", "evidence"),
    Mutant("evidence", "BLED_WAIT = 3.0", "BLED_WAIT = 1.0", "answers"),
    Mutant("evidence", "apart_ns = ns(rig.prompts.second_reading_after_s)", "apart_ns = 0", "answers"),
    Mutant("evidence", "memory.since_ns.pop(first, None)", "pass", "answers"),
    Mutant("estimate", "or (outputs.supply_open and gas_behind_supply)", "", "evidence"),
    Mutant("estimate", "memory.gap = Gap.CHARGED", "pass", "cycle_table"),
    Mutant("estimate", "and not films_disagree(rig, readings)", "", "evidence"),
    Mutant("estimate", "and not heads_disagree(rig, readings)", "", "evidence"),
    Mutant("estimate", "return max(values_Pa), known", "return min(values_Pa), known", "evidence"),
    # the clamp
    Mutant("evidence", ">= turn.rig.limits.clamp_permit", ">= turn.rig.limits.clamp_trip", "evidence"),
    Mutant("evidence", "return closed and clamp_suffices", "return clamp_suffices", "evidence"),
    Mutant("evidence", "return max(wanted_Pa, rig.limits.relief_Pa if behind_Pa is None else behind_Pa)",
           "return wanted_Pa", "evidence"),
    Mutant("evidence", "    if not clamp_still_full(turn):\n        return Verdict.WAIT\n", "", "evidence"),
    Mutant("evidence", "elif proof.by == \"operator\" or turn.in_step(CycleStep.FAULTED):",
           'elif proof.by == "operator":', "answers"),
    Mutant("evidence", "TIMED_MARGIN = 3.0", "TIMED_MARGIN = 1.0", "answers"),
    Mutant("evidence", "turn.held(\"clamp_open\", empty and apart", 'turn.held("clamp_open", empty',
           "evidence"),
    # readings
    Mutant("sample", "if age_ns > channel.fresh_ns:", "if False:", "evidence"),
    Mutant("sample", "VALID_LOW_mA = 3.6, 3.8", "VALID_LOW_mA = 3.6, 3.65", "evidence"),
    Mutant("sample", "or not math.isfinite(raw.value)", "", "evidence"),
    Mutant("sample", "elif now_ns - kept[1] > channel.frozen_ns:", "elif False:", "evidence"),
    # people
    Mutant("questions", " or not isfinite(value)", "", "answers"),
    Mutant("questions", "elif not prompt.low <= value <= prompt.high:", "elif False:", "answers"),
    Mutant("questions", "if turn.now_ns >= prompt.answer_by_ns:", "if False:", "cycle_table"),
    Mutant("waits", 'value == "in place" and opened', 'value == "in place"', "answers"),
    Mutant("waits", "if stale or not _guard_shut(turn):", "if not _guard_shut(turn):", "answers"),
    Mutant("waits", "if stale or not _guard_shut(turn):", "if stale:", "answers"),
    Mutant("waits", "if turn.stage_age_s() < prompts.announce_s:", "if False:", "answers"),
    Mutant("waits", "memory.guard_opened = False", "pass", "requests"),
    Mutant("waits", "return seen_bled and turn.memory.exposure is Exposure.NO", "return True"),
    Mutant("waits", "rise_Pa > 0.5 * turn", "rise_Pa > 500 * turn", "evidence"),
    # the dwell and the demold
    Mutant("waits", "elif in_band(turn):", "elif True:", "dwell_release_start"),
    Mutant("waits", "head_degC is not None and abs(head_degC - imprint", "abs(20 - imprint",
           "dwell_release_start"),
    Mutant("waits", "memory.reference_Pa = float(answer.value)", "pass", "dwell_release_start"),
    Mutant("waits", ">= ns(turn.rig.limits.pause_s)", ">= ns(1e6)", "dwell_release_start"),
    Mutant("waits", "if head_degC is None or head_degC > demold.temperature_degC:", "if False:",
           "cycle_table"),
    Mutant("waits", "return head_degC is None or head_degC > limit_degC", "return False",
           "dwell_release_start"),
    Mutant("waits", "if memory.cooled or memory.outputs.clamp is Clamp.RELEASE:",
           "if memory.cooled:", "purge"),
    # the bleed of the lines
    Mutant("purge", "if turn.memory.exposure is not Exposure.NO:", "if False:", "purge"),
    Mutant("purge", "verdict is Verdict.DONE and not clamp_still_full(turn)", "False", "purge"),
    Mutant("purge", "if memory.strokes >= rig.limits.purge_strokes:", "if False:", "purge"),
    Mutant("purge", "more = memory.stroke_peak_Pa > rig.limits.bled_Pa", "more = False", "purge"),
    Mutant("symptoms", 'under_clamp = turn.under_clamp() and turn.memory.clamp_found == "closed"',
           "under_clamp = True", "purge"),
    # alarms
    Mutant("alarms", "if item.response == \"trip\":\n            if not", "if False:\n            if not",
           "interlocks"),
    Mutant("alarms", 'and (not known.true_now or not item.steps):', ':'),
)  # fmt: skip


class _Loader(importlib.abc.SourceLoader):
    """Loads one module of the core from its changed source."""

    def __init__(self, path: Path, source: str) -> None:
        self._path, self._source = path, source

    def get_filename(self, fullname: str) -> str:
        return str(self._path)

    def get_data(self, path: str) -> bytes:
        return self._source.encode()


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, mutant: Mutant) -> None:
        self._name = f"sequencer.core.{mutant.module}"
        path = CORE / f"{mutant.module}.py"
        source = path.read_text()
        if source.count(mutant.old) < 1:
            raise SystemExit(f"not in the source any more: {mutant.name}")
        self._loader = _Loader(path, source.replace(mutant.old, mutant.new, 1))

    def find_spec(self, fullname, path=None, target=None):
        if fullname != self._name:
            return None
        return importlib.util.spec_from_loader(fullname, self._loader)


def noticed(mutant: Mutant) -> str:
    """Run the tests on a mutant in a child process; return the first that fails, empty if none."""
    finder = _Finder(mutant)
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            sys.meta_path.insert(0, finder)
            os.write(write, _first_failure(mutant).encode()[:300])
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    return said


def _first_failure(mutant: Mutant) -> str:
    import pytest

    class Keep:
        found = ""

        def pytest_runtest_logreport(self, report):
            if report.failed and not self.found:
                self.found = report.nodeid

        def pytest_collectreport(self, report):
            if report.failed and not self.found:
                self.found = f"collection of {report.nodeid}"

    order = [mutant.first, *(name for name in ALL if name != mutant.first)]
    keep = Keep()
    for name in order:
        pytest.main(["-x", "-q", "-p", "no:cacheprovider", TESTS.format(name)], plugins=[keep])
        if keep.found:
            break
    return keep.found


def main(part: str = "", nth: str = "0", of: str = "1") -> int:
    """Try every mutant whose name holds ``part``; return the number that nobody noticed.

    ``nth`` and ``of`` share the work among several processes.
    """
    survivors = []
    for mutant in MUTANTS[int(nth) :: int(of)]:
        if part not in mutant.name:
            continue
        began = time.monotonic()
        who = noticed(mutant)
        took_s = time.monotonic() - began
        print(
            f"{'noticed ' if who else 'SURVIVES'} {took_s:5.1f} s  {mutant.name}  {who}", flush=True
        )
        if not who:
            survivors.append(mutant.name)
    print(f"{len(survivors)} survive")
    return len(survivors)


if __name__ == "__main__":
    raise SystemExit(1 if main(*sys.argv[1:4]) else 0)
