"""The picture of a run: what is in it, and how it refuses what it cannot draw."""

import builtins
import re
from itertools import pairwise

import pytest

from sequencer.commands import panels, plot
from sequencer.config import Rig
from sequencer.errors import InputRefused
from sequencer.files import find, load
from sequencer.recipe import Recipe
from sequencer.runtime.trace import Point

RIG = load(find("rigs", "bench-instrumented"), Rig)
RECIPE = load(find("recipes", "pmma-grating"), Recipe)
STEPS = (("heating", 5, 880), ("clamping", 880, 892), ("pressurizing", 892, 914),
         ("holding", 914, 1094), ("cooling", 1094, 1178), ("venting", 1178, 1184),
         ("releasing", 1184, 1185))  # fmt: skip


def result(steps=STEPS, **changed):
    facts = {
        "run_id": "20261125-101502-7f3a",
        "outcome": "complete",
        "verified": "measured",
        "duration_s": 1180.0,
        "steps": [{"step": name, "entered_s": a, "left_s": b} for name, a, b in steps],
        "alarms": [],
        "peak_film_pressure_kPa": 1240.0,
        "min_clamp_margin": 2.8,
        "min_film_margin": 6.4,
        "gas_used_g": 3.7,
    }
    return {**facts, **changed}


def trace(fill=1.0):
    points = []
    for time_s in range(1186):
        pressed = 914 <= time_s < 1180
        points.append(
            Point(
                float(time_s),
                1.24e6 if pressed else 0.0,
                6.2e5 if 881 <= time_s < 1184 else 0.0,
                None if time_s < 900 else 1.24e6,
                min(160.0, 23.0 + 0.2 * time_s),
                fill if fill is None or pressed else 0.0,
            )
        )
    return points


def drawn(tmp_path, *given):
    """Return the words of the picture."""
    path = tmp_path / "run.svg"
    plot.draw(*given, path)
    return re.findall(r"<text[^>]*>([^<]*)</text>", path.read_text("utf-8"))


def figure_of(*given):
    return plot._figure(*given)


def test_a_png_is_a_picture_of_useful_size(tmp_path):
    plot.draw(trace(), RIG, RECIPE, result(), tmp_path / "run.PNG")
    data = (tmp_path / "run.PNG").read_bytes()
    assert data.startswith(b"\x89PNG")
    width, height = (int.from_bytes(data[at : at + 4]) for at in (16, 20))
    assert width > 1500
    assert height > 900


def test_the_picture_names_steps_limits_lines_and_result(tmp_path):
    words = drawn(tmp_path, trace(), RIG, RECIPE, result())
    for name, *_ in STEPS:
        assert panels.SHOWN_AS.get(name, name) in words
    assert "film limit of the rig: 300" in words
    assert "film, recipe: 180" in words
    assert "imprint: 160" in words
    assert "demold: 80" in words
    assert "head limit of the rig: 260" in words
    assert {"film", "clamp", "supply after the regulator", "head"} <= set(words)
    assert "pressure, psi (gauge)" in words
    assert "pressure, kPa (gauge)" in words
    assert any("complete" in text and "measured" in text for text in words)


def test_the_clamp_pressure_that_is_needed_is_the_force_balance(tmp_path):
    # eta p A_cylinder = 1.5 p_film A_film with 125 mm, 50 mm, 0.9, 180 psi: by hand 48 psi.
    words = drawn(tmp_path, trace(), RIG, RECIPE, result())
    assert "clamp needed for margin 1.5: 48" in words


def test_what_is_predicted_is_called_simulated_and_else_nothing_is(tmp_path):
    words = drawn(tmp_path, trace(), RIG, RECIPE, result())
    assert "SIMULATED" in words
    assert "fill, SIMULATED" in words
    words = drawn(tmp_path, trace(fill=None), RIG, RECIPE, result(gas_used_g=None))
    assert not [text for text in words if "SIMULATED" in text or "fill" in text]


def test_the_parts_in_which_gas_moves_have_columns_of_their_own():
    figure = figure_of(trace(), RIG, RECIPE, result())
    panels = [axes for axes in figure.axes if axes.get_title("center") == ""]
    spans = {tuple(round(at) for at in axes.get_xlim()) for axes in panels}
    assert {(0, 1185), (877, 917), (1177, 1186)} <= spans


def test_a_short_run_has_one_column():
    steps = (("heating", 0, 10), ("clamping", 10, 60))
    figure = figure_of(trace()[:80], RIG, RECIPE, result(steps))
    assert {axes.get_xlim() for axes in figure.axes} == {(0.0, 79.0)}


def test_pressures_are_drawn_in_psi_beside_kPa():
    figure = figure_of(trace(), RIG, RECIPE, result())
    lines = figure.axes[0].get_lines()
    highest = max(max(line.get_ydata()) for line in lines if line.get_label() == "film")
    assert highest == pytest.approx(1.24e6 / 6894.757)  # NIST SP 811


def test_no_two_lines_of_a_panel_have_the_same_style():
    figure = figure_of(trace(), RIG, RECIPE, result())
    for axes in figure.axes[:3]:
        shown = [line for line in axes.get_lines() if not line.get_label().startswith("_")]
        assert len({line.get_linestyle() for line in shown}) == len(shown) == 3


def test_no_label_lies_on_another():
    figure = figure_of(trace(), RIG, RECIPE, result())
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    renderer = FigureCanvasAgg(figure).get_renderer()
    figure.draw(renderer)
    level = [text for axes in figure.axes for text in axes.texts if text.get_rotation() == 0]
    slanted = [text for axes in figure.axes for text in axes.texts if text.get_rotation() == 60]
    boxes = [text.get_window_extent(renderer) for text in (*figure.texts, *level)]
    for number, box in enumerate(boxes):
        assert not any(box.overlaps(other) for other in boxes[number + 1 :])
    right_px = max(
        text.get_window_extent(renderer).x1 for text in figure.texts[:1] + figure.texts[2:]
    )
    assert right_px <= 0.945 * figure.bbox.width
    heading_px = min(text.get_window_extent(renderer).y0 for text in figure.texts)
    assert len(slanted) == 6
    assert max(text.get_window_extent(renderer).y1 for text in slanted) < heading_px


def test_slanted_names_are_a_line_apart_in_order_and_inside():
    assert panels.spread([], 10.0, 100.0) == []
    assert panels.spread([10.0, 40.0], 10.0, 100.0) == [10.0, 40.0]
    placed = panels.spread([50.0, 51.0, 97.0, 99.0, 100.0], 10.0, 100.0)
    assert placed == sorted(placed)
    assert placed[-1] <= 100.0
    assert min(b - a for a, b in pairwise(placed)) >= 10.0


def test_alarms_are_marked_once_where_they_come_together(tmp_path):
    alarms = [{"name": "head_no_gain", "at_s": 300.0}, {"name": "not_bled", "at_s": 301.0}]
    words = drawn(tmp_path, trace(), RIG, RECIPE, result(alarms=alarms, outcome="tripped"))
    assert words.count("head no gain") == 1
    assert "not bled" not in words


@pytest.mark.parametrize("points", [[], trace()[:1]])
def test_a_run_that_never_began_is_drawn_too(tmp_path, points):
    facts = result((), outcome="refused", verified=None, duration_s=None)
    assert "film limit of the rig: 300" in drawn(tmp_path, points, RIG, RECIPE, facts)


def test_a_purge_needs_no_recipe_and_a_step_not_left_reaches_to_the_end(tmp_path):
    facts = result([("purging", 5, None)])
    words = drawn(tmp_path, trace(), RIG, None, facts)
    assert "bleed lines on bench-instrumented" in words
    assert "bleed lines" in words


def test_the_same_run_gives_the_same_bytes(tmp_path):
    for name in ("a.svg", "b.svg"):
        plot.draw(trace(), RIG, RECIPE, result(), tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("run.gif", "ends in .png or .svg"),
        ("run", "ends in .png or .svg"),
        ("nowhere/run.png", "no such folder"),
        ("folder.png", "is a folder"),
    ],
)
def test_a_picture_that_cannot_be_is_refused_in_one_line(tmp_path, name, said):
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(InputRefused) as refused:
        plot.draw(trace()[:2], RIG, RECIPE, result(), tmp_path / name)
    (problem,) = refused.value.problems
    assert said in problem.line()
    assert "\n" not in problem.line()
    assert str(tmp_path / name) in problem.line()


def test_a_disk_that_is_full_is_one_line(tmp_path, monkeypatch):
    from matplotlib.figure import Figure

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Figure, "savefig", full)
    with pytest.raises(InputRefused, match="cannot be written: No space left on device"):
        plot.draw(trace()[:2], RIG, RECIPE, result(), tmp_path / "run.png")


def test_without_matplotlib_the_extra_is_named(tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name, *given, **named):
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return real(name, *given, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputRefused, match=r'pip install "imprint-sequencer\[plot\]"'):
        plot.require(tmp_path / "run.png")
