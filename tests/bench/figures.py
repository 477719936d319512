"""Figures: what was measured, beside what, and whether it reaches its bar.

Contestants are timed in turn, again and again, so that a busy moment of the machine falls on all of them alike;
the median of the turns counts. Nothing here fails when a bar is missed: a slow machine is no wrong answer.
"""

import gc
import statistics
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

TURN = 0.1  # seconds that one turn of a contestant takes, about


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table; `ratio` and `bar` are of the two rates, unless the line says otherwise in `unit`."""

    what: str
    ours: float
    unit: str
    beside: str = ""
    theirs: float | None = None
    bar: float | None = None
    most: bool = False  #: the bar is an upper limit on `ours`, not a lower one on the ratio

    @property
    def ratio(self) -> float | None:
        """How many times the other's rate ours is."""
        return self.ours / self.theirs if self.theirs else None

    @property
    def met(self) -> bool | None:
        """Whether the bar is reached; None for a line without one."""
        if self.bar is None:
            return None
        if self.most:
            return self.ours <= self.bar
        return self.ratio is not None and self.ratio >= self.bar


#: What a contestant does with each of its messages, and the messages.
Contestant = tuple[Callable[[Any], object], Sequence[Any]]


def race(contestants: Mapping[str, Contestant], *, turns: int = 9) -> dict[str, float]:
    """Give back the median rate of each contestant, in messages a second, over `turns` interleaved turns.

    A turn goes through the messages as often as `TURN` seconds allow, and keeps nothing of what it gets.
    """
    rates: dict[str, list[float]] = {name: [] for name in contestants}
    rounds = {name: max(1, round(TURN / _seconds(contestant, 1))) for name, contestant in contestants.items()}
    for _ in range(turns):
        for name, contestant in contestants.items():
            seconds = _seconds(contestant, rounds[name])
            rates[name].append(rounds[name] * len(contestant[1]) / seconds)
    return {name: statistics.median(measured) for name, measured in rates.items()}


def _seconds(contestant: Contestant, rounds: int) -> float:
    work, messages = contestant
    gc.collect()
    begun = time.perf_counter()
    for _ in range(rounds):
        for message in messages:
            work(message)
    return time.perf_counter() - begun


def table(figures: Iterable[Figure]) -> str:
    """Give back the figures as lines of text."""
    rows = [("what", "ours", "unit", "beside", "theirs", "ratio", "bar", "met")]
    rows += [_row(figure) for figure in figures]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    right = {1, 4, 5, 6}
    return "\n".join(
        "  ".join(
            cell.rjust(width) if number in right else cell.ljust(width)
            for number, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    )


def _row(figure: Figure) -> tuple[str, ...]:
    bar = "" if figure.bar is None else f"{'at most ' if figure.most else ''}{figure.bar:g}"
    met = {None: "", True: "yes", False: "NO"}[figure.met]
    return (
        figure.what,
        _number(figure.ours),
        figure.unit,
        figure.beside,
        _number(figure.theirs),
        "" if figure.ratio is None else f"{figure.ratio:.2f}",
        bar,
        met,
    )


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if value >= 100 else f"{value:.1f}"
