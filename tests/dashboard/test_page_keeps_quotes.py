"""A quote kept from the page is the one that the command keeps; prior and named policy reach the pages."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage

from dashboards.data.judged_by import fault_prior, first_policy, policies
from fleet.cli import run
from fleet.faults.likelihood_ratio import FaultPrior
from fleet.faults.verdicts import load_prior
from fleet.store import Store


def kept(store: Path) -> pd.DataFrame:
    """Every quote that a store keeps."""
    with Store(store).reader() as con:
        return con.execute("select * from kept_quote").df()


@pytest.mark.long
def test_a_quote_kept_from_the_page_is_the_commands(own: Path, open_page: OpenPage) -> None:
    """Without a number nothing is kept and the page says why; with one, it is `fleet quote`'s."""
    app = open_page(own, stylus_profile="elliptical", vtf_mn="18")
    button = next(b for b in app.button if b.label == "Keep the quote")
    button.click().run()
    assert "give the enquiry's number" in app.error[0].value
    assert kept(own).empty
    app.text_input(key="enquiry.keep_number").set_value("Q-7")
    next(b for b in app.button if b.label == "Keep the quote").click().run()
    assert not app.exception
    assert "Kept as Q-7" in app.success[0].value
    assert run(["--store", str(own), "quote", "--stylus-profile", "elliptical", "--vtf-mn", "18"]) == 0
    rows = kept(own)
    assert rows["enquiry_id"].isin(["Q-7"]).sum() == 1
    same = ["facts", "policy_label", "p_both_met", "p_made_wedge", "model_id", "standing"]
    assert rows[same].astype(str).nunique().tolist() == [1] * len(same)
    assert len(rows) == 2


def test_the_prior_file_and_the_named_policy_reach_the_pages(
    own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shares of faults and the policy chosen at the start are those that the pages judge by."""
    assert fault_prior(str(own)) == FaultPrior()
    shares = tmp_path / "prior.toml"
    shares.write_text("[faults]\nmisread = 0.2\n", encoding="utf-8")
    monkeypatch.setenv("FLEET_PRIOR", str(shares))
    assert fault_prior(str(own)) == load_prior(shares) != FaultPrior()
    file = tmp_path / "policies.toml"
    text = "[default]\n[strict]\ntracking_limit_deg = 20\ntracking_wish_deg = 18\n"
    file.write_text(text, encoding="utf-8")
    monkeypatch.setenv("FLEET_POLICY", str(file))
    assert list(policies()) == ["default", "strict"]
    monkeypatch.setenv("FLEET_POLICY_NAME", "strict")
    assert next(iter(policies().values())).tracking_limit_deg == 20.0
    assert first_policy().tracking_limit_deg == 20.0
