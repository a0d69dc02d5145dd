"""Questions to a person at the rig: asked, answered, timed out.

A question is known by its topic; at most one of a topic is open. "Yes" is never an answer where a
number is to be had. An answer that does not serve ("not ready", a gauge outside its band) closes
the question, and it is asked again after a pause; each asking has its own time limit.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite

from sequencer.core.memory import Answer
from sequencer.core.turn import Turn, Verdict
from sequencer.events import Noted, PromptAsked, PromptClosed
from sequencer.model import Prompt
from sequencer.units import ns, show_pressure, show_temperature

ASK_AGAIN_AFTER_s = 5.0


@dataclass(frozen=True, slots=True)
class Question:
    """What to ask: its fixed topic, the text, and either choices or a number's unit and range.

    ``wants`` says what answer would lead on, for whoever gave another one.
    """

    topic: str
    text: str
    choices: tuple[str, ...] = ()
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    target: float | None = None
    wants: str = ""


def pressure(
    topic: str, text: str, high_Pa: float, target_Pa: float | None = None, wants: str = ""
) -> Question:
    """Return a question for a gauge reading; ``wants`` says in words what would serve."""
    return Question(topic, text, (), "Pa", 0.0, high_Pa, target_Pa, wants)


def ask(
    turn: Turn,
    question: Question,
    serves: Callable[[float | str], bool],
    *,
    again_after_s: float = ASK_AGAIN_AFTER_s,
) -> Verdict:
    """Put a question and return DONE once an answer serves, SILENT once nobody answered in time.

    The answer stays in ``turn.memory.answers`` until `forget`.
    """
    memory = turn.memory
    topic = question.topic
    answer = memory.answers.get(topic)
    if answer is not None:
        if serves(answer.value):
            return Verdict.DONE
        if turn.now_ns == answer.at_ns:
            _tell_why_not(turn, question, answer.value, again_after_s)
        if turn.now_ns - answer.at_ns < ns(again_after_s):
            return Verdict.WAIT
        del memory.answers[topic]
    prompt = memory.prompts.get(topic)
    if prompt is None:
        _open(turn, question)
        return Verdict.WAIT
    if turn.now_ns >= prompt.answer_by_ns:
        _close(turn, topic, "unanswered")
        return Verdict.SILENT
    return Verdict.WAIT


def _tell_why_not(turn: Turn, question: Question, value: float | str, again_after_s: float) -> None:
    """Say once why an answer does not lead on; without it the same question just comes again."""
    wants = f"; wanted: {question.wants}" if question.wants else ""
    said = shown(value, question.unit)
    text = f"{said} does not lead on{wants}. Asked again in {again_after_s:g} s."
    turn.emit(Noted(text))


def _open(turn: Turn, question: Question) -> None:
    memory = turn.memory
    within_s = turn.rig.prompts.answer_within_s
    prompt = Prompt(
        prompt_id=memory.next_prompt,
        topic=question.topic,
        question=question.text,
        asked_ns=turn.now_ns,
        answer_by_ns=turn.now_ns + ns(within_s),
        choices=question.choices,
        unit=question.unit,
        low=question.low,
        high=question.high,
        target=question.target,
    )
    memory.next_prompt += 1
    memory.prompts[question.topic] = prompt
    turn.emit(
        PromptAsked(
            prompt.prompt_id,
            prompt.topic,
            prompt.question,
            prompt.choices,
            prompt.unit,
            prompt.low,
            prompt.high,
            prompt.target,
            within_s,
        )
    )


def _close(turn: Turn, topic: str, end: str, answer: str = "", actor: str = "") -> None:
    prompt = turn.memory.prompts.pop(topic)
    turn.emit(PromptClosed(prompt.prompt_id, topic, end, answer, actor))


def forget(turn: Turn, topic: str) -> None:
    """Forget the answer to a topic, so that it is asked anew."""
    turn.memory.answers.pop(topic, None)


def withdraw(turn: Turn, topic: str) -> None:
    """Close a question that need not be answered any more."""
    if topic in turn.memory.prompts:
        _close(turn, topic, "withdrawn")


def withdraw_all(turn: Turn) -> None:
    """Close every open question and forget every answer."""
    for topic in list(turn.memory.prompts):
        _close(turn, topic, "withdrawn")
    turn.memory.answers.clear()


def take_answer(turn: Turn, prompt_id: int, value: float | str | None, actor: str) -> str:
    """Accept an answer to an open question; return why not, or an empty text."""
    memory = turn.memory
    prompt = next((p for p in memory.prompts.values() if p.prompt_id == prompt_id), None)
    if prompt is None:
        return f"no open question has number {prompt_id}"
    if prompt.choices:
        if value not in prompt.choices:
            return f"answer one of: {', '.join(prompt.choices)}"
    elif isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
        return "a number is wanted: type what the gauge reads"
    elif not prompt.low <= value <= prompt.high:
        bounds = f"{shown(prompt.low, prompt.unit)} and {shown(prompt.high, prompt.unit)}"
        return f"{shown(value, prompt.unit)} cannot be: such a gauge reads between {bounds}"
    assert value is not None
    memory.answers[prompt.topic] = Answer(value, turn.now_ns, actor)
    _close(turn, prompt.topic, "answered", shown(value, prompt.unit), actor)
    return ""


def number(turn: Turn, topic: str) -> float:
    """Return the number answered to a topic (zero where there is none, which serves nowhere)."""
    answer = turn.memory.answers.get(topic)
    return float(answer.value) if answer is not None and not isinstance(answer.value, str) else 0.0


def shown(value: float | str, unit: str) -> str:
    """Write an answer as a person reads it."""
    if isinstance(value, str):
        return value
    if unit == "Pa":
        return show_pressure(value)
    return show_temperature(value) if unit == "degC" else f"{value:g}"
