"""An attacker who has everything ever published, and knows which units stand behind every figure.

What is published of one quantity is linear: figure = weights · values, one value a unit and version of its
sheet.  The attacker may add and subtract figures as he likes.  `fewest_shown` is the smallest number of units
on which any such combination still depends.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd

Floats = np.ndarray


def fewest_shown(weights: Floats, *, below: int) -> int:
    """Fewest units that some combination of figures depends on; ``below`` if there is no smaller set.

    Parameters
    ----------
    weights : (figures, units) weight of each unit's value in each figure
    below : sets of so many units and more aren't looked for

    Notes
    -----
    A combination gives the same to units with equal columns, so only unions of such classes are tried. One
    shows a set if it vanishes outside it: if the columns outside have a smaller rank than all (derived).
    """
    used = weights[:, np.abs(weights).sum(axis=0) > 0.0]
    classes, size = np.unique(np.round(used, 9), axis=1, return_counts=True)
    small = np.flatnonzero(size < below)
    rank = np.linalg.matrix_rank(classes) if classes.size else 0
    for units in range(1, below):
        for count in range(1, units + 1):
            for chosen in combinations(small, count):
                picked = list(chosen)
                if size[picked].sum() == units:
                    rest = np.delete(classes, picked, axis=1)
                    if (np.linalg.matrix_rank(rest) if rest.size else 0) < rank:
                        return units
    return below


class Ledger:
    """Figures of one quantity, each with the units behind it."""

    def __init__(self) -> None:
        self.rows: list[dict[str, float]] = []

    def add(self, weights: dict[str, float]) -> None:
        """One more figure: weight per unit (and version)."""
        if weights and weights not in self.rows:
            self.rows.append(weights)

    def weights(self) -> Floats:
        """All figures as a matrix."""
        return np.asarray(pd.DataFrame(self.rows).fillna(0.0).to_numpy(dtype=float))
