"""Sobol points with a random linear scramble and shift: draws spread evenly over a cube.

SciPy's `qmc.Sobol` makes the same points to the last bit (a test holds them together).  It is not called
because loading SciPy's statistics would take half of the time of a command that answers from a kept model.

References
----------
Joe & Kuo 2008, SIAM J. Sci. Comput. 30(5): direction numbers (first lines of their file for 21,201
dimensions).
Matousek 1998, J. Complexity 14(4): the scramble.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from fleet.statistics.gram import Floats, Ints

BITS: Final = 30
_INITIAL: Final = """
3:1 7:1,3 11:1,3,1 13:1,1,1 19:1,1,3,3 25:1,3,5,13 37:1,1,5,5,17 41:1,1,5,5,5 47:1,1,7,11,19
55:1,1,5,1,1 59:1,1,1,3,11 61:1,3,5,5,31 67:1,3,3,9,7,49 91:1,1,1,15,21,21 97:1,3,1,13,27,49
103:1,1,1,15,7,5 109:1,3,1,15,13,25 115:1,1,5,5,19,61 131:1,3,7,11,23,15,103 137:1,3,7,13,13,15,69
143:1,1,3,13,7,35,63 145:1,3,5,9,1,25,53 157:1,3,1,13,9,35,107 167:1,3,1,5,27,61,31
171:1,1,5,11,19,41,61 185:1,3,5,3,3,13,69 191:1,1,7,13,1,19,1 193:1,3,7,5,13,19,59
203:1,1,3,9,25,29,41 211:1,3,5,13,23,1,55 213:1,3,7,3,13,59,17
"""
"""For each dimension after the first: the coefficients of its polynomial as bits, and its first numbers m."""


def sobol_points(n: int, dim: int, seed: int) -> Floats:
    """Scrambled and shifted Sobol points (n, dim) in [0, 1).

    Parameters
    ----------
    n : number of points; a power of two is spread most evenly
    dim : number of coordinates, at most 32
    seed : of the scramble

    Raises
    ------
    ValueError
        If there are more coordinates than the table has.
    """
    rng = np.random.default_rng(seed).spawn(1)[0]
    shift = rng.integers(0, 2, (dim, BITS), dtype=np.uint32) @ (1 << np.arange(BITS))
    lower = np.tril(rng.integers(0, 2, (dim, BITS, BITS), dtype=np.uint32), -1)
    lower += np.eye(BITS, dtype=np.uint32)
    falling = np.arange(BITS)[::-1]
    bits = (_directions(dim)[:, None, :] >> falling[:, None]) & 1  # (dim, bit from the highest, number)
    directions = np.tensordot(1 << falling, (lower @ bits) & 1, (0, 1))
    # each point differs from the one before by the direction of the lowest zero bit of its place
    step = np.arange(n - 1)
    lowest = np.log2(~step & (step + 1)).astype(int)
    walk = np.vstack([shift, directions[:, lowest].T])
    return np.bitwise_xor.accumulate(walk, axis=0) * 2.0**-BITS


def _directions(dim: int) -> Ints:
    """Direction numbers (dim, `BITS`), as whole numbers of `BITS` bits."""
    table = _INITIAL.split()
    if dim > len(table) + 1:
        raise ValueError(f"got {dim} dimensions, expected at most {len(table) + 1}")
    out = np.ones((dim, BITS), dtype=np.int64)
    for row, text in zip(out[1:], table, strict=False):
        polynomial, first = text.split(":")
        coefficients = [c == "1" for c in f"{int(polynomial):b}"[1:]]
        degree = len(coefficients)
        row[:degree] = [int(m) for m in first.split(",")]
        for j in range(degree, BITS):
            row[j] = row[j - degree]
            for k, there in enumerate(coefficients, start=1):
                row[j] ^= (row[j - k] << k) * there
    return out << np.arange(BITS)[::-1]
