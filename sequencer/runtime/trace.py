"""A thinned trace of a run for plotting, of bounded size however long the run is."""

from typing import NamedTuple

MOST_POINTS = 4000


class Point(NamedTuple):
    """One point of the trace; None where a quantity was not known."""

    time_s: float
    film_Pa: float | None
    clamp_Pa: float | None
    supply_Pa: float | None
    head_degC: float | None
    fill_fraction: float | None


class Trace:
    """Points no closer together than a stride, which doubles whenever there are too many."""

    def __init__(self, stride_ns: int = 20_000_000) -> None:
        self._stride_ns = stride_ns
        self._due_ns: int | None = None
        self._kept: list[tuple[int, Point]] = []

    def due(self, now_ns: int) -> bool:
        """Tell whether a point is wanted now."""
        return self._due_ns is None or now_ns >= self._due_ns

    def add(self, now_ns: int, point: Point) -> None:
        """Keep a point; drops every other one when there are too many."""
        self._kept.append((now_ns, point))
        if len(self._kept) >= MOST_POINTS:
            self._kept = self._kept[::2]
            self._stride_ns *= 2
        self._due_ns = now_ns + self._stride_ns

    def points(self) -> tuple[Point, ...]:
        """Return what was kept, oldest first."""
        return tuple(point for _, point in self._kept)
