"""Latin squares at random: from the reduced squares up to 6 × 6, from the permuted cyclic squares above."""

from __future__ import annotations

import random
from functools import cache
from itertools import permutations

Square = tuple[tuple[int, ...], ...]
ENUMERATED = 6


def random_square(size: int, stream: random.Random) -> tuple[list[list[int]], str]:
    """A square of ``size`` symbols, with the sentence that says how it was drawn.

    Up to 6 × 6 a reduced square (first row and column in order) is picked at random and its columns and its rows but
    the first are shuffled, so that every square has the same chance. Above, the cyclic square has its rows and
    columns shuffled.
    """
    if size <= ENUMERATED:
        squares = reduced_squares(size)
        square = squares[int(stream.random() * len(squares))]
        rows = [0, *_shuffle(list(range(1, size)), stream)]
        how = f"The latin square was drawn from the {len(squares)} reduced squares of its size."
        if len(squares) == 1:
            how = "The latin square was drawn by shuffling the rows and columns of the one reduced square of its size."
    else:
        square = tuple(tuple((row + column) % size for column in range(size)) for row in range(size))
        rows = _shuffle(list(range(size)), stream)
        how = "The latin square was drawn from the cyclic square with rows, columns and treatments shuffled."
    columns = _shuffle(list(range(size)), stream)
    return [[square[row][column] for column in columns] for row in rows], how


@cache
def reduced_squares(size: int) -> tuple[Square, ...]:
    """All squares whose first row and first column stand in order: 1, 1, 1, 4, 56, 9408 for sizes 1 to 6."""
    found: list[Square] = []
    # a row as one number with a bit for every (column, symbol): two rows agree with each other where no bit is shared
    by_start: dict[int, list[tuple[int, tuple[int, ...]]]] = {start: [] for start in range(size)}
    for row in permutations(range(size)):
        by_start[row[0]].append((sum(1 << (column * size + symbol) for column, symbol in enumerate(row)), row))

    def extend(rows: Square, taken: int) -> None:
        if len(rows) == size:
            found.append(rows)
            return
        for bits, row in by_start[len(rows)]:
            if not bits & taken:
                extend((*rows, row), taken | bits)

    bits, first = by_start[0][0]
    extend((first,), bits)
    return tuple(found)


def _shuffle(items: list[int], stream: random.Random) -> list[int]:
    for last in range(len(items) - 1, 0, -1):
        pick = int(stream.random() * (last + 1))
        items[last], items[pick] = items[pick], items[last]
    return items
