"""Uncertainty budget in the terms of the GUM (JCGM 100:2008): inputs, sensitivities, combined, expanded.

One engine for the readings, for what is worked out from them, and for the guide's own examples.
Sensitivities are central differences of the model; correlated inputs enter with their covariances (clause
5.2), effective degrees of freedom by Welch and Satterthwaite (G.4.1), inputs that hang together as one
contribution with the fewest degrees among them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fleet.numerals import percent, with_unit

Floats = NDArray[np.float64]
Model = Callable[[Mapping[str, float]], float]
Correlations = Mapping[tuple[str, str], float]
LEVEL: Final = 0.95
_STEP: Final = 1e-3


@dataclass(frozen=True)
class Input:
    """One input quantity.

    Attributes
    ----------
    name : key that the model reads it by
    value : estimate
    u : standard uncertainty, in the same unit; `rectangular` makes it from a half-width
    dof : degrees of freedom behind `u`; infinite where it is simply taken
    evaluation : `A` from repeats, `B` from anything else
    unit, note : for the reader; the note says where `u` comes from
    """

    name: str
    value: float
    u: float
    dof: float = float("inf")
    evaluation: Literal["A", "B"] = "B"
    unit: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if not (self.u >= 0.0 and self.dof > 0.0 and np.isfinite(self.value)):
            raise ValueError(f"got {self}; expected a finite value, u >= 0 and dof > 0")


@dataclass(frozen=True)
class Budget:
    """The uncertainty of one output quantity.

    Attributes
    ----------
    name, unit, value : the output
    lines : a row an input, largest first: `input`, `value`, `u`, `unit`, `dof`, `evaluation`, `sensitivity`,
        `contribution` (|sensitivity| u), `share` (of the sum of squares), `note`
    u : combined standard uncertainty
    dof : effective degrees of freedom
    coverage : chance that the expanded interval is meant to have
    k, expanded : coverage factor of Student's t at the dof cut to a whole number, and k u
    second_order : what the terms of second order add to the variance (0 unless asked)
    """

    name: str
    unit: str
    value: float
    lines: pd.DataFrame
    u: float
    dof: float
    coverage: float
    k: float
    expanded: float
    second_order: float
    sentence: str


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity that may lie anywhere within ± half_width (GUM 4.3.7)."""
    return half_width / float(np.sqrt(3.0))


def propagate(
    models: Mapping[str, Model], inputs: Sequence[Input], correlations: Correlations | None = None
) -> pd.DataFrame:
    """Covariance matrix of several outputs of the same inputs (GUM 5.2, H.2), rows and columns by name."""
    gradient = np.array([_sensitivities(model, inputs) for model in models.values()])
    cov = gradient @ covariance(inputs, correlations) @ gradient.T
    return pd.DataFrame(cov, index=list(models), columns=list(models))


def covariance(inputs: Sequence[Input], correlations: Correlations | None = None) -> Floats:
    """Covariance matrix of the inputs.

    Raises
    ------
    ValueError
        If a correlation names no input, or the correlations can't all be true.
    """
    index = {x.name: i for i, x in enumerate(inputs)}
    r = np.eye(len(inputs))
    for (a, b), value in (correlations or {}).items():
        if a not in index or b not in index or a == b:
            raise ValueError(f"got a correlation of {a} and {b}; expected two of {list(index)}")
        r[index[a], index[b]] = r[index[b], index[a]] = value
    if np.linalg.eigvalsh(r)[0] < -1e-9:
        raise ValueError("got correlations that can't all be true: their matrix is not positive semidefinite")
    u = np.array([x.u for x in inputs])
    return np.asarray(r * u[:, None] * u[None, :])


def budget(
    name: str,
    model: Model,
    inputs: Sequence[Input],
    correlations: Correlations | None = None,
    *,
    unit: str = "",
    coverage: float = LEVEL,
    second_order: bool = False,
) -> Budget:
    """Make the budget of one output.

    Parameters
    ----------
    name, unit : of the output
    model : gives the output from the inputs' values by name
    inputs : estimates with their standard uncertainties
    correlations : of pairs of inputs, by their names; none if None
    coverage : of the expanded uncertainty
    second_order : add the terms of second order (GUM 5.1.2, note; for inputs without correlations)
    """
    sensitivity = _sensitivities(model, inputs)
    cov = covariance(inputs, correlations)
    variance = float(sensitivity @ cov @ sensitivity)
    extra = _second_order(model, inputs) if second_order else 0.0
    dof = _effective_dof(sensitivity, cov, inputs, variance)
    u = float(np.sqrt(max(variance + extra, 0.0)))
    k = coverage_factor(dof, coverage)
    value = model({x.name: x.value for x in inputs})
    lines = _lines(inputs, sensitivity)
    told = _sentence(name, unit, u, dof, k, coverage, lines)
    return Budget(name, unit, value, lines, u, dof, coverage, k, k * u, extra, told)


def coverage_factor(dof: float, coverage: float = LEVEL) -> float:
    """Student's t for the effective degrees of freedom, cut to a whole number (GUM G.4.1)."""
    q = 0.5 + coverage / 2.0
    if not np.isfinite(dof) or dof > 1e6:
        return float(stats.norm.ppf(q))
    return float(stats.t.ppf(q, max(int(dof), 1)))


def _step(x: Input) -> float:
    return _STEP * (x.u if x.u > 0.0 else max(abs(x.value), 1.0))


def _at(model: Model, inputs: Sequence[Input], moved: Mapping[int, float]) -> float:
    return float(model({x.name: x.value + moved.get(i, 0.0) for i, x in enumerate(inputs)}))


def _sensitivities(model: Model, inputs: Sequence[Input]) -> Floats:
    """Partial derivatives, by central differences of fourth order."""
    out = np.empty(len(inputs))
    for i, x in enumerate(inputs):
        h = _step(x)
        near = _at(model, inputs, {i: h}) - _at(model, inputs, {i: -h})
        far = _at(model, inputs, {i: 2 * h}) - _at(model, inputs, {i: -2 * h})
        out[i] = (8.0 * near - far) / (12.0 * h)
    return out


def _second_order(model: Model, inputs: Sequence[Input]) -> float:
    """Sum of (½ f_ij² + f_i f_ijj) u_i² u_j², with differences over one standard uncertainty."""
    f = _sensitivities(model, inputs)
    centre = _at(model, inputs, {})
    total = 0.0
    for i, a in enumerate(inputs):
        for j, b in enumerate(inputs):
            if a.u == 0.0 or b.u == 0.0:
                continue
            if i == j:
                up, down = _at(model, inputs, {i: a.u}), _at(model, inputs, {i: -a.u})
                mixed = up - 2.0 * centre + down
                far = _at(model, inputs, {i: 2 * a.u}) - _at(model, inputs, {i: -2 * a.u})
                third = 0.5 * far - (up - down)
            else:
                corner = {
                    (s, t): _at(model, inputs, {i: s * a.u, j: t * b.u}) for s in (-1, 1) for t in (-1, 1)
                }
                mixed = 0.25 * (corner[1, 1] - corner[1, -1] - corner[-1, 1] + corner[-1, -1])
                ahead = corner[1, 1] - 2.0 * _at(model, inputs, {i: a.u}) + corner[1, -1]
                behind = corner[-1, 1] - 2.0 * _at(model, inputs, {i: -a.u}) + corner[-1, -1]
                third = 0.5 * (ahead - behind)
            total += 0.5 * mixed**2 + f[i] * a.u * third
    return float(total)


def _effective_dof(sensitivity: Floats, cov: Floats, inputs: Sequence[Input], variance: float) -> float:
    """Welch and Satterthwaite over groups of inputs that hang together."""
    if variance <= 0.0:
        return float("inf")
    below = 0.0
    for group in _groups(cov):
        own = sensitivity[group]
        part = max(float(own @ cov[np.ix_(group, group)] @ own), 0.0)
        below += part**2 / min(inputs[i].dof for i in group)
    return float(variance**2 / below) if below > 0.0 else float("inf")


def _groups(cov: Floats) -> list[list[int]]:
    left, out = set(range(len(cov))), []
    while left:
        group, new = set[int](), {min(left)}
        while new:
            group |= new
            new = {j for i in new for j in left if cov[i, j] != 0.0} - group
        out.append(sorted(group))
        left -= group
    return out


def _lines(inputs: Sequence[Input], sensitivity: Floats) -> pd.DataFrame:
    contribution = np.abs(sensitivity) * np.array([x.u for x in inputs])
    squares = contribution**2
    frame = pd.DataFrame(
        {
            "input": [x.name for x in inputs],
            "value": [x.value for x in inputs],
            "u": [x.u for x in inputs],
            "unit": [x.unit for x in inputs],
            "dof": [x.dof for x in inputs],
            "evaluation": [x.evaluation for x in inputs],
            "sensitivity": sensitivity,
            "contribution": contribution,
            "share": squares / max(float(squares.sum()), 1e-300),
            "note": [x.note for x in inputs],
        }
    )
    return frame.sort_values("contribution", ascending=False, kind="stable", ignore_index=True)


def _sentence(
    name: str, unit: str, u: float, dof: float, k: float, coverage: float, lines: pd.DataFrame
) -> str:
    freedom = (
        "no end of degrees of freedom" if not np.isfinite(dof) else f"{int(dof)} effective degrees of freedom"
    )
    most = lines.iloc[0]
    return (
        f"{name[:1].upper()}{name[1:]}: ±{with_unit(_digits(k * u), unit)} at {percent(coverage)} (standard "
        f"uncertainty {with_unit(_digits(u), unit)}, k = {k:.2f}, {freedom}); the most from: {most['input']} "
        f"({percent(most['share'])})."
    )


def _digits(value: float) -> str:
    """Two significant digits, never in powers of ten."""
    if value <= 0.0 or not np.isfinite(value):
        return f"{value:g}"
    decimals = max(0, 1 - int(np.floor(np.log10(value))))
    return f"{value:.{decimals}f}"
