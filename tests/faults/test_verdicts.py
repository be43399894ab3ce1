"""Verdicts: accepted words, how often flags were right, and what they do to the shares of faults."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fleet.errors import FleetError
from fleet.faults.likelihood_ratio import FaultPrior
from fleet.faults.signatures import FAULTS
from fleet.faults.verdicts import (
    ALL,
    BASE_UNITS,
    COLUMNS,
    check_verdict,
    flag_record,
    found_faults,
    load_prior,
    prior_from_verdicts,
)
from fleet.statistics.proportions import wilson


def verdicts(*found: tuple[str, str, str | None]) -> pd.DataFrame:
    return pd.DataFrame(found, columns=["unit", "outcome", "fault"]).astype("str")


def listed(*rows: tuple[str, bool, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["unit", "flagged", "leading_fault"])


LIST = listed(
    ("a", True, "weak_channel"),
    ("a", True, "weak_channel"),
    ("b", True, "weak_channel"),
    ("c", True, "stylus_twisted"),
    ("d", True, "stylus_twisted"),
    ("e", False, "misread"),
    ("f", False, "other"),
)
FOUND = verdicts(
    ("a", "confirmed", "weak_channel"),
    ("b", "confirmed", "generator_rolled"),
    ("c", "healthy", None),
    ("e", "other_fault", None),
    ("f", "healthy", None),
    ("gone", "healthy", None),
)


def test_accepted_words() -> None:
    """Words may be typed with hyphens and capitals; what is kept is one spelling."""
    assert check_verdict("Confirmed", "Rake-set-wrong") == ("confirmed", "rake_set_wrong")
    assert check_verdict("other-fault", None) == ("other_fault", None)


@pytest.mark.parametrize(
    ("outcome", "fault", "line"),
    [
        ("broken", None, "one of confirmed, healthy, other_fault"),
        ("confirmed", None, "needs the fault that was found: rake_set_wrong, "),
        ("confirmed", "rust", "needs the fault that was found"),
        ("confirmed", "other", "any other is other_fault"),
        ("healthy", "misread", "healthy stands alone"),
    ],
)
def test_other_words_are_refused(outcome: str, fault: str | None, line: str) -> None:
    """The line names the accepted words."""
    with pytest.raises(FleetError, match=line):
        check_verdict(outcome, fault)


def test_flags_are_counted_by_unit_and_leading_fault() -> None:
    """A unit counts once; faulty and faulty as named are told apart; unflagged ones are counted as missed."""
    record = flag_record(LIST, FOUND)
    table = record.table.set_index("leading_fault")
    assert list(record.table) == list(COLUMNS)
    counts = ["flagged", "with_verdict", "faulty", "right_fault"]
    assert table.loc["weak_channel", counts].tolist() == [2, 2, 2, 1]
    assert table.loc["stylus_twisted", counts].tolist() == [2, 1, 0, 0]
    assert table.loc[ALL, counts].tolist() == [4, 3, 2, 1]
    low, high = wilson(2, 3)
    assert table.loc[ALL, ["faulty_low", "faulty_high"]].tolist() == [float(low), float(high)]
    assert record.missed == 1
    assert record.sentence.startswith("3 of 4 flagged units have a verdict: 2 were faulty (21 to 94 %")


def test_without_verdicts_there_are_no_rates() -> None:
    """Nothing known is not a rate of nought."""
    record = flag_record(LIST, FOUND.head(0))
    assert record.table.loc[:, ["faulty_rate", "right_low"]].isna().all().all()
    assert record.sentence == "4 units flagged, no verdict on any of them yet."


def test_verdicts_move_relative_shares_only() -> None:
    """The mean of the Dirichlet distribution, worked by hand; the share of faulty units stays."""
    base = FaultPrior()
    moved = prior_from_verdicts(base, found_faults(FOUND).value_counts().to_dict())
    assert moved.healthy == pytest.approx(base.healthy, abs=1e-12)
    want = BASE_UNITS * base.weights
    for fault in ("weak_channel", "generator_rolled", "other"):
        want[FAULTS.index(fault)] += 1.0
    np.testing.assert_allclose(moved.weights, want / (BASE_UNITS + 3.0), rtol=1e-12)


def test_healthy_verdicts_alone_change_nothing() -> None:
    """They were picked because they were flagged, and say nothing of how common faults are."""
    base = FaultPrior()
    assert prior_from_verdicts(base, {"healthy": 1}) == base


def test_many_verdicts_outweigh_the_base() -> None:
    """With ever more verdicts the relative shares become the verdicts' own."""
    many = prior_from_verdicts(FaultPrior(), {"misread": 20_000})
    assert many.weights[FAULTS.index("misread")] > 0.999


def test_a_prior_file_changes_what_it_names(tmp_path: Path) -> None:
    """Named faults get the workshop's share, the others keep the documented one."""
    path = tmp_path / "prior.toml"
    path.write_text("[faults]\nstylus_twisted = 0.03\n")
    prior = load_prior(path)
    assert prior.shares["stylus_twisted"] == 0.03
    assert prior.shares["misread"] == FaultPrior().shares["misread"]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("faults = 3", r"needs one table \[faults\]"),
        ("[faults]\nmisread = 0.1\n[more]\n", r"needs one table \[faults\]"),
        ("[faults]\nrust = 0.1", "no fault of that name; faults are rake_set_wrong"),
        ("[faults]\nmisread = 0", "misread must be a share above 0"),
        ("[faults]\nmisread = true", "misread must be a share"),
        ("[faults]\nmisread = nan", "misread must be a share"),
        ("[faults]\nmisread = 0.5", "at most 0.5 of all units may be faulty"),
        ("[faults", "is no valid TOML"),
    ],
)
def test_a_prior_file_that_cannot_be_is_refused(tmp_path: Path, text: str, line: str) -> None:
    """One line says what is wrong in the file."""
    path = tmp_path / "prior.toml"
    path.write_text(text)
    with pytest.raises(FleetError, match=line):
        load_prior(path)
    with pytest.raises(FleetError, match="can't be read"):
        load_prior(tmp_path / "absent.toml")
