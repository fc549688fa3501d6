"""Hides small counts in whatever leaves, and enough others that no hidden one can be worked out; pure.

Source: public-health guidance on small numbers as told in section 7.1 of the job; the limit of 10 is that section's.
"""

from collections.abc import Sequence

SMALLEST = 10
"""Counts from 1 to below this one are not given."""


def hidden(table: Sequence[Sequence[int]], smallest: int = SMALLEST) -> list[list[bool]]:
    """Which cells of a table (rows of counts that add up along rows and columns) must be hidden when totals are given.

    First every count from 1 to below `smallest`; then, in each row and column with a hidden cell, as many others, the
    smallest first, until the hidden ones of that line are at least two and add up to at least `smallest`.
    """
    rows, columns = len(table), len(table[0]) if table else 0
    found = [[0 < cell < smallest for cell in row] for row in table]
    changed = True
    while changed:
        changed = False
        for line in [[(r, c) for c in range(columns)] for r in range(rows)] + [
            [(r, c) for r in range(rows)] for c in range(columns)
        ]:
            changed |= _protect(table, found, line, smallest)
    return found


def _protect(
    table: Sequence[Sequence[int]], found: list[list[bool]], line: Sequence[tuple[int, int]], smallest: int
) -> bool:
    """Hide one more cell of a line if its hidden ones can be worked out from the line's total; whether it did."""
    inside = [(r, c) for r, c in line if found[r][c]]
    if not inside or len(line) == 1:
        return False
    if len(inside) > 1 and sum(table[r][c] for r, c in inside) >= smallest:
        return False
    shown = sorted((table[r][c], r, c) for r, c in line if not found[r][c])
    if not shown:
        return False
    filled = [one for one in shown if one[0] > 0] or shown
    _count, r, c = filled[0]
    found[r][c] = True
    return True
