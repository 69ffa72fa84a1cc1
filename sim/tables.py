"""Straight-line tables: checked when a file is read, resampled to an even grid so that the step only indexes."""

from collections.abc import Sequence


def interpolate(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Return y at x on the straight lines through (xs, ys); held level outside the ends."""
    if x <= xs[0]:
        return ys[0]
    for i in range(1, len(xs)):
        if x <= xs[i]:
            share = (x - xs[i - 1]) / (xs[i] - xs[i - 1])
            return ys[i - 1] + share * (ys[i] - ys[i - 1])
    return ys[-1]


def even_grid(xs: Sequence[float], ys: Sequence[float], step: float, count: int) -> tuple[float, ...]:
    """Return y at 0, step, 2·step, … (count values) for `lookup`."""
    return tuple(interpolate(xs, ys, i * step) for i in range(count))


def lookup(table: tuple[float, ...], x: float) -> float:
    """Return the table's value at position x counted in grid steps; held level outside the ends."""
    if x <= 0.0:
        return table[0]
    i = int(x)
    if i >= len(table) - 1:
        return table[len(table) - 1]
    return table[i] + (x - i) * (table[i + 1] - table[i])
