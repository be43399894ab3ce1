"""An attacker who weighs counts of targets met, and squares of repeated readings, beside the blurred sums.

He knows every unit of a group but one, and how the errors are drawn, so he can say how likely each pair of
angles of the last unit is.  He is sure of an angle if nineteen twentieths of that lie within half a degree.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from solving import Found, Told, close

from fleet.alignment.targets import READ_COLUMNS, states
from fleet.policy.policy import Policy
from fleet.sharing import blur
from fleet.sharing.units import Repeats, Units

Floats = np.ndarray
STEP, REACH = 0.25, 7.0
SIDE = np.arange(-REACH, REACH + STEP / 2, STEP)
WORDS = ("stylus_profile", "remedy")
SURE = 0.95


@dataclass(frozen=True)
class Counted:
    """Counts of a group: who was counted, how many met each target in truth, and what is told of it."""

    records: list[str]
    exact: Mapping[str, list[int]]
    told: Mapping[str, list[float]]


def by_counts(true: Units, sets: list[Told], counted: Counted, added: Mapping[str, float]) -> Iterator[Found]:
    """Counts and sums together, a unit at a time; then with angles like the other units' believed likelier.

    Parameters
    ----------
    true : the group's units
    sets : what its sums tell (see `solving.told_of`)
    counted : what its counts tell
    added : per ``"link link"`` what the blur adds to a product on average
    """
    both = {t.link: t for t in sets if t.link in {"tracking", "built_in"}}
    places = {str(r): i for i, r in enumerate(true.record)}
    who = [r for r in counted.records if r in places]
    sheets = true.sheets.iloc[[places[r] for r in who]].reset_index(drop=True)
    met = {m: s for m, s in states(sheets, Policy()).items() if m in counted.told}
    angles = sheets[["sra_dynamic_deg", "vta_dynamic_deg"]].astype(float).to_numpy()
    for place, record in enumerate(who):
        if np.isnan(angles[place]).any() or sheets["stylus_profile"].iloc[place] == "spherical":
            continue
        others = np.delete(angles, place, axis=0)
        others = others[~np.isnan(others).any(axis=1)]
        off, spread = _by_sums(both, record, added)
        middle = others.mean(axis=0) if spread is None else angles[place] + off
        sra, vta = np.meshgrid(middle[0] + SIDE, middle[1] + SIDE, indexing="ij")
        weight = _of_counts(sheets.iloc[place], sra, vta, met, counted, place)
        if spread is not None:
            weight -= 0.5 * _squares(sra - middle[0], vta - middle[1], spread)
        yield from _answers("counts and sums", weight, middle, record, angles[place], others)
        weight += _usual(sra, vta, others)
        yield from _answers("counts, sums and the usual", weight, middle, record, angles[place], others)


def _answers(
    attack: str, weight: Floats, middle: Floats, record: str, truth: Floats, others: Floats
) -> Iterator[Found]:
    """For rake and tracking angle the degree that most of the likelihood lies in, and whether enough does."""
    share = np.exp(weight - weight.max())
    share /= share.sum()
    wide = round(1.0 / STEP)
    for axis, link in enumerate(("sra", "vta")):
        within = np.convolve(share.sum(axis=1 - axis), np.ones(wide), mode="valid")
        best = int(within.argmax())
        yield Found(
            attack, link, record, float(middle[axis] + SIDE[best : best + wide].mean()),
            bool(within[best] >= SURE), float(truth[axis]), float(others[:, axis].mean()),
        )  # fmt: skip


def _by_sums(
    both: Mapping[str, Told], record: str, added: Mapping[str, float]
) -> tuple[Floats, Floats | None]:
    """How far the sums, less all others' readings, are from rake and tracking angle, and their covariance."""
    if len(both) < 2 or any(record not in t.records for t in both.values()):
        return np.zeros(2), None
    off = {n: t.sums[0, -1] - t.rows[-1].sum() for n, t in both.items()}
    crossed = added["tracking built_in"]
    one = np.array([[added["tracking tracking"], crossed], [crossed, added["built_in built_in"]]])
    turn = np.array([[1.0, 1.0], [1.0, 0.0]])  # rake = tracking + built-in, tracking
    spread = turn @ (one * len(both["tracking"].records) + 1e-9 * np.eye(2)) @ turn.T
    return turn @ np.array([off["tracking"], off["built_in"]]), spread


def _usual(sra: Floats, vta: Floats, others: Floats) -> Floats:
    """Logarithm of what others' angles make one believe of another's: a Student t in two dimensions.

    Gelman et al., Bayesian Data Analysis (3rd ed.), section 3.6, no prior knowledge of mean and covariance.
    """
    n = len(others)
    dof = max(n - 2, 1)
    scale = np.cov(others.T) * (n - 1) * (n + 1) / (n * dof) + 1e-4 * np.eye(2)
    square = _squares(sra - others[:, 0].mean(), vta - others[:, 1].mean(), scale)
    return np.asarray(-0.5 * (dof + 2) * np.log1p(square / dof))


def _squares(x: Floats, y: Floats, covariance: Floats) -> Floats:
    p = np.linalg.inv(covariance)
    return np.asarray(p[0, 0] * x**2 + 2.0 * p[0, 1] * x * y + p[1, 1] * y**2)


def _of_counts(
    own: pd.Series, sra: Floats, vta: Floats, met: Mapping[str, Floats], counted: Counted, place: int
) -> Floats:
    """Logarithm of how likely the counts told are for each pair of angles of one unit."""
    grid = pd.DataFrame({c: [own[c]] * sra.size if c in WORDS else float(own[c]) for c in READ_COLUMNS})
    grid = grid.assign(sra_dynamic_deg=sra.ravel(), vta_dynamic_deg=vta.ravel())
    candidate = states(grid, Policy())
    out = np.zeros(sra.size)
    for measure, (_, told, _) in counted.told.items():
        state = met[measure]
        if state[place] < 0:
            continue
        rest = told - int((np.delete(state, place) == 1).sum())
        out -= blur.COUNT_EPSILON * np.abs(rest - (candidate[measure] == 1))
    return out.reshape(sra.shape)


def by_repeats(found: Repeats, members: np.ndarray, told: Mapping[str, list[float]]) -> Iterator[Found]:
    """How far two readings of one unit lie apart: the sum of squares less all others', in their own size."""
    for reading, (_, mean) in told.items():
        d = found.difference[reading].to_numpy(dtype=float)
        read = np.flatnonzero(members & ~np.isnan(d))
        square = d[read] ** 2
        for i, place in enumerate(read):
            usual = max(float(np.sqrt(np.delete(square, i).mean())), 1e-9)
            estimate = float(np.sqrt(max(mean * len(read) - np.delete(square, i).sum(), 0.0)))
            error = float(np.sqrt((square**2).sum() / blur.REPEAT_SHAPE)) / max(2.0 * estimate, 1e-9)
            yield Found(
                "repeats", "repeats", str(found.unit[place]), estimate / usual,
                bool(2.0 * error / usual <= close("repeats")), abs(float(d[place])) / usual, 1.0,
            )  # fmt: skip
