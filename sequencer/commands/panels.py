"""The panels of a run's picture: how curves, limits, steps and alarms are put on axes."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, cast

from sequencer.model import CycleStep
from sequencer.units import PSI_Pa

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ENLARGED = {
    "gas in": (CycleStep.CLAMPING, CycleStep.PRESSURIZING, CycleStep.PURGING),
    "gas out": (CycleStep.VENTING, CycleStep.TRIPPED, CycleStep.RELEASING),
}
SHOWN_AS = {CycleStep.HOLDING.value: "dwell", CycleStep.PURGING.value: "bleed lines"}

BLACK, ORANGE, BLUE, GREEN, VERMILION = "#000000", "#E69F00", "#0072B2", "#009E73", "#D55E00"
GREY = "#6b6b6b"
WHOLE = "the whole run"
SHADES = ("#eef1f4", "#ffffff")
TEXT_pt = 8.0
ROW_pt = 10.0
"""What a line of text takes, and so the least distance of two slanted names."""


class Span(NamedTuple):
    """A named stretch of the run."""

    name: str
    from_s: float
    to_s: float


class Curve(NamedTuple):
    """One line of the picture; ``values`` holds NaN where nothing was known."""

    label: str
    values: list[float]
    colour: str
    style: str
    width: float


class Level(NamedTuple):
    """A limit or a target, drawn across."""

    label: str
    value: float
    style: str


def lay_out(axes: "Axes", part: Span, spans: Sequence[Span], *, named: bool) -> None:
    """Set the axes to a part of the run and shade its steps."""
    axes.set_xlim(part.from_s, part.to_s)
    axes.grid(axis="y", color="#dcdcdc", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top"]].set_visible(False)
    axes.tick_params(labelsize=TEXT_pt)
    inside = [
        Span(span.name, max(span.from_s, part.from_s), min(span.to_s, part.to_s))
        for span in spans
        if span.to_s > part.from_s and span.from_s < part.to_s
    ]
    for number, span in enumerate(inside):
        axes.axvspan(span.from_s, span.to_s, color=SHADES[number % 2], zorder=0, linewidth=0)
        axes.axvline(span.from_s, color="#b8bec4", linewidth=0.6, zorder=1)
    if inside:
        axes.axvline(inside[-1].to_s, color="#b8bec4", linewidth=0.6, zorder=1)
    if named:
        _names(axes, part, inside)


def _names(axes: "Axes", part: Span, inside: Sequence[Span]) -> None:
    """Write the steps' names above: level where they fit, slanted and spread where they do not."""
    box = axes.get_position()
    width_pt = box.width * axes.figure.get_figwidth() * 72.0
    pt_per_s = width_pt / (part.to_s - part.from_s)
    slanted: list[tuple[float, str]] = []
    for span in inside:
        if part.name != WHOLE and span.name not in ENLARGED[part.name]:
            continue  # the step before the part or after it
        middle_pt = (0.5 * (span.from_s + span.to_s) - part.from_s) * pt_per_s
        name = SHOWN_AS.get(span.name, span.name).replace("_", " ")
        if (span.to_s - span.from_s) * pt_per_s > 0.62 * TEXT_pt * len(name):
            axes.annotate(
                name,
                (middle_pt / width_pt, 1.0),
                xytext=(0, 5),
                xycoords="axes fraction",
                textcoords="offset points",
                ha="center",
                fontsize=TEXT_pt,
                fontweight="bold",
            )
        else:
            slanted.append((middle_pt, name))
    spread_pt = spread([at_pt for at_pt, _ in slanted], ROW_pt, width_pt)
    for (at_pt, name), text_pt in zip(slanted, spread_pt, strict=True):
        axes.annotate(
            name,
            (at_pt / width_pt, 1.0),
            xytext=(text_pt - at_pt, 18),
            xycoords="axes fraction",
            textcoords="offset points",
            rotation=60,
            rotation_mode="anchor",
            ha="left",
            va="center",
            fontsize=TEXT_pt,
            fontweight="bold",
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.6, "shrinkB": 0},
        )


def spread(wanted_pt: Sequence[float], apart_pt: float, width_pt: float) -> list[float]:
    """Move places apart, as little as needed, in their order and within the width."""
    placed: list[float] = []
    for at_pt in wanted_pt:
        placed.append(max(at_pt, placed[-1] + apart_pt) if placed else at_pt)
    end_pt = width_pt
    for index in reversed(range(len(placed))):
        placed[index] = min(placed[index], end_pt)
        end_pt = placed[index] - apart_pt
    return placed


def draw_curve(axes: "Axes", time_s: Sequence[float], curve: Curve) -> None:
    """Draw one line."""
    axes.plot(
        time_s,
        curve.values,
        color=curve.colour,
        linestyle=curve.style,
        linewidth=curve.width,
        label=curve.label,
    )


def draw_levels(axes: "Axes", levels: Sequence[Level], *, labelled: bool) -> None:
    """Draw limits and targets, named at the left, where the curves have not yet risen."""
    for level in levels:
        axes.axhline(level.value, color=GREY, linestyle=level.style, linewidth=1.0, zorder=1.5)
        if labelled:
            axes.annotate(
                f"{level.label} {level.value:.0f}",
                (0.0, level.value),
                xytext=(4, 2),
                xycoords=("axes fraction", "data"),
                textcoords="offset points",
                fontsize=TEXT_pt - 0.5,
                color=GREY,
            )


def kPa_axis(axes: "Axes") -> None:
    """Put kPa to the right of psi."""
    factor = PSI_Pa / 1e3
    right = axes.secondary_yaxis(
        "right", functions=(lambda psi: psi * factor, lambda kPa: kPa / factor)
    )
    right.set_ylabel("pressure, kPa (gauge)")
    right.tick_params(labelsize=TEXT_pt)


def fill_axis(
    axes: "Axes", time_s: Sequence[float], fill: Sequence[float] | None, *, labelled: bool
) -> None:
    """Draw the predicted fill to an axis of its own, if there is one."""
    if fill is None:
        return
    right = axes.twinx()
    right.plot(time_s, fill, color=ORANGE, linestyle=(0, (3, 1, 1, 1, 1, 1)), linewidth=1.9)
    right.set_ylim(-3.0, 110.0)
    right.spines[["top"]].set_visible(False)
    right.tick_params(labelsize=TEXT_pt, right=labelled, labelright=labelled)
    if labelled:
        right.set_ylabel("fill, %, SIMULATED")


def legend(axes: "Axes", *, simulated: bool) -> None:
    """Name the lines below the panel, where nothing is drawn."""
    if simulated:
        axes.plot([], [], color=ORANGE, linestyle=(0, (3, 1, 1, 1, 1, 1)), label="fill, SIMULATED")
    axes.legend(
        loc="upper left",
        bbox_to_anchor=(0.0, -0.075 if not simulated else -0.16),
        ncols=4,
        frameon=False,
        fontsize=TEXT_pt + 0.5,
        borderaxespad=0.0,
        handlelength=3.2,
    )


def mark_alarms(panels: Sequence["Axes"], document: dict[str, object]) -> None:
    """Mark each alarm with a line and its name, the first of those that came together."""
    alarms = cast("list[dict[str, object]]", document.get("alarms") or [])
    for axes in panels:
        from_s, to_s = axes.get_xlim()
        free_s = from_s
        for alarm in alarms:
            at_s = cast("float", alarm["at_s"])
            if not free_s <= at_s <= to_s:
                continue
            free_s = at_s + 0.03 * (to_s - from_s)
            axes.axvline(at_s, color=VERMILION, linewidth=1.0, linestyle=(0, (1, 1)))
            axes.annotate(
                str(alarm["name"]).replace("_", " "),
                (at_s, 0.88),
                xytext=(-3, 0),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                rotation=90,
                ha="right",
                va="top",
                fontsize=TEXT_pt,
                color=VERMILION,
            )
