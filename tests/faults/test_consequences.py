"""What a fault means for the owner: the targets out of reach and the price, checked by hand."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from sound_units import changed, faulty_sheets, sound_sheet
from worlds import Fleet, bench, lines

from fleet.alignment.tilt import reach
from fleet.alignment.zenith import groove_limits, turn_cost, usual_alignment
from fleet.faults.consequences import meanings
from fleet.faults.one_unit import judge
from fleet.faults.signatures import FAULTS
from fleet.house_model.loo_residuals import residuals
from fleet.physics import distortion
from fleet.policy.policy import Policy

POLICY = Policy()


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def sheet(fleet: Fleet) -> pd.DataFrame:
    known = [c for c in lines(fleet.world) if c["stylus_profile"] != "spherical"]
    return sound_sheet(fleet.house, max(known, key=lambda c: c["share"]))


def meant(fleet: Fleet, sheet: pd.DataFrame, fault: str, policy: Policy = POLICY) -> str:
    resid = residuals(fleet.house, sheet)
    return meanings(sheet, resid, np.zeros(1, dtype=int), [fault], policy)[0]


def test_a_tracking_angle_out_of_reach_is_told_with_its_price(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Rake at its aim of 91°, so tracking = 91 less the built-in angle; the price is the formula's own."""
    unit = sheet.assign(sra_dynamic_deg=90.0, vta_dynamic_deg=25.0, tilt_room_deg=5.0)
    text = meant(fleet, unit, "rake_set_wrong")
    price = 100.0 * float(distortion.vertical_distortion(26.0, 20.0, radius_mm=60.325))
    assert (
        f"out of reach: the tracking angle (with the rake at 91.0° it is 26.0°, about {price:.1f} %" in text
    )
    assert "a sound one of its kind" in text


def test_a_rake_out_of_reach_names_the_furthest_tilt(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """2° of room leave a rake of 85° at 87°; the tracking angle, 17 + 2, is in its limit and not blamed."""
    unit = sheet.assign(sra_dynamic_deg=85.0, vta_dynamic_deg=17.0, tilt_room_deg=2.0)
    text = meant(fleet, unit, "suspension_soft")
    assert text.startswith("out of reach: the rake (87.0° at the furthest tilt, +2.0°); a sound one")


def test_targets_in_reach_are_said_to_be(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """With the tilt that does it; and no tilt where none is needed."""
    unit = sheet.assign(sra_dynamic_deg=89.5, vta_dynamic_deg=18.0, tilt_room_deg=5.0)
    assert meant(fleet, unit, "cantilever_angle") == "a tilt of +1.5° still serves rake and tracking angle"
    still = unit.assign(sra_dynamic_deg=91.0, vta_dynamic_deg=20.0)
    assert meant(fleet, still, "cantilever_angle") == "no tilt is needed for rake and tracking angle"
    edge = unit.assign(sra_dynamic_deg=90.0, vta_dynamic_deg=21.4)
    assert "at the edge of the rake's band" in meant(fleet, edge, "cantilever_angle")


def test_a_tilt_that_an_alignment_leaves_is_left(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """A tilt within its doubt that gains nothing, and one that serves no target, are left."""
    unit = sheet.assign(sra_dynamic_deg=91.2, vta_dynamic_deg=20.0, tilt_room_deg=5.0)
    assert meant(fleet, unit, "cantilever_angle").startswith("leave the tilt: -0.2° for rake and tracking")
    vain = unit.assign(sra_dynamic_deg=88.0, vta_dynamic_deg=25.0, tilt_room_deg=0.2)
    text = meant(fleet, vain, "rake_set_wrong")
    assert "the rake (88.0° level)" in text
    assert "leave the tilt: +0.2° gains nothing worth it" in text


def test_the_sound_unit_beside_it_is_the_kinds(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Whether a sound one meets its targets is what `reach` says of the kind's own readings."""
    row = sheet.iloc[0]
    wide = Policy(rake_accepted_deg=(80.0, 100.0), rake_best_deg=(85.0, 95.0), tracking_limit_deg=40.0)
    for policy in (POLICY, wide):
        sound = reach(row["sra_dynamic_deg"], row["vta_dynamic_deg"], row["tilt_room_deg"], policy)
        low = changed(sheet, vta_dynamic_deg=30.0)
        text = meant(fleet, low, "rake_set_wrong", policy)
        assert ("a sound one of its kind meets its targets" in text) == bool(sound.both)
    assert "meets its targets" in text


def test_a_twist_costs_skew_or_distortion(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """The figures are those of the body left alone and turned by the reading."""
    profile, span = str(sheet.iloc[0]["stylus_profile"]), groove_limits("iec")
    before, after = (turn_cost(turn, 7.0, usual_alignment(), span, profile) for turn in (0.0, 7.0))
    text = meant(fleet, sheet.assign(zenith_deg=7.0), "stylus_twisted")
    figures = [float(x) for x in re.findall(r"\d+\.\d", text)]
    costs = [before.skew_worst_us, after.skew_worst_us]
    costs += [100 * before.tracking_worst, 100 * after.tracking_worst]
    assert figures == pytest.approx(costs, abs=0.051)


def test_rolls_are_told_with_the_crosstalk_they_hold(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """20 log10 tan 4° = −23 dB; tan 3° = −26 dB; the roll goes against the reading."""
    unit = sheet.assign(azimuth_optical_deg=1.0, azimuth_electrical_deg=4.0)
    assert meant(fleet, unit, "generator_rolled") == (
        "left alone it holds crosstalk at -23 dB by itself; a roll of 4.0° anticlockwise cures that "
        "and leaves the diamond leaning 3.0°"
    )
    assert meant(fleet, unit, "stylus_canted") == (
        "with the diamond upright the generator would stand 3.0° off, "
        "which holds crosstalk at -26 dB by itself"
    )
    other = unit.assign(azimuth_electrical_deg=-4.0, azimuth_optical_deg=None)
    assert meant(fleet, other, "assembly_rolled").endswith("a roll of 4.0° clockwise cures that")


def test_a_weak_channel_is_named(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Balance is left over right: above 0 the right one is weak."""
    for balance, side in ((3.2, "right"), (-3.2, "left")):
        text = meant(fleet, sheet.assign(channel_balance_db=balance), "weak_channel")
        assert text == f"the {side} channel plays 3.2 dB quieter"


@pytest.mark.parametrize("fault", FAULTS)
def test_nothing_is_made_up_where_nothing_was_read(fleet: Fleet, sheet: pd.DataFrame, fault: str) -> None:
    """No clause without its readings, and none for slips and unknown faults."""
    readings = [c for c in sheet if c.endswith(("_deg", "_db"))]
    assert meant(fleet, sheet.assign(**dict.fromkeys(readings)), fault) == ""
    if fault in ("misread", "other"):
        assert meant(fleet, sheet, fault) == ""


def test_the_judged_units_sentence_holds_it(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """The clause stands between cause and advice; another policy, another clause."""
    wrong = faulty_sheets(sheet)["rake_set_wrong"]
    clause = meant(fleet, wrong, "rake_set_wrong")
    assert f"wrong rake on the cantilever; {clause}; return it" in judge(fleet.house, wrong, POLICY).sentence
    easy = Policy(rake_accepted_deg=(70.0, 100.0), rake_best_deg=(80.0, 95.0), tracking_limit_deg=45.0)
    assert "out of reach" in clause
    assert "out of reach" not in judge(fleet.house, wrong, easy).sentence


def test_a_spherical_stylus_has_but_one_target(fleet: Fleet) -> None:
    """No rake is said to be out of reach."""
    line = next(c for c in lines(fleet.world) if c["stylus_profile"] == "spherical")
    unit = sound_sheet(fleet.house, line).assign(sra_dynamic_deg=None, sra_static_deg=None)
    far = meant(fleet, unit.assign(vta_dynamic_deg=30.0), "cantilever_angle")
    assert far.startswith("out of reach: the tracking angle (")
    assert "rake" not in far
    near = meant(fleet, unit.assign(vta_dynamic_deg=19.0), "cantilever_angle")
    assert near == "no tilt is needed for the tracking angle"
