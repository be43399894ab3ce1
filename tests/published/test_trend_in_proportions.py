"""Cochran-Armitage trend test against a published worked example.

The pain trial of the SAS/STAT user's guide (FREQ procedure, example of the trend test): adverse responses
at five doses, Z = 4.7918 in size.
"""

import pytest

from fleet.statistics.proportions import trend


def test_pain_trial():
    """Adverse 6, 7, 9, 14, 23 of 32, 33, 32, 32, 32 gives z = 4.7918."""
    result = trend([6, 7, 9, 14, 23], [32, 33, 32, 32, 32])
    assert result.z == pytest.approx(4.7918, abs=5e-5)
    assert result.p_value < 1e-4
    assert "rises" in result.sentence
