"""Commands that share with other benches: export, merge, and attainment for other eyes."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

Fleet = Callable[..., Any]


@pytest.fixture
def own_demo(demo_folder: Path, empty_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the demo bench's store that a test may change."""
    path = empty_folder / "demo.duckdb"
    shutil.copy(demo_folder / "fleet.duckdb", path)
    monkeypatch.setenv("FLEET_STORE", str(path))
    return path


@pytest.mark.usefixtures("own_demo")
def test_export_merge_and_refit(fleet: Fleet, sheets: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One bench exports, another takes in, lists, learns, says so, and drops it again."""
    ran = fleet("export", "ours.npz", "--as", "north")
    assert ran.status == 0
    assert "none of fewer than 5 units" in ran.out
    monkeypatch.setenv("FLEET_STORE", "own.duckdb")
    assert fleet("intake", str(sheets)).status == 0
    ran = fleet("merge", "ours.npz")
    assert (ran.status, ran.err) == (0, "")
    assert ran.out.startswith("Took in what north told of")
    assert "kept apart from yours" in ran.out
    assert "nothing changed" in fleet("merge", "ours.npz").out
    assert "north" in fleet("merge", "--list").out
    assert "Other benches' tallies: north" in fleet("status").out
    ran = fleet("refit")
    assert ran.status == 0, ran.err
    assert "units that other benches told of, counted among these: north" in ran.out
    assert "other benches told of" in fleet("model").out
    assert fleet("quote", "--kind", "line_contact/boron").status == 0
    assert "are out" in fleet("merge", "--drop", "north").out
    assert fleet("merge", "--drop", "north").status == 2
    assert fleet("merge", "--list").out == "No other bench's tallies are here.\n"


@pytest.mark.long
@pytest.mark.usefixtures("own_demo")
def test_published_tables_agree(fleet: Fleet) -> None:
    """Tables by different columns are sums of the same groups, and none of them is small."""
    tables = []
    for by in ("kind", "assembly_source", "all"):
        ran = fleet("attainment", "--publish", "--by", by, "--out", "-")
        assert ran.status == 0, ran.err
        tables.append(pd.read_csv(io.StringIO(ran.out)))
    assert len({int(t["units"].sum()) for t in tables}) == 1
    assert all((t["units"] >= 5).all() for t in tables)
    assert len({int(t["both_reachable_n"].sum()) for t in tables}) == 1
    counts = [(t["both_reachable_met"], t["both_reachable_n"]) for t in tables]
    free = [met for met, n in counts if ((met > 0) & (met < n)).all()]  # no count was held within 0 and n
    assert free
    assert len({int(met.sum()) for met in free}) == 1
    again = fleet("attainment", "--publish", "--by", "kind", "--out", "-")
    pd.testing.assert_frame_equal(pd.read_csv(io.StringIO(again.out)), tables[0])
    ran = fleet("attainment", "--publish", "--per", "year", "--by", "assembly_source")
    assert "(few)" in ran.out
    assert fleet("attainment", "--publish", "--funnel").out.startswith("Both targets within reach")


@pytest.mark.long
@pytest.mark.usefixtures("own_demo")
def test_what_could_be_subtracted_is_refused(fleet: Fleet) -> None:
    """Months, another policy, another smallest group, what-if: one line each, nothing printed."""
    assert fleet("attainment", "--publish").status == 0
    policy = Path("strict.toml")
    policy.write_text("[default]\ntracking_limit_deg = 20.0\n")
    for words, said in (
        (("--per", "month"), "use --per year"),
        (("--policy", str(policy)), "another target policy"),
        (("--min-units", "6"), "groups of at least 5 units"),
        (("--what-if", "tracking_limit_deg=24"), "leave them out"),
        (("--by", "remedy"), "may point at single units"),
    ):
        ran = fleet("attainment", "--publish", *words)
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1), words
        assert said in ran.err
    assert "goes with --publish" in fleet("attainment", "--min-units", "6").err


@pytest.mark.usefixtures("own_demo")
def test_rows_say_that_they_are_no_anonymous_file(fleet: Fleet) -> None:
    """--rows writes one row a sheet and a caution."""
    ran = fleet("export", "--rows", "rows.parquet")
    assert ran.status == 0
    assert "pseudonymous, not anonymous" in ran.err
    assert len(pd.read_parquet("rows.parquet")) > 1000


@pytest.mark.usefixtures("own_demo")
def test_wrong_words(fleet: Fleet) -> None:
    """Neither or both outputs, bad codes, missing folders and files: one line each."""
    Path("text.npz").write_text("nothing")
    for words, said in (
        (("export",), "say what to write"),
        (("export", "a.npz", "--rows", "b.parquet"), "say what to write"),
        (("export", "a.npz", "--as", "no code"), "a bench's code has"),
        (("export", "none/a.npz"), "a folder that exists"),
        (("merge",), "one of"),
        (("merge", "text.npz"), "no file of `fleet export`"),
        (("merge", "absent.npz"), "can't be read"),
    ):
        ran = fleet(*words)
        assert (ran.status, ran.out, ran.err.count("\n")) == (2, "", 1), words
        assert said in ran.err
