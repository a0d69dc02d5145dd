"""The closing summary of a run: what it came to, how well that is proven, and what limits it."""

from typing import Any, cast

from sequencer.commands.tables import Table
from sequencer.commands.talk import word
from sequencer.model import CycleStep
from sequencer.units import show_pressure, show_temperature, show_time

RECOVERY = {
    CycleStep.SAFE_CLAMPED: (
        "The film is bled and the clamp is closed. The head may be HOT.",
        "1 Find and clear the cause. 2 Keep the guard shut.",
        "3 Start `imprint run` again: it proves the film bled once more and tells what it finds.",
        "4 Open the clamp by the rig's own hand valve only with the film gauge at zero.",
    ),
    CycleStep.VENT_UNCONFIRMED: (
        "FILM PRESSURE NOT CONFIRMED BLED. Do not open. Keep clear of the film's edge.",
        "1 Close the nitrogen hand valve. 2 Open the hand bleed. 3 Read the mechanical gauge.",
        "The clamp stays on until the pressure is proven gone; mend the cause before the next run.",
    ),
    CycleStep.FAULTED: (
        "Heater off, nitrogen shut, vent open; the clamp stays as it is. The head may be HOT.",
        "1 Find and clear the cause. 2 Read the film gauge. 3 Start the next run: it proves the",
        "film bled and the clamp open before anything moves.",
    ),
}
FOOTER = "Not a safety system. Use the rig's own emergency stop. Bled is not locked out."


def summary_tables(document: dict[str, Any], *, predicted: bool) -> list[Table]:
    """Return a result as tables; ``predicted`` marks values that a simulation gave."""
    timeline = [
        (
            word(CycleStep(step["step"])),
            show_time(step["entered_s"]),
            "" if step["left_s"] is None else show_time(step["left_s"] - step["entered_s"]),
            _evidence(step["evidence"]),
        )
        for step in document["steps"]
    ]
    rows = [
        ("outcome", str(document["outcome"])),
        ("verified", _verified(document["verified"])),
        ("duration", show_time(document["duration_s"] or 0.0)),
        ("peak film pressure", _kPa(document["peak_film_pressure_kPa"])),
        ("peak head temperature", _value(document["peak_head_temperature_degC"], "degC")),
        ("least clamp margin", _value(document["min_clamp_margin"], "")),
        ("least film margin", _value(document["min_film_margin"], "")),
        (_marked("nitrogen used", predicted), _value(document["gas_used_g"], "g")),
        ("cycles left in the bottle", _value(document["cycles_left"], "", 0)),
        (_marked("cavities filled", predicted), _share(document["fill_fraction"])),
        ("run", str(document["run_id"])),
        ("recipe digest", str(document["recipe_digest"] or "")[:16]),
        ("rig digest", str(document["rig_digest"])[:16]),
    ]
    if document["recipe_digest"] is None:  # a bleed of the lines: nothing was to be pressed
        rows = [row for row in rows if row[0] not in _OF_A_CYCLE]
    alarms = [
        (alarm["priority"], alarm["name"], show_time(alarm["at_s"]), alarm["detail"])
        for alarm in document["alarms"]
    ]
    return [
        Table("Timeline", ("step", "from", "took", "ended on"), timeline),
        Table("Alarms", ("priority", "alarm", "at", "detail"), alarms),
        Table("Result", ("", ""), rows),
    ]


_OF_A_CYCLE = (
    "least clamp margin",
    "least film margin",
    "nitrogen used (predicted)",
    "nitrogen used",
    "cycles left in the bottle",
    "cavities filled (predicted)",
    "cavities filled",
    "recipe digest",
)


def limits_lines(document: dict[str, Any]) -> list[str]:
    """Return what limits the result, one line each."""
    said = [*document["limits_the_result"], *document["warnings"]]
    return [f"- {line}" for line in said]


def recovery_lines(step: CycleStep) -> tuple[str, ...]:
    """Return what a person does next, by where the rig stands."""
    return RECOVERY.get(step, ())


def _marked(name: str, predicted: bool) -> str:
    return f"{name} (predicted)" if predicted else name


def _evidence(found: Any) -> str:
    if isinstance(found, list):
        return "; ".join(_evidence(item) for item in found)
    if isinstance(found, dict):
        name = str(found.get("evidence", "")).replace("_", " ")
        return f"{name} {found.get('means', '')}".replace("_", " ").strip()
    return str(found or "")


def _verified(value: object) -> str:
    return str(value).replace("_", " ") if value else "nothing proven"


def _kPa(value: object) -> str:
    return "unknown" if value is None else show_pressure(cast("float", value) * 1e3)


def _value(value: object, unit: str, digits: int = 2) -> str:
    if value is None:
        return "unknown"
    if unit == "degC":
        return show_temperature(cast("float", value))
    return f"{cast('float', value):.{digits}f} {unit}".strip()


def _share(value: object) -> str:
    return "unknown" if value is None else f"{cast('float', value):.0%}"
