"""Why, in one sentence with figures."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sound_units import changed, faulty_sheets, sound_sheet
from worlds import Fleet, bench, lines

from fleet.faults.likelihood_ratio import score_sheets
from fleet.faults.sentences import (
    departures,
    explain,
    likely_gross_error,
    proposal,
    sound,
)
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import READINGS
from fleet.house_model.loo_residuals import residuals
from fleet.numerals import percent
from fleet.words import FAULT_WORDS, quantity


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def sheet(fleet: Fleet) -> pd.DataFrame:
    known = [c for c in lines(fleet.world) if c["stylus_profile"] != "spherical"]
    return sound_sheet(fleet.house, max(known, key=lambda c: c["share"]))


def said(fleet: Fleet, sheet: pd.DataFrame, *, flagged: bool = True) -> str:
    resid = residuals(fleet.house, sheet)
    scores = score_sheets(fleet.house, resid, null_draws=4, tail=0.0)
    return explain(dict(sheet.iloc[0]), resid, scores, 0, flagged=flagged)


def proposed(fleet: Fleet, sheet: pd.DataFrame) -> str:
    resid = residuals(fleet.house, sheet)
    scores = score_sheets(fleet.house, resid, null_draws=4, tail=0.0)
    return proposal(dict(sheet.iloc[0]), resid, scores, 0)


@pytest.mark.long
def test_many_sound_sheets_are_worded_as_each_alone(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """A plainly normal sheet, one with each reading somewhat off, and one that reads nothing."""
    steps = (-9.0, -6.0, -4.0, 4.0, 6.0, 9.0)
    off = [sheet.assign(**{r: sheet[r] + k * fleet.house.noise[r]}) for r in READINGS for k in steps]
    frame = pd.concat([sheet, *off, sheet.assign(**dict.fromkeys(READINGS, np.nan))], ignore_index=True)
    resid = residuals(fleet.house, frame)
    scores = score_sheets(fleet.house, resid, null_draws=4, tail=0.0)
    rows = np.flatnonzero((scores.healthy >= 0.5) | np.isnan(scores.score))
    alone = [explain(None, resid, scores, i, flagged=False) for i in rows.tolist()]
    assert sound(resid, scores, rows) == alone
    assert sum(";" in text for text in alone) >= 3
    assert alone[-1].startswith("Nothing was read")


def test_every_fault_has_a_cause_and_an_action() -> None:
    """Nobody is left with a code word."""
    assert set(FAULT_WORDS) == set(FAULTS)


@pytest.mark.parametrize("fault", [f for f in FAULTS if f not in {"misread", "other"}])
def test_a_fault_is_told_with_its_cause_and_what_to_do(fleet: Fleet, sheet: pd.DataFrame, fault: str) -> None:
    """The sentence of a hand-made fault holds its cause and its action and ends there."""
    text = said(fleet, faulty_sheets(sheet)[fault])
    assert FAULT_WORDS[fault].cause in text
    assert FAULT_WORDS[fault].action in text
    assert text.endswith(".")
    assert text[0].isupper()


def test_figures_are_those_of_the_residuals(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """6.5° below its family, in degrees and in its own sigmas; everything else normal."""
    wrong = faulty_sheets(sheet)["rake_set_wrong"]
    resid = residuals(fleet.house, wrong)
    z = 6.5 / np.sqrt(resid.covariance[0, 1, 1])
    text = said(fleet, wrong)
    assert f"Built-in angle 6.5° below its family ({z:.1f} of its own sigmas); everything else normal" in text


def test_a_family_never_met_is_a_kind(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Nothing is said to be off its family when no family is known."""
    text = said(fleet, faulty_sheets(sheet)["stylus_twisted"].assign(body_family="NEW"))
    assert "from its kind" in text
    assert "family" not in text


def test_a_sound_unit_is_normal(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Said with how sure that is."""
    assert said(fleet, sheet, flagged=False) == "Normal for its kind (>99 % sure)."


def test_flag_and_probability_may_disagree_and_the_sentence_says_why(
    fleet: Fleet, sheet: pd.DataFrame
) -> None:
    """Flagged though likelier sound, and not flagged though likelier faulty: each has its clause."""
    assert "reads sound (>99 % sure), though the list flags it: measure it again" in said(fleet, sheet)
    odd = said(fleet, faulty_sheets(sheet)["stylus_twisted"], flagged=False)
    assert "Not flagged: among so many units" in odd


def test_departures_are_ordered_and_signed(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """The farthest first; readings about zero are told as they were read, with their sign."""
    off = changed(sheet, zenith_deg=-9.0, channel_balance_db=1.9)
    found = departures(residuals(fleet.house, off), 0)
    assert len(found) == 2
    assert found[0].startswith("zenith error -")
    assert found[1].startswith("channel balance +")


def test_a_swap_is_proposed_with_both_readings(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Still and turning rake exchanged: the proposal names what would be normal."""
    row = sheet.iloc[0]
    text = proposed(fleet, faulty_sheets(sheet)["misread"])
    assert "still and turning rake look swapped" in text
    assert (
        f"{row['sra_static_deg']:.2f}° still, {row['sra_dynamic_deg']:.2f}° turning would be normal" in text
    )


def test_a_wrong_sign_is_proposed_back(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """A zenith of a source that sets its styli 4° off, written with the other sign."""
    flipped = sheet.assign(channel_balance_db=-2.4)
    other = residuals(fleet.house, flipped)
    other.expected[0, 6], other.value[0, 6] = 2.4, -4.8
    scores = score_sheets(fleet.house, other, null_draws=4, tail=0.0)
    text = proposal(dict(flipped.iloc[0]), other, scores, 0)
    assert text == "channel balance looks to have the wrong sign: +2.40 would be normal"


@pytest.mark.parametrize("column", ["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"])
def test_a_misread_angle_is_proposed_within_a_degree(fleet: Fleet, sheet: pd.DataFrame, column: str) -> None:
    """Ten degrees too many on one reading: the reading is named and about the right figure given."""
    wrong = changed(sheet, **{column: 10.0 if column != "vta_dynamic_deg" else -9.0})
    text = proposed(fleet, wrong)
    assert text.startswith(f"{quantity(column).short} ")
    right = float(text.split("about ")[1].split(" would")[0])
    assert right == pytest.approx(float(sheet.iloc[0][column]), abs=1.0)


def test_what_was_not_read_is_not_said_to_be_misread(fleet: Fleet) -> None:
    """A spherical stylus has no rake: a wrong tracking angle is named, whatever else could explain it."""
    (round_tip,) = [c for c in lines(fleet.world) if c["stylus_profile"] == "spherical"][:1]
    sheet = sound_sheet(fleet.house, round_tip).assign(
        sra_static_deg=None, sra_dynamic_deg=None, zenith_deg=None
    )
    text = proposed(fleet, changed(sheet, vta_dynamic_deg=14.0))
    assert text.startswith("tracking angle")


def test_nothing_read_is_said_so(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """No reading, no verdict."""
    readings = [c for c in sheet if c.endswith(("_deg", "_db")) and c not in {"tilt_room_deg"}]
    blank = sheet.assign(**dict.fromkeys(readings))
    assert said(fleet, blank) == "Nothing was read that could be judged."


def test_an_unsure_cause_has_the_next_one_beside_it(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Both azimuths off by a little: rolled or canted, with the shares of both among the faults."""
    resid = residuals(fleet.house, changed(sheet, azimuth_optical_deg=2.4, azimuth_electrical_deg=1.6))
    scores = score_sheets(fleet.house, resid, null_draws=4, tail=0.0)
    share = np.sort(scores.faults[0] / scores.faults[0].sum())[::-1]
    assert 0.1 < share[1] < share[0] < 0.8, "a case in doubt"
    text = explain(None, resid, scores, 0, flagged=True)
    assert f"({percent(share[0])}), or else " in text
    assert f"({percent(share[1])});" in text
    assert "or else" not in said(fleet, faulty_sheets(sheet)["stylus_twisted"])


def test_what_was_not_read_is_not_called_normal(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """With the balance unread only what was read is normal."""
    off = faulty_sheets(sheet)["stylus_twisted"]
    assert "; everything else normal:" in said(fleet, off)
    assert "; everything else that was read is normal:" in said(fleet, off.assign(channel_balance_db=None))


@pytest.mark.parametrize(
    ("reading", "normal", "sd", "meant"),
    [
        (81.25, 91.1, 0.3, 91.25),
        (29.10, 92.0, 0.4, 92.10),
        (2.25, 22.1, 0.5, None),
        (2.25, 22.6, 0.15, 22.5),
        (95.60, 91.0, 0.3, None),
        (-4.20, -2.3, 0.2, -2.4),
    ],
)
def test_a_slip_of_the_pen_is_undone(reading: float, normal: float, sd: float, meant: float | None) -> None:
    """A ten too few, digits exchanged, the point one place off; else nothing."""
    assert likely_gross_error(reading, normal, sd) == (None if meant is None else pytest.approx(meant))
