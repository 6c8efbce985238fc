"""The best one-to-one choice between two small sets, exactly.

The shortest augmenting path method with potentials (Kuhn 1955, Munkres 1957, in the form of
Jonker and Volgenant 1987; named from memory). The tests hold it against an independent solver.
"""

from collections.abc import Mapping
from math import inf

Pair = tuple[int, int]


def best_assignment(gains: Mapping[Pair, float]) -> dict[int, int]:
    """Choose pairs so that the sum of gains is the greatest; each side is used once at most.

    ``gains`` holds the pairs that may be chosen, by row and column; a pair whose gain is not
    positive is never chosen. Parts that share no pair are solved by themselves.
    """
    chosen: dict[int, int] = {}
    for rows, columns in _parts(gains):
        if len(rows) == 1 or len(columns) == 1:
            pairs = [(row, column) for row in rows for column in columns if (row, column) in gains]
            best = max(pairs, key=lambda pair: gains[pair])
            chosen[best[0]] = best[1]
        else:
            chosen.update(_solve(rows, columns, gains))
    return chosen


def _parts(gains: Mapping[Pair, float]) -> list[tuple[list[int], list[int]]]:
    """Split into parts that are joined by pairs worth choosing."""
    columns_of: dict[int, list[int]] = {}
    rows_of: dict[int, list[int]] = {}
    for (row, column), gain in sorted(gains.items()):
        if gain > 0.0:
            columns_of.setdefault(row, []).append(column)
            rows_of.setdefault(column, []).append(row)
    parts: list[tuple[list[int], list[int]]] = []
    seen: set[int] = set()
    for start in columns_of:
        if start in seen:
            continue
        rows, columns, todo = {start}, set[int](), [start]
        while todo:
            for column in columns_of[todo.pop()]:
                if column not in columns:
                    columns.add(column)
                    new = set(rows_of[column]) - rows
                    rows |= new
                    todo.extend(new)
        seen |= rows
        parts.append((sorted(rows), sorted(columns)))
    return parts


def _solve(rows: list[int], columns: list[int], gains: Mapping[Pair, float]) -> dict[int, int]:
    """Solve one part. A column of its own for each row stands for 'with nobody', at no cost."""
    size = len(columns) + len(rows)
    cost = [
        [-gains.get((row, column), -1.0) for column in columns] + [0.0] * len(rows) for row in rows
    ]
    row_price = [0.0] * (len(rows) + 1)
    column_price = [0.0] * (size + 1)
    holder = [0] * (size + 1)  # which row (from 1) holds a column; column 0 is the one in hand
    for number in range(1, len(rows) + 1):
        _augment(number, cost, row_price, column_price, holder)
    return {
        rows[holder[place] - 1]: columns[place - 1]
        for place in range(1, len(columns) + 1)
        if holder[place] and gains.get((rows[holder[place] - 1], columns[place - 1]), -1.0) > 0.0
    }


def _augment(
    number: int,
    cost: list[list[float]],
    row_price: list[float],
    column_price: list[float],
    holder: list[int],
) -> None:
    """Give one more row a column, by the cheapest chain of exchanges."""
    size = len(holder) - 1
    holder[0] = number
    at = 0
    least = [inf] * (size + 1)
    came_from = [0] * (size + 1)
    used = [False] * (size + 1)
    while True:
        used[at] = True
        row, step, following = holder[at], inf, 0
        for place in range(1, size + 1):
            if used[place]:
                continue
            reduced = cost[row - 1][place - 1] - row_price[row] - column_price[place]
            if reduced < least[place]:
                least[place], came_from[place] = reduced, at
            if least[place] < step:
                step, following = least[place], place
        for place in range(size + 1):
            if used[place]:
                row_price[holder[place]] += step
                column_price[place] -= step
            else:
                least[place] -= step
        at = following
        if holder[at] == 0:
            break
    while at:
        holder[at] = holder[came_from[at]]
        at = came_from[at]
