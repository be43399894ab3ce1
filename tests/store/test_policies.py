"""Target policies are kept under their fingerprint and come back as they were."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from fleet.cli import run
from fleet.errors import FleetError
from fleet.policy.files import as_toml, load_policy
from fleet.policy.policy import Policy
from fleet.store import Store
from fleet.store.policies import keep_policies, list_policies, policy_text

Sheets = Callable[..., pd.DataFrame]

OTHER = Policy(
    name="customer",
    rake_best_deg=(91.2, 91.9),
    tracking_limit_deg=21.5,
    preference=("tracking", "rake"),
    guard_sigmas=1.5,
    rake_reading_sd_deg=0.1,
    tracking_reading_sd_deg=1 / 3,
    stock_wedges_deg=(2.0, 1.0),
    hourly_rate=61.25,
    currency="€",
)


@pytest.mark.parametrize("policy", [Policy(), OTHER])
def test_a_policy_written_out_is_the_same_policy_again(tmp_path: Path, policy: Policy) -> None:
    """Every value comes back, so does the fingerprint; the name stays behind."""
    path = tmp_path / "p.toml"
    path.write_text(as_toml(policy), encoding="utf-8")
    again = load_policy(path)["default"]
    assert again == dataclasses.replace(policy, name="default")
    assert again.fingerprint == policy.fingerprint
    assert "customer" not in path.read_text(encoding="utf-8")


def test_a_policy_is_kept_once_and_found_by_its_first_digits(store: Store) -> None:
    """The first text stays; no revision is counted, for nothing computed from sheets has changed."""
    assert keep_policies(store, {"abcd00000001": "first", "abce00000002": "second"})
    assert keep_policies(store, {"abcd00000001": "changed"})
    assert list_policies(store)["fingerprint"].tolist() == ["abcd00000001", "abce00000002"]
    assert policy_text(store, "ABCD") == "first"
    assert store.revision() == 0


@pytest.mark.parametrize(
    ("digits", "says"),
    [("abc", "at least four"), ("ffff", "holds no policy"), ("abcd", "2 policies begin so")],
)
def test_an_unclear_fingerprint_is_said(store: Store, digits: str, says: str) -> None:
    """Too few digits, none of that sort, or several."""
    keep_policies(store, {"abcd00000001": "", "abcd00000002": ""})
    with pytest.raises(FleetError, match=says):
        policy_text(store, digits)


def test_a_store_in_use_or_absent_is_no_obstacle(store: Store, tmp_path: Path) -> None:
    """What can't be kept now isn't; the command that wanted to goes on."""
    with store.reader():
        assert not keep_policies(store, {"abcd00000001": ""})
    assert list_policies(store).empty
    assert not keep_policies(Store(tmp_path / "none.duckdb"), {"abcd00000001": ""})
    assert not (tmp_path / "none.duckdb").exists()


def test_an_old_result_can_be_made_again(
    store: Store,
    sheets: Sheets,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """attainment keeps the file's policy; changed since, the old one comes back with the old figures."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FLEET_STORE", str(store.path))
    row = {
        "stylus_profile": "elliptical",
        "sra_dynamic_deg": 90.8,
        "vta_dynamic_deg": 22.3,
        "tilt_room_deg": 3.0,
    }
    store.append(sheets(*[row] * 6), file_name="a.csv")
    file = Path("mine.toml")
    file.write_text("[default]\ntracking_limit_deg = 22.5\n")
    wanted = load_policy(file)["default"].fingerprint
    assert run(["attainment", "--policy", "mine.toml", "--out", "then.csv"]) == 0
    file.write_text("[default]\ntracking_limit_deg = 20.5\n")
    assert run(["attainment", "--policy", "mine.toml", "--out", "now.csv"]) == 0
    capsys.readouterr()
    assert run(["policies"]) == 0
    assert wanted in capsys.readouterr().out
    assert run(["policies", wanted[:6], "--out", "old.toml"]) == 0
    assert run(["attainment", "--policy", "old.toml", "--out", "again.csv"]) == 0
    assert Path("again.csv").read_text() == Path("then.csv").read_text() != Path("now.csv").read_text()
    assert len(list_policies(store)) == 2
    assert run(["policies", wanted, "--out", "old.toml"]) == 2
    with duckdb.connect(str(store.path), read_only=True) as con:
        assert con.execute("select count(*) from policy").fetchall() == [(2,)]
