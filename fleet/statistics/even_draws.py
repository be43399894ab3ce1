"""Draws spread evenly: Sobol points with a random linear scramble and shift, and normal values from them.

SciPy says the same (a test holds them together): `qmc.Sobol` to the last bit, `ndtr` and `ndtri` to a few
units of the last place.  They are not called because to load them would take more time than all else of a
command that answers from a kept model.

References
----------
Moshier 1989, Methods and Programs for Mathematical Functions (Cephes): rational functions of the normal law.
Joe & Kuo 2008, SIAM J. Sci. Comput. 30(5): direction numbers (first lines of their file for 21,201
dimensions).
Matousek 1998, J. Complexity 14(4): the scramble.
"""

from __future__ import annotations

from math import log
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

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


Ratio = tuple[tuple[float, ...], tuple[float, ...]]
"""Coefficients of two polynomials, from the highest power down."""
_ERF: Final[Ratio] = (
    (9.60497373987051638749e0, 9.00260197203842689217e1, 2.23200534594684319226e3, 7.00332514112805075473e3,
     5.55923013010394962768e4),
    (1.0, 3.35617141647503099647e1, 5.21357949780152679795e2, 4.59432382970980127987e3,
     2.26290000613890934246e4, 4.92673942608635921086e4),
)  # fmt: skip
"""Of erf(x) / x in x², below 1."""
_ERFC: Final[Ratio] = (
    (2.46196981473530512524e-10, 5.64189564831068821977e-1, 7.46321056442269912687e0,
     4.86371970985681366614e1, 1.96520832956077098242e2, 5.26445194995477358631e2, 9.34528527171957607540e2,
     1.02755188689515710272e3, 5.57535335369399327526e2),
    (1.0, 1.32281951154744992508e1, 8.67072140885989742329e1, 3.54937778887819891062e2,
     9.75708501743205489753e2, 1.82390916687909736289e3, 2.24633760818710981792e3, 1.65666309194161350182e3,
     5.57535340817727675546e2),
)  # fmt: skip
"""Of erfc(x) exp(x²) in x, from 1 to 8."""
_ERFC_FAR: Final[Ratio] = (
    (5.64189583547755073984e-1, 1.27536670759978104416e0, 5.01905042251180477414e0, 6.16021097993053585195e0,
     7.40974269950448939160e0, 2.97886665372100240670e0),
    (1.0, 2.26052863220117276590e0, 9.39603524938001434673e0, 1.20489539808096656605e1,
     1.70814450747565897222e1, 9.60896809063285878198e0, 3.36907645100081516050e0),
)  # fmt: skip
"""The same from 8 on."""
_MIDDLE: Final[Ratio] = (
    (-5.99633501014107895267e1, 9.80010754185999661536e1, -5.66762857469070293439e1,
     1.39312609387279679503e1, -1.23916583867381258016e0),
    (1.0, 1.95448858338141759834e0, 4.67627912898881538453e0, 8.63602421390890590575e1,
     -2.25462687854119370527e2, 2.00260212380060660359e2, -8.20372256168333339912e1, 1.59056225126211695515e1,
     -1.18331621121330003142e0),
)  # fmt: skip
"""Of the quantile in (p - 1/2)², where p is within exp(-2) of neither end."""
_TAIL: Final[Ratio] = (
    (4.05544892305962419923e0, 3.15251094599893866154e1, 5.71628192246421288162e1, 4.40805073893200834700e1,
     1.46849561928858024014e1, 2.18663306850790267539e0, -1.40256079171354495875e-1,
     -3.50424626827848203418e-2, -8.57456785154685413611e-4),
    (1.0, 1.57799883256466749731e1, 4.53907635128879210584e1, 4.13172038254672030440e1,
     1.50425385692907503408e1, 2.50464946208309415979e0, -1.42182922854787788574e-1,
     -3.80806407691578277194e-2, -9.33259480895457427372e-4),
)  # fmt: skip
"""Of the quantile in 1 / sqrt(-2 log p), down to p = exp(-32)."""
_FAR_TAIL: Final[Ratio] = (
    (3.23774891776946035970e0, 6.91522889068984211695e0, 3.93881025292474443415e0, 1.33303460815807542389e0,
     2.01485389549179081538e-1, 1.23716634817820021358e-2, 3.01581553508235416007e-4,
     2.65806974686737550832e-6, 6.23974539184983293730e-9),
    (1.0, 6.02427039364742014255e0, 3.67983563856160859403e0, 1.37702099489081330271e0,
     2.16236993594496635890e-1, 1.34204006088543189037e-2, 3.28014464682127739104e-4,
     2.89247864745380683936e-6, 6.79019408009981274425e-9),
)  # fmt: skip
"""The same below it."""
_EDGE: Final = 0.13533528323661269189
_ROOT_2PI: Final = 2.50662827463100050242


def _ratio(ratio: Ratio, x: Floats) -> Floats:
    top, low = (np.full(x.shape, c[0]) for c in ratio)
    for out, coefficients in ((top, ratio[0]), (low, ratio[1])):
        for c in coefficients[1:]:
            out *= x
            out += c
    return np.asarray(top / low)


def _log(x: Floats) -> Floats:
    """Python's own logarithm: that of NumPy differs in the last digit from one processor to another."""
    return np.array([log(value) for value in x.tolist()])


def normal_cdf(x: ArrayLike) -> Floats:
    """Chance that a standard normal lies below ``x``; NaN where that is NaN."""
    z = np.asarray(x, dtype=np.float64) * np.sqrt(0.5)
    a = np.abs(z)
    out = np.array(np.where(np.isnan(z), np.nan, 0.0))
    near, mid, far = a < 1.0, (a >= 1.0) & (a < 8.0), (a >= 8.0) & (a < 26.64)
    out[near] = 0.5 + 0.5 * z[near] * _ratio(_ERF, z[near] ** 2)
    for where, ratio in ((mid, _ERFC), (far, _ERFC_FAR)):
        out[where] = 0.5 * np.exp(-(a[where] ** 2)) * _ratio(ratio, a[where])
    return np.where((z >= 1.0), 1.0 - out, out)


def normal_quantile(p: ArrayLike) -> Floats:
    """The value below which a standard normal lies with chance ``p``; NaN outside 0 to 1."""
    p = np.asarray(p, dtype=np.float64)
    small = np.where(p > 1.0 - _EDGE, 1.0 - p, p)
    out = np.array(np.where(p == 0.0, -np.inf, np.where(p == 1.0, np.inf, np.nan)))
    middle, tail = small > _EDGE, (small > 0.0) & (small <= _EDGE)
    y = small[middle] - 0.5
    out[middle] = (y + y * (y * y * _ratio(_MIDDLE, y * y))) * _ROOT_2PI
    x = np.sqrt(-2.0 * _log(small[tail]))
    rest = np.where(x < 8.0, _ratio(_TAIL, 1.0 / x), _ratio(_FAR_TAIL, 1.0 / x)) / x
    found = x - _log(x) / x - rest
    out[tail] = np.where(p[tail] > 0.5, found, -found)
    return out
