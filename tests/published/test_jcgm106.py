"""Conformity with a tolerance: examples in the manner of JCGM 106:2012, and Deaver's global risks.

The inputs are those of the guide's worked examples (clauses 7 to 9 and annex A); its printed results are
known here only from memory and rounded (0.92; 107 km/h; about 1 % and 7 %), so the asserted digits are
derived: normal distribution function, and for the global risks two independent integrations that agree to
1e-13.
"""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from fleet.attainment.conformity import conformance_probability, global_risks, guard_band
from fleet.errors import FleetError

RESISTOR = {"prior_mean": 1500.0, "prior_sd": 0.12, "reading_sd": 0.04, "tolerance": (1499.8, 1500.2)}


def test_one_sided_limit():
    """Breakdown voltage -5.47 V (u 0.05) against an upper limit of -5.40 V conforms with Phi(1.4) =
    0.9192433."""
    assert conformance_probability(-5.47, 0.05, -np.inf, -5.40) == pytest.approx(0.9192433, abs=5e-8)


def test_speed_guard():
    """With u = 2 % of the speed, 99.9 % sure of more than 100 km/h from 106.5876 km/h (printed: about
    107)."""
    speed = 106.5876
    assert conformance_probability(speed, 0.02 * speed, 100.0, np.inf) == pytest.approx(0.999, abs=1e-6)
    assert speed - guard_band(0.02 * speed, 0.999) == pytest.approx(100.0, abs=1e-3)


@pytest.mark.parametrize(
    ("guard", "consumer", "producer"),
    [
        (0.02, 0.0098782915, 0.0690265105),
        (0.0, 0.0189422067, 0.0372078002),
        (0.04, 0.0043340722, 0.1146565784),
        (0.06, 0.0015753532, 0.1743762759),
        (0.08, 0.0004686336, 0.2476696402),
        (-0.02, 0.0311445523, 0.0175541687),
    ],
)
def test_resistors_two_risks(guard, consumer, producer):
    """1500-ohm resistors: both global risks at several guard bands (published for 0.02: about 1 % and
    7 %)."""
    risks = global_risks(**RESISTOR, acceptance=(1499.8 + guard, 1500.2 - guard))
    assert risks.consumer == pytest.approx(consumer, abs=1e-9)
    assert risks.producer == pytest.approx(producer, abs=1e-9)


def test_resistors_against_an_adaptive_integral():
    """The consumer's risk equals an adaptive integral over the readings (derived, the other way round)."""

    def accepted_but_out(reading):
        sd = np.hypot(0.12, 0.04)
        inside = conformance_probability(reading, 0.04, 1499.8, 1500.2, prior_mean=1500.0, prior_sd=0.12)
        return norm.pdf(reading, 1500.0, sd) * (1 - float(inside))

    want = quad(accepted_but_out, 1499.82, 1500.18, epsabs=1e-13)[0]
    got = global_risks(**RESISTOR, acceptance=(1499.82, 1500.18)).consumer
    assert got == pytest.approx(want, abs=1e-11)


def test_specific_risk_at_the_acceptance_limit():
    """A reading of 1500.18 conforms with 0.8416804 given the prior and 0.6914625 = Phi(0.5) without
    (derived)."""
    prior = {"prior_mean": 1500.0, "prior_sd": 0.12}
    assert conformance_probability(1500.18, 0.04, 1499.8, 1500.2, **prior) == pytest.approx(
        0.8416804, abs=5e-8
    )
    assert conformance_probability(1500.18, 0.04, 1499.8, 1500.2) == pytest.approx(0.6914625, abs=5e-8)
    assert conformance_probability(1500.2, 0.04, 1499.8, 1500.2, **prior) == pytest.approx(
        0.7009193, abs=5e-8
    )
    assert conformance_probability(1500.2, 0.04, 1499.8, 1500.2) == pytest.approx(0.5, abs=1e-12)


def test_guard_factor():
    """As a share of the expanded uncertainty (k = 2): 0.8224268 for 95 %, 1.1631739 for 99 %, 1 for
    97.725 %."""
    for assurance, factor in ((0.95, 0.8224268), (0.99, 1.1631739), (0.9772499, 1.0)):
        assert guard_band(1.0, assurance) / 2 == pytest.approx(factor, abs=5e-7)
    with pytest.raises(FleetError, match="assurance must be"):
        guard_band(1.0, 1.0)


@pytest.mark.parametrize(
    ("limit", "test_sd", "acceptance", "accepted_bad", "rejected_good", "published"),
    [
        (2.0, 0.25, 2.0, 0.0080060848, 0.0148508842, (0.008, 0.015)),
        (2.5, 0.25, 2.5, 0.0024453487, 0.0053193891, (0.0025, None)),
        (2.5, 1.0, 2.5, 0.0047235665, 0.0694041076, (0.005, None)),
        (2.0, 0.5, 1.82, 0.0080516085, 0.0661064522, (0.008, 0.066)),
        (2.0, 0.5, 2.0, 0.0123887493, 0.0405267555, (None, None)),
    ],
)
def test_deavers_global_risks(limit, test_sd, acceptance, accepted_bad, rejected_good, published):
    """Deaver's false accept and false reject rates, limits in process sigmas; test sd = process sd /
    ratio."""
    risks = global_risks(0.0, 1.0, test_sd, (-limit, limit), (-acceptance, acceptance))
    assert risks.consumer == pytest.approx(accepted_bad, abs=1e-9)
    assert risks.producer == pytest.approx(rejected_good, abs=1e-9)
    for got, printed in zip(risks, published, strict=True):
        assert printed is None or got == pytest.approx(printed, abs=5.1e-4)
