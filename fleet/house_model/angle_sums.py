"""Sums of tracking and built-in angle together, and of two combinations that are fitted one at a time.

Unit by unit a rake (tracking plus built-in angle) goes with the tracking angle.  What loses next to nothing
is to fit what most sheets read, the rake or the tracking angle, and of the other what the first does not tell
unit by unit: each combination then has residuals of its own; the first learns from all sheets that read it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from fleet.house_model.cell_sums import Sums
from fleet.house_model.chain import PAIR_COVARIATES, PAIRED, RAKE
from fleet.statistics.gram import Floats

JOINT: Final = "+".join(PAIRED)
LOADING: Final = {PAIRED[0]: np.array([1.0, 0.0]), RAKE: np.array([1.0, 1.0])}
"""What a sheet reads of (tracking, built-in) that doesn't read both, by link."""


def separate_rows(unit: Floats, first: str) -> Floats:
    """Rows (2, 2) on (tracking, built-in): what one link reads, and what that does not tell of the other.

    Parameters
    ----------
    unit : (2, 2) covariance of tracking and built-in angle between units of a family
    first : ``tracking`` or ``rake``; the other of the two less its regression on the first comes second
    """
    (other,) = (name for name in LOADING if name != first)
    one, two = LOADING[first], LOADING[other]
    return np.stack([one, two - (two @ unit @ one) / (one @ unit @ one) * one])


def combine(joint: Sums, weights: Floats, name: str) -> Sums:
    """Moments of one combination ``weights @ (tracking, built_in)`` from the joint moments, no new scan."""
    k = 1 + len(PAIR_COVARIATES)
    turn = np.zeros((k + 1, k + 2))
    turn[:k, :k] = np.eye(k)
    turn[k, k:] = weights
    moments = np.einsum("ai,mij,bj->mab", turn, joint.moments, turn)
    return Sums(("1", *PAIR_COVARIATES, name), moments, joint.counts)


def lone_sums(sums: Mapping[str, Sums]) -> dict[str, Sums]:
    """Moments of the rows that read the tracking angle without a rake, and a rake without that angle."""
    joint, tracking = sums[JOINT], sums[PAIRED[0]]
    both = combine(joint, np.array([1.0, 0.0]), PAIRED[0])
    moments, counts = tracking.moments - both.moments, tracking.counts - both.counts
    empty = Sums(tracking.columns, np.zeros_like(moments), np.zeros_like(counts))
    return {PAIRED[0]: Sums(tracking.columns, moments, counts), RAKE: sums.get(RAKE, empty)}


def add_sums(one: Sums, other: Sums) -> Sums:
    """Moments of the rows of both."""
    return Sums(one.columns, one.moments + other.moments, one.counts + other.counts)
