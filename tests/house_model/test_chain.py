"""What the links take from a bench sheet: responses, covariates, levels, classes of the sag scale."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.chain import (
    ANGLES,
    JUDGED,
    LINK,
    LINKS,
    PRODUCTS,
    RAKE,
    READING_NOISE,
    READINGS,
    SAG_EDGES,
    TYPICAL_DRAG,
    TYPICAL_DRAG_RATIO,
    covariate_unit,
    factor_labels,
    noise_matrix,
    responses,
    scale_class,
)
from fleet.physics import sag
from fleet.physics.sag import soften

SHEET = {
    "body_family": "F1",
    "stylus_profile": "line_contact",
    "cantilever_material": "boron",
    "assembly_source": "S1",
    "generator": "moving_coil",
    "compliance_frequency_hz": 10.0,
    "bench": "main",
    "vtf_mn": 18.0,
    "compliance_um_per_mn": 14.0,
    "cantilever_length_mm": 5.5,
    "temperature_c": 24.5,
    "hours_used": 1500.0,
    "sra_static_deg": 92.0,
    "sra_dynamic_deg": 91.25,
    "vta_dynamic_deg": 23.1,
    "zenith_deg": -0.4,
    "azimuth_optical_deg": 0.3,
    "azimuth_electrical_deg": 0.2,
    "channel_balance_db": 0.15,
    "tilt_room_deg": 3.5,
    "tilt_applied_deg": -1.2,
    "bench_minutes": 70.0,
}
FILL = pd.DataFrame(
    {
        "c_fill": [20.0],
        "l_fill": [6.0],
        "n_fill": [18.0],
        "t_fill": [26.0],
        "newest": [12.0 * 2025 + 6.0],
        "c_sure": [True],
        "l_sure": [False],
    },
    index=["F1"],
)


def seen(**changed: object) -> pd.Series:
    """One sheet as the links see it."""
    return responses(pd.DataFrame([{**SHEET, **changed}]), FILL).iloc[0]


def scale(vtf: float, compliance: float, length: float, vta: float) -> float:
    return float(sag.sag_scale_deg(vtf, compliance, length, vta))


def test_responses_are_the_readings_arithmetic() -> None:
    """Tracking is the turning angle plus the sag read, built-in the difference, minutes their logarithm."""
    row = seen()
    assert row["y_tracking"] == pytest.approx(23.1 + 0.75, abs=1e-9)
    assert row["y_built_in"] == pytest.approx(91.25 - 23.1, abs=1e-9)
    assert row["y_sag"] == pytest.approx(0.75, abs=1e-9)
    assert row["y_minutes"] == pytest.approx(np.log(70.0), abs=5.1e-4)
    assert (row["warm"], row["aged"], row["tilted"], row["conflict"]) == (2.5, 1.0, 1.2, 1.0)


def test_years_count_from_the_fleets_newest_sheet() -> None:
    """A sheet of December 2023 is a year and a half old in June 2025; one without a day is of now."""
    assert seen(measured_on="2023-12-31")["years"] == -1.5
    assert seen(measured_on="2025-06-01")["years"] == 0.0
    assert seen()["years"] == seen(measured_on=None)["years"] == 0.0
    assert seen(measured_on="2023-12-31", body_family="F9")["years"] == 0.0


def test_the_sag_scale_is_that_of_the_mechanics() -> None:
    """S at the angle the cantilever had with the record still, rounded to a thousandth of a degree."""
    row = seen()
    assert row["s"] == pytest.approx(scale(18.0, 14.0, 5.5, 23.85), abs=5.1e-4)
    assert row["s_warm"] == pytest.approx(row["s"] * 2.5)
    assert row["s_aged"] == pytest.approx(row["s"] * 1.0)


def test_each_pattern_of_readings_tells_what_it_holds() -> None:
    """Either rake with a tracking angle gives the built-in angle; a rake without one stands by itself."""
    whole, dynamic = seen(), seen(sra_static_deg=None)
    sag = TYPICAL_DRAG * scale(18.0, 14.0, 5.5, 23.1)
    static = seen(sra_dynamic_deg=None)
    assert static["y_tracking"] == dynamic["y_tracking"] == pytest.approx(23.1 + sag, abs=1e-3)
    assert static["y_built_in"] == pytest.approx(whole["y_built_in"] + 0.75 - sag, abs=1.1e-3)
    assert dynamic["y_built_in"] == whole["y_built_in"]
    assert np.isnan([whole[f"y_{RAKE}"], static[f"y_{RAKE}"], dynamic[f"y_{RAKE}"]]).all()
    still, turning = (seen(vta_dynamic_deg=None, **{n: None}) for n in ("sra_dynamic_deg", "sra_static_deg"))
    assert np.isnan([still[f"y_{n}"] for n in ANGLES]).all()
    guess = TYPICAL_DRAG * scale(18.0, 14.0, 5.5, 26.0)
    assert turning[f"y_{RAKE}"] == pytest.approx(still[f"y_{RAKE}"] - 0.75 + guess, abs=1.1e-3)


def test_a_sheet_at_another_force_is_read_as_at_the_familys_own() -> None:
    """First order of the exact balance: within a tenth of what the equilibrium says the force moved."""
    own, sag = seen(), 0.75
    for times in (0.8, 1.25):
        off = seen(vtf_mn=18.0 * times)
        still = own["y_tracking"]
        deflection = np.degrees(TYPICAL_DRAG / TYPICAL_DRAG_RATIO * 18.0 * 14.0 / 5.5 / 1000.0)
        deflection = deflection / np.cos(np.radians(still))
        moved = float(soften(still, sag, deflection, times)[0]) - still
        assert still - off["y_tracking"] == pytest.approx(moved, rel=0.1)
        assert off["y_built_in"] == own["y_built_in"]
        lone = [seen(vtf_mn=18.0 * f, vta_dynamic_deg=None)[f"y_{RAKE}"] for f in (1.0, times)]
        assert lone[0] - lone[1] == pytest.approx(moved, rel=0.1)
    unknown = [seen(body_family=None, vtf_mn=v)["y_tracking"] for v in (15.0, 30.0)]
    assert unknown[0] == unknown[1], "a family not told has no force of its own"


def test_codes_are_whole_numbers() -> None:
    """Every response and covariate times its unit is an integer, whatever the reading's decimals."""
    both = seen(sra_static_deg=92.0123456, vta_dynamic_deg=23.0 + 1.0 / 3.0, temperature_c=23.17)
    alone = seen(sra_static_deg=92.0123456, vta_dynamic_deg=None, temperature_c=23.17)
    for link in LINKS:
        row = alone if link.name == RAKE else both
        coded = row[f"y_{link.name}"] * 1000.0
        assert coded == pytest.approx(round(coded), abs=1e-6), link.name
        for name in link.columns:
            coded = row[name] * covariate_unit(name)
            assert coded == pytest.approx(round(coded), abs=1e-4), name


def test_what_a_sheet_lacks_comes_from_its_family() -> None:
    """A missing figure takes the family's; a class of its own says that it was only guessed."""
    assert seen(vtf_mn=np.nan)["s"] == pytest.approx(scale(18.0, 14.0, 5.5, 23.85), abs=5.1e-4)
    told = seen(compliance_um_per_mn=np.nan)
    assert told["s"] == pytest.approx(scale(18.0, 20.0, 5.5, 23.85), abs=5.1e-4)
    assert told["scale_class"] == scale_class(np.array([scale(18.0, 20.0, 5.5, 26.0)]))[0]
    guessed = seen(cantilever_length_mm=np.nan)
    assert guessed["s"] == pytest.approx(scale(18.0, 14.0, 6.0, 23.85), abs=5.1e-4)
    assert guessed["scale_class"] == len(SAG_EDGES) + 1


def test_a_unit_that_stands_wrong_does_not_choose_its_own_yardstick() -> None:
    """The class of spread goes by the family's angle; by the unit's own only where no family is known."""
    low, high = seen(vta_dynamic_deg=10.0), seen(vta_dynamic_deg=45.0)
    assert low["s"] < 0.5 * high["s"]
    assert low["s_kind"] == high["s_kind"] == pytest.approx(scale(18.0, 14.0, 5.5, 26.0))
    assert low["scale_class"] == high["scale_class"]
    stranger = seen(body_family="F9")
    assert stranger["s_kind"] == pytest.approx(scale(18.0, 14.0, 5.5, 23.85))


def test_without_a_tracking_angle_only_sag_remains() -> None:
    """No tracking angle: no tracking and no built-in response; the family's angle stands in for the scale."""
    row = seen(vta_dynamic_deg=np.nan)
    assert np.isnan(row["y_tracking"])
    assert np.isnan(row["y_built_in"])
    assert row["y_sag"] == pytest.approx(0.75, abs=1e-9)
    assert row["s"] == pytest.approx(scale(18.0, 14.0, 5.5, 26.0), abs=5.1e-4)


def test_a_spherical_stylus_has_no_rake() -> None:
    """Rake and zenith are left out; the sag is guessed from the scale, for tracking only."""
    row = seen(stylus_profile="spherical")
    assert row[["y_built_in", "y_sag", "y_zenith"]].isna().all()
    guess = TYPICAL_DRAG * scale(18.0, 14.0, 5.5, 23.1)
    assert row["y_tracking"] == pytest.approx(23.1 + guess, abs=5.1e-4)


def test_an_unknown_family_leaves_the_scale_open() -> None:
    """Nothing stands in where the family isn't known: no scale, hence no row for the sag."""
    row = seen(body_family="F9", compliance_um_per_mn=np.nan)
    assert np.isnan(row["s"])
    assert row["scale_class"] == len(SAG_EDGES) + 1


def test_columns_that_are_not_there_count_as_not_told() -> None:
    """A frame without most columns gives empty responses and the level "not told"."""
    bare = responses(pd.DataFrame([{"body_family": "F1", "hours_used": 500.0}]), FILL).iloc[0]
    assert bare["source"] == ""
    assert bare[[f"y_{n}" for n in JUDGED]].isna().all()
    assert (bare["warm"], bare["aged"]) == (0.0, 0.0)


def test_labels_are_text_without_trailing_zeros() -> None:
    """Numbers, words, and the many ways of not being told."""
    labels = factor_labels(pd.Series([10.0, 100, "boron", None, np.nan, pd.NA], dtype=object))
    assert labels.tolist() == ["10", "100", "boron", "", "", ""]


def test_classes_of_the_scale_are_half_open() -> None:
    """A scale on an edge belongs to the class above it; beyond the last edge and unknown have their own."""
    s = np.array([0.0, 0.399, 0.4, 4.199, 4.2, 9.0, np.nan])
    assert scale_class(s).tolist() == [0, 0, 1, 10, 11, 11, 12]


def test_noise_in_the_responses_follows_from_the_readings() -> None:
    """The covariance is that of the responses' arithmetic on independent reading noise (simulated)."""
    rng = np.random.default_rng(1)
    e = {r: sd * rng.standard_normal(400_000) for r, sd in READING_NOISE.items()}
    sag = e["sra_static_deg"] - e["sra_dynamic_deg"]
    simulated = np.cov([e["vta_dynamic_deg"] + sag, e["sra_dynamic_deg"] - e["vta_dynamic_deg"], sag])
    assert noise_matrix(ANGLES, READING_NOISE) == pytest.approx(simulated, abs=1.5e-3)


def test_every_link_speaks_of_known_readings_and_covariates() -> None:
    """Judged links are links; readings in a response carry a noise; a product's factors are columns."""
    assert set(JUDGED) <= set(LINK)
    for link in LINKS:
        assert set(link.reading) <= set(READINGS)
    for name, (a, b) in PRODUCTS.items():
        assert covariate_unit(name) == covariate_unit(a) * covariate_unit(b)
