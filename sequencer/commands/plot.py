"""A picture of a run: pressures above, heat and fill below; all of it left, gas moving right.

The head takes a quarter of an hour to warm, the film rises in a second: columns of their own
enlarge the parts of the run in which gas moves. Lines differ in style as well as in colour, so
that a grey print tells the same; the colours are those of Okabe and Ito (Color Universal Design,
2008).
"""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from sequencer.commands.panels import (
    BLACK,
    BLUE,
    ENLARGED,
    GREEN,
    VERMILION,
    WHOLE,
    Curve,
    Level,
    Span,
    draw_curve,
    draw_levels,
    fill_axis,
    kPa_axis,
    lay_out,
    legend,
    mark_alarms,
)
from sequencer.config import Rig
from sequencer.errors import InputRefused, Problem
from sequencer.physics.clamp import clamp_margin
from sequencer.recipe import Recipe
from sequencer.runtime.trace import Point
from sequencer.units import PSI_Pa

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SUFFIXES = (".png", ".svg")
WORTH_ENLARGING = 0.4  # of the whole run: a part longer than that needs no column of its own


def require(path: Path) -> None:
    """Refuse a picture that could not be drawn, before a run is spent on it.

    Raises:
        InputRefused: for an unknown suffix, a folder that is not there, or without matplotlib.
    """
    if path.suffix.lower() not in SUFFIXES:
        limit = "a picture's name ends in .png or .svg"
        raise _refused(path, limit, f"name it {path.stem or 'run'}.png")
    if not path.parent.is_dir():
        raise _refused(path, "there is no such folder", f"make {path.parent} first")
    if path.is_dir():
        raise _refused(path, "is a folder, not a file", "name a file")
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        advice = 'pip install "imprint-sequencer[plot]"'
        raise _refused(path, "a picture needs matplotlib", advice) from None


def draw(
    trace: Sequence[Point],
    rig: Rig,
    recipe: Recipe | None,
    document: dict[str, object],
    path: Path,
) -> None:
    """Draw a run into a picture file, PNG or SVG by its suffix.

    Whatever a back end predicts is the doing of a simulated rig: the picture then says SIMULATED.

    Raises:
        InputRefused: if the picture cannot be drawn or written.
    """
    require(path)
    figure = _figure(trace, rig, recipe, document)
    # Text stays text in SVG, and the same run gives the same bytes.
    import matplotlib

    svg = path.suffix.lower() == ".svg"
    try:
        with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "imprint"}):
            figure.savefig(path, dpi=140, metadata={"Date": None} if svg else None)
    except OSError as error:
        raise _refused(path, f"cannot be written: {error.strerror or error}", "") from None


def _refused(path: Path, limit: str, advice: str) -> InputRefused:
    return InputRefused(Problem("--plot", "", str(path), limit, advice))


def _figure(
    trace: Sequence[Point], rig: Rig, recipe: Recipe | None, document: dict[str, object]
) -> "Figure":
    from matplotlib.figure import Figure

    spans = list(_spans(document, trace[-1].time_s if trace else 0.0))
    parts = _parts(trace, spans)
    figure = Figure(figsize=(13.5, 8.2), facecolor="white")
    grid = figure.add_gridspec(
        2,
        len(parts),
        width_ratios=[1.3, *[1.0] * (len(parts) - 1)],
        height_ratios=[1.25, 1.0],
        left=0.055,
        right=0.945,
        top=0.775,
        bottom=0.105,
        wspace=0.05,
        hspace=0.30,
    )
    time_s = [point.time_s for point in trace]
    rows = (
        (_pressure_curves(trace), _pressure_levels(rig, recipe), "pressure, psi (gauge)"),
        (_heat_curves(trace), _heat_levels(rig, recipe), "head temperature, °C"),
    )
    fill = [_or_nan(point.fill_fraction, 100.0) for point in trace]
    simulated = any(point.fill_fraction is not None for point in trace)
    for row, (curves, levels, title) in enumerate(rows):
        first: Axes | None = None
        for column, part in enumerate(parts):
            axes = figure.add_subplot(grid[row, column], sharey=first)
            lay_out(axes, part, spans, named=row == 0)
            for curve in curves:
                draw_curve(axes, time_s, curve)
            draw_levels(axes, levels, labelled=column == 0)
            last = column == len(parts) - 1
            if row == 0 and last:
                kPa_axis(axes)
            if row == 1:
                fill_axis(axes, time_s, fill if simulated else None, labelled=last)
                axes.set_xlabel(f"time, s: {part.name}", loc="right")
            if first is None:
                first = axes
                axes.set_ylabel(title)
                axes.set_ylim(*_reach(curves, levels))
                legend(axes, simulated=simulated and row == 1)
            else:
                axes.tick_params(left=False, labelleft=False)
        if row == 0:
            mark_alarms(figure.axes[: len(parts)], document)
    _heading(figure, rig, recipe, document, simulated=simulated)
    return figure


# ---- what is drawn ------------------------------------------------------------------------------


def _spans(document: dict[str, object], end_s: float) -> Iterator[Span]:
    """Give the steps of the run; one that was never left reaches to the end."""
    for step in cast("list[dict[str, object]]", document.get("steps") or []):
        left_s = step["left_s"]
        to_s = end_s if left_s is None else cast("float", left_s)
        yield Span(str(step["step"]), cast("float", step["entered_s"]), to_s)


def _parts(trace: Sequence[Point], spans: Sequence[Span]) -> list[Span]:
    """Return the columns: the whole run, and the parts of it that would else be crushed."""
    from_s, to_s = (trace[0].time_s, trace[-1].time_s) if trace else (0.0, 0.0)
    whole = Span(WHOLE, from_s, max(to_s, from_s + 1.0))
    parts = [whole]
    for name, steps in ENLARGED.items():
        moving = [span for span in spans if span.name in steps]
        if moving:
            from_s, to_s = moving[0].from_s, moving[-1].to_s
            margin_s = max(1.0, 0.08 * (to_s - from_s))
            part = Span(name, from_s - margin_s, to_s + margin_s)
            if part.to_s - part.from_s < WORTH_ENLARGING * (whole.to_s - whole.from_s):
                parts.append(part)
    return parts


def _pressure_curves(trace: Sequence[Point]) -> list[Curve]:
    def psi(of: Callable[[Point], float | None]) -> list[float]:
        return [_or_nan(of(point), 1.0 / PSI_Pa) for point in trace]

    return [
        Curve("film", psi(lambda point: point.film_Pa), VERMILION, "-", 1.9),
        Curve("clamp", psi(lambda point: point.clamp_Pa), BLUE, "--", 1.4),
        Curve("supply after the regulator", psi(lambda point: point.supply_Pa), GREEN, "-.", 1.2),
    ]


def _pressure_levels(rig: Rig, recipe: Recipe | None) -> list[Level]:
    limits, size = rig.limits, rig.geometry
    levels = [Level("film limit of the rig:", limits.film_pressure_Pa / PSI_Pa, ":")]
    if recipe is not None:
        film_Pa = recipe.imprint.film_pressure_Pa
        margin_per_Pa = clamp_margin(
            1.0,
            film_Pa,
            size.cylinder_bore_m,
            size.film_seal_diameter_m,
            size.cylinder_efficiency,
        )
        clamp_psi = limits.clamp_permit / margin_per_Pa / PSI_Pa
        levels.append(Level("film, recipe:", film_Pa / PSI_Pa, (0, (6, 3))))  # type: ignore[arg-type]
        levels.append(Level(f"clamp needed for margin {limits.clamp_permit:g}:", clamp_psi, ":"))
    return levels


def _heat_curves(trace: Sequence[Point]) -> list[Curve]:
    head = [_or_nan(point.head_degC, 1.0) for point in trace]
    return [Curve("head", head, BLACK, "-", 1.7)]


def _heat_levels(rig: Rig, recipe: Recipe | None) -> list[Level]:
    levels = [Level("head limit of the rig:", rig.limits.head_temperature_degC, ":")]
    if recipe is not None:
        levels.append(Level("imprint:", recipe.imprint.temperature_degC, "--"))
        if recipe.demold is not None:
            levels.append(Level("demold:", recipe.demold.temperature_degC, "--"))
    return levels


def _or_nan(value: float | None, factor: float) -> float:
    return float("nan") if value is None else value * factor


def _reach(curves: Sequence[Curve], levels: Sequence[Level]) -> tuple[float, float]:
    """Return the ends of the axis: everything is inside, with room for a label on the highest."""
    known = [value for curve in curves for value in curve.values if value == value]
    highest = max([*known, *(level.value for level in levels)])
    return min([0.0, *known]) - 0.03 * highest, 1.1 * highest


def _heading(
    figure: "Figure",
    rig: Rig,
    recipe: Recipe | None,
    document: dict[str, object],
    *,
    simulated: bool,
) -> None:
    what = "bleed lines" if recipe is None else f"{recipe.name} ({recipe.material})"
    title = f"{what} on {rig.name}"
    figure.text(0.055, 0.96, title, fontsize=14, fontweight="bold", va="center")
    if simulated:
        figure.text(
            0.945,
            0.96,
            "SIMULATED",
            fontsize=13,
            fontweight="bold",
            ha="right",
            va="center",
            bbox={"boxstyle": "round,pad=0.35", "facecolor": "white", "edgecolor": BLACK},
        )
    figure.text(0.055, 0.924, _result(document), fontsize=9.0, va="center", color="#333333")


def _result(document: dict[str, object]) -> str:
    """Say the run's result in one line; what is not known is left out."""
    said = [str(document["outcome"]), f"evidence {document['verified'] or 'none'}"]
    for key, form in (
        ("duration_s", "{:.0f} s"),
        ("peak_film_pressure_kPa", "film at most {:.0f} kPa"),
        ("min_clamp_margin", "clamp margin at least {:.2f}"),
        ("min_film_margin", "film margin at least {:.1f}"),
        ("gas_used_g", "nitrogen {:.1f} g (SIMULATED)"),
        ("run_id", "run {}"),
    ):
        if document.get(key):
            said.append(form.format(document[key]))
    return "  ·  ".join(said)
