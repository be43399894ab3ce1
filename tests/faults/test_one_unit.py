"""One unit at the bench: readings as they come, a verdict, what to read again, tilt, roll, zenith."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sound_units import changed, faulty_sheets, sound_sheet
from worlds import Fleet, bench, lines

from fleet.alignment.alignment import WITHHELD
from fleet.alignment.tilt import choose_tilt
from fleet.estimation.prior_only import prior_house
from fleet.faults.likelihood_ratio import score_sheets
from fleet.faults.one_unit import CAUTIONS, _again, _since_last, judge
from fleet.faults.sentences import JUDGED_COLUMNS, OFF_SIGMAS
from fleet.faults.signatures import FAULTS
from fleet.faults.suspects import suspects
from fleet.house_model.chain import JUDGED
from fleet.house_model.loo_residuals import residuals
from fleet.policy.policy import Policy

POLICY = Policy()


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return bench()


@pytest.fixture(scope="module")
def sheet(fleet: Fleet) -> pd.DataFrame:
    known = [c for c in lines(fleet.world) if c["stylus_profile"] != "spherical"]
    return sound_sheet(fleet.house, max(known, key=lambda c: c["share"]))


def test_the_row_is_a_suspects_row(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Same columns; q is p, since one unit alone shares its false alarms with nobody."""
    row = judge(fleet.house, sheet, POLICY).row
    assert tuple(row) == JUDGED_COLUMNS
    assert row["q_value"] == row["p_value"]
    assert row["p_healthy"] + sum(row[f"p_{f}"] for f in FAULTS) == pytest.approx(1.0)


@pytest.mark.parametrize("times", [1.0, 2.0])
@pytest.mark.parametrize("day", [None, "2000-01-01"])
def test_judge_and_list_agree_on_one_sheet(
    fleet: Fleet, sheet: pd.DataFrame, times: float, day: str | None
) -> None:
    """The list with that sheet alone gives the same score and probabilities, also in a noisy half year."""
    off = faulty_sheets(sheet)["stylus_canted"].assign(measured_on=pd.Timestamp(day) if day else None)
    house = replace(fleet.house, now=dict.fromkeys(fleet.house.noise, times))
    row = judge(house, off, POLICY).row
    steady = judge(replace(house, now={}), off, POLICY).row
    assert (row["score"] < steady["score"]) == (times > 1.0 and day is None)
    listed = suspects(house, off.assign(unit="u", newest=False)).table.iloc[0]
    for name in ("score", "p_healthy", *(f"p_{f}" for f in FAULTS)):
        assert row[name] == pytest.approx(listed[name]), name
    assert row["leading_fault"] == listed["leading_fault"] == "stylus_canted"


def test_a_sound_unit_is_normal_and_nothing_is_asked(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Everything read and everything normal: no flag, no reading to repeat, cautions last."""
    verdict = judge(fleet.house, sheet, POLICY)
    assert not verdict.row["flagged"]
    assert verdict.sentence.startswith("Normal for its kind")
    assert verdict.again == ""
    assert verdict.lines[-len(CAUTIONS) :] == CAUTIONS


@pytest.mark.parametrize("fault", [f for f in FAULTS if f != "other"])
def test_a_faulty_unit_is_flagged_and_the_reading_named(
    fleet: Fleet, sheet: pd.DataFrame, fault: str
) -> None:
    """Each hand-made fault: likelier faulty than sound, and a reading to repeat first."""
    verdict = judge(fleet.house, faulty_sheets(sheet)[fault], POLICY)
    assert verdict.row["flagged"] == (verdict.row["p_healthy"] < 0.5)
    assert verdict.row["flagged"]
    assert verdict.row["leading_fault"] == fault
    assert "again before anything is decided" in verdict.again
    assert verdict.again.endswith("what is advised here holds only if it reads the same")


def test_a_slip_is_told_once(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Where the alignment says to read an impossible angle again, no other line says it."""
    verdict = judge(fleet.house, sheet.assign(vta_dynamic_deg=55.0), POLICY)
    assert verdict.alignment.tilt.decision == WITHHELD
    assert verdict.again == ""
    assert [line.partition(":")[0] for line in verdict.lines if line.startswith("Read")] == ["Read again"]


def test_missing_readings_are_asked_for(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """With the zenith not read yet it is the next; with nothing read the rakes come first."""
    verdict = judge(fleet.house, sheet.assign(zenith_deg=None), POLICY)
    assert verdict.again == "the zenith next: not read yet"
    assert verdict.alignment.turn.decision == WITHHELD
    nothing = judge(fleet.house, sheet[["body_family", "assembly_source"]], POLICY)
    assert "nothing is read yet" in nothing.again
    corrections = (nothing.alignment.tilt, nothing.alignment.roll, nothing.alignment.turn)
    assert [c.decision for c in corrections] == [WITHHELD] * 3
    assert nothing.sentence == "Nothing was read that could be judged."
    assert nothing.row["p_value"] == 1.0


def test_tilt_roll_and_zenith_follow_the_readings(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """The policy's tilt on what was read, the roll against the electrical azimuth, the zenith's advice."""
    verdict = judge(fleet.house, changed(sheet, azimuth_electrical_deg=0.6), POLICY)
    found = verdict.alignment
    assert found.roll.degrees == pytest.approx(-float(sheet["azimuth_electrical_deg"].iloc[0]) - 0.6)
    read = float(sheet["sra_dynamic_deg"].iloc[0])
    assert found.tilt.asked.value == pytest.approx(choose_tilt(read, 0.0, 3.5, POLICY).tilt_deg, abs=0.05)
    assert set(found.lines) <= set(verdict.lines)
    assert {line.split(":")[0] for line in verdict.lines} >= {"Tilt", "Roll", "Turn"}


def test_lines_set_each_reading_beside_its_kind(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """One line a link that was read: reading, expectation, two sigmas, and how many readings say so."""
    turning = sheet["sra_static_deg"] - 0.6
    verdict = judge(fleet.house, sheet.assign(channel_balance_db=None, sra_dynamic_deg=turning), POLICY)
    beside = [line for line in verdict.lines if "its kind" in line]
    assert len(beside) == 6
    family = str(sheet["body_family"].iloc[0])
    sag = next(line for line in beside if line.startswith("Dynamic sag: 0.60°; its kind"))
    assert f"{fleet.house.readings('sag', family):.0f} readings of family {family})" in sag
    assert not any(line.startswith("Channel balance") for line in beside)


@pytest.mark.long
def test_a_borderline_unit_is_not_told_of_lists(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """One unit alone stands in no list: nothing is said of many units."""
    for size in np.arange(2.2, 4.4, 0.2):
        text = judge(fleet.house, changed(sheet, zenith_deg=float(size)), POLICY).sentence
        assert "among so many units" not in text
        assert "list" not in text


def test_a_spherical_stylus_is_judged_without_rake(fleet: Fleet) -> None:
    """No rake, no zenith: tracking, azimuths and balance remain, and tilt serves tracking alone."""
    line = next(c for c in lines(fleet.world) if c["stylus_profile"] == "spherical")
    sheet = sound_sheet(fleet.house, line).assign(sra_static_deg=None, sra_dynamic_deg=None, zenith_deg=None)
    verdict = judge(fleet.house, sheet, POLICY)
    assert verdict.row["p_rake_set_wrong"] == 0.0
    assert verdict.row["p_stylus_twisted"] == 0.0
    assert not verdict.row["flagged"]
    assert verdict.alignment.tilt.decision != WITHHELD
    assert np.isnan(verdict.alignment.rake.value)
    assert "zenith" not in verdict.again
    assert "rake" not in verdict.again


def test_the_cold_house_judges_widely() -> None:
    """Before any sheet a plain fault is still seen by common practice, a small one isn't."""
    house = prior_house()
    facts = {"body_family": "F1", "stylus_profile": "elliptical", "cantilever_material": "boron"}
    sheet = sound_sheet(house, facts)
    assert judge(house, changed(sheet, zenith_deg=12.0), POLICY).row["flagged"]
    assert not judge(house, changed(sheet, zenith_deg=2.0), POLICY).row["flagged"]


def test_nothing_is_kept(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Judging twice is judging once: the same verdict, the readings untouched."""
    before = sheet.copy()
    first, again = (judge(fleet.house, sheet, POLICY) for _ in range(2))
    pd.testing.assert_frame_equal(sheet, before)
    assert first.row == again.row
    assert first.lines == again.lines


def test_it_is_compared_with_the_last_visit_before_it(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Of visits in any order: the newest up to its own day, never itself and none after it."""
    days = {"N3": "2024-03-01", "N1": "2024-01-05", "N4": "2024-04-01", "N2": "2024-02-10"}
    visits = pd.concat([sheet.assign(sheet_no=n, measured_on=pd.Timestamp(d)) for n, d in days.items()])

    def before(of: pd.DataFrame, among: pd.DataFrame = visits) -> str | None:
        found = _since_last(of.iloc[0], among, fleet.house)
        return None if found is None else found.before

    own = sheet.assign(sheet_no="N3", measured_on=pd.Timestamp("2024-03-01"))
    assert before(own) == "N2"
    assert before(own.assign(sheet_no="N9")) == "N3", "another sheet of the same day came before"
    assert before(own.assign(sheet_no=None, measured_on=None)) == "N4"
    assert before(own, visits[visits["sheet_no"].isin(["N3", "N4"])]) is None
    assert before(own, visits[visits["sheet_no"] == "N1"]) == "N1"


def test_half_a_sigma_less_than_off_is_read_again(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Where the unit is not surely sound, a reading from 0.5 below the limit on is to be repeated."""
    resid = residuals(fleet.house, sheet)
    doubtful = replace(score_sheets(fleet.house, resid, tail=0.0, null_draws=20), healthy=np.array([0.9]))
    sd = np.sqrt(np.diag(resid.covariance[0]))
    for sigmas, again in ((OFF_SIGMAS - 0.6, False), (OFF_SIGMAS - 0.4, True)):
        value = resid.value.copy()
        value[0, JUDGED.index("zenith")] = sigmas * sd[JUDGED.index("zenith")]
        text = _again(replace(resid, value=value), doubtful)
        assert text.startswith("the zenith again") == again


def test_its_own_reading_is_not_among_those_that_say_so(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """A sheet that taught the model counts one reading fewer behind what its kind should read."""
    family = str(sheet["body_family"].iloc[0])
    known = round(fleet.house.readings("zenith", family))
    for taught in (False, True):
        lines_ = judge(fleet.house, sheet, POLICY, taught=taught).lines
        zenith = next(line for line in lines_ if line.startswith("Zenith"))
        assert f" {known - taught} readings of family {family})" in zenith


def test_the_first_row_is_the_unit(fleet: Fleet, sheet: pd.DataFrame) -> None:
    """Of several rows the first is judged."""
    two = pd.concat([sheet, changed(sheet, zenith_deg=9.0)], ignore_index=True)
    assert judge(fleet.house, two, POLICY).lines == judge(fleet.house, sheet, POLICY).lines
