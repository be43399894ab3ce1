"""What is believed of pickups before any sheet is read: it carries a cold start and fades with sheets.

Each figure is common practice of the trade (no published source) unless a source is named.  A belief about a
mean counts as one more sheet of the spread given, one about a spread as four more; against a few hundred
sheets they weigh nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from fleet.house_model.chain import LINK, PAIR_FIXED, PAIRED, RAKE
from fleet.statistics.gram import Anchor, Floats

SPREAD_ROWS: Final = 4.0
"""Rows that a believed spread counts for."""
TERM_ROWS: Final = 10.0
"""Rows that a believed spread between levels counts for."""
DRIFT: Final = 0.06
"""Scale of the half-t prior on how far sources' drifts differ [degrees a year]."""


@dataclass(frozen=True)
class Prior:
    """Belief about one link.

    Attributes
    ----------
    anchors : fixed coefficients with mean and sd, in the link's units (the intercept not yet centred)
    variance : between units of one family; where the link is scaled, over the squared sag scale
    term : scale of the half-t prior on the spread between levels
    """

    anchors: tuple[Anchor, ...]
    variance: float
    term: float

    def centred(self, centre: float) -> tuple[Anchor, ...]:
        """The anchors with the response's centre taken off the intercept."""
        return tuple(Anchor(c, m - centre if c == "1" else m, sd) for c, m, sd in self.anchors)


_WARM = Anchor("warm", 0.0, 0.1)
_AGED = Anchor("aged", 0.0, 0.5)
BELIEFS: Final[Mapping[str, Prior]] = {
    # Woodward 1982 (as summarised second-hand) sampled 22 to 35°; today's pickups are mostly at 20 to 28°.
    "tracking": Prior((Anchor("1", 26.0, 3.5), _WARM, _AGED), 2.0, 0.8),
    "built_in": Prior((Anchor("1", 66.5, 2.4), _WARM, _AGED), 1.0, 0.6),
    # Drag over tracking force about 0.3, rubber softer than its dynamic figure by about 1.7.
    "sag": Prior(
        (Anchor("s", 0.5, 0.15), Anchor("s_warm", 0.005, 0.01), Anchor("s_aged", 0.0, 0.05)), 0.006, 0.1
    ),
    "zenith": Prior((Anchor("1", 0.0, 0.5),), 1.2, 0.3),
    "azimuth_seen": Prior((Anchor("1", 0.0, 0.3),), 0.45, 0.15),
    "azimuth_electrical": Prior((Anchor("1", 0.0, 0.3),), 0.45, 0.15),
    "balance": Prior((Anchor("1", 0.0, 0.2),), 0.13, 0.1),
    "tilt_room": Prior((Anchor("1", 3.5, 0.8),), 0.06, 0.6),
    # The sum of tracking and built-in angle, which go against each other (see `AGAINST`).
    RAKE: Prior((Anchor("1", 92.5, 2.1), _WARM, _AGED), 3.0, 0.48),
    # Somewhat over an hour; a degree of tilt or a conflict of targets adds about a tenth.
    "minutes": Prior(
        (Anchor("1", 4.2, 0.4), Anchor("tilted", 0.09, 0.06), Anchor("conflict", 0.1, 0.1)), 0.04, 0.15
    ),
}


AGAINST: Final = -0.8
"""Correlation of tracking and built-in angle between fleets and between levels: makers set the stylus so that
the rake comes out right, whatever the cantilever's angle.  With it most of what is expected of a rake lies in
the published full range, 86 to 97° (second-hand).  Units of one family scatter independently."""
SOFTER_THAN_TOLD: Final[Mapping[str, float]] = {"0": 0.5, "10": 1.0, "100": 2.0}
"""How soft the rubber is over the figure told at a frequency, against one told at 10 Hz: a static figure is
about twice the one at 10 Hz and four times the one at 100 Hz (rule of thumb of the trade press: remusic.it,
item 309, on the resonance of arm and pickup)."""


def pair_prior(weights: Floats) -> Prior:
    """Belief about a combination ``weights @ (tracking, built-in)``."""
    parts = [BELIEFS[n] for n in PAIRED]
    centred = [b.centred(LINK[n].centre) for b, n in zip(parts, PAIRED, strict=True)]
    anchors = []
    for k, column in enumerate(PAIR_FIXED):
        means = np.array([c[k].mean for c in centred])
        sds = np.array([c[k].sd for c in centred])
        against = AGAINST if column == "1" else 0.0
        anchors.append(Anchor(column, float(weights @ means), _sd(weights, sds, against)))
    square = weights**2
    variance = float(square @ [b.variance for b in parts])
    return Prior(tuple(anchors), variance, _sd(weights, np.array([b.term for b in parts]), AGAINST))


def _sd(weights: Floats, sds: Floats, correlation: float) -> float:
    """Standard deviation of a combination of two quantities."""
    one, two = weights * sds
    return float(np.sqrt(one**2 + two**2 + 2.0 * correlation * one * two))
