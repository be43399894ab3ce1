"""The same sums from Spark: identical to DuckDB's, so the same model (extra ``spark`` and Java 17)."""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from worlds import ideal, tokened

from fleet.errors import FleetError
from fleet.fitting.external_sheets import gather_source
from fleet.house_model.archive import to_parts
from fleet.store.tallies import parquet_engine
from fleet.tallies.engine import Enough, gather
from fleet.tallies.spark import spark_engine
from fleet.tallies.sufficient_statistics import SufficientStatistics, statistics_to_parts

HAS_SPARK = importlib.util.find_spec("pyspark") is not None and shutil.which("java") is not None


def messy(n: int) -> pd.DataFrame:
    """Sheets with repeats, retips, gaps and a fault, from the door."""
    frame = ideal(3, n_families=12, repeat_share=0.3, retip_share=0.5, spherical_share=0.1).sheets(n)[0]
    rng = np.random.default_rng(1)
    for name in ("assembly_source", "stylus_profile", "vtf_mn", "sra_static_deg"):
        frame.loc[rng.random(len(frame)) < 0.1, name] = None
    frame.loc[frame.index[:2], "vtf_mn"] = [999.0, np.nan]
    return tokened(frame)


def same_sums(got: SufficientStatistics, want: SufficientStatistics) -> None:
    """Every number and text of two sets of sums, to the last bit."""
    (arrays, texts), (others, told) = statistics_to_parts(want), statistics_to_parts(got)
    for name, array in arrays.items():
        assert np.array_equal(array, others[name], equal_nan=True), name
    assert texts == told


@pytest.mark.spark
@pytest.mark.skipif(not HAS_SPARK, reason="needs the extra spark and Java 17")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.parametrize("enough", [Enough(), Enough(300, 10.0)], ids=["held", "summed there"])
def test_spark_sums_up_what_duckdb_sums_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, enough: Enough
) -> None:
    """Two Parquet files with repeats, retips, gaps and faults: every number and text alike, and the model.

    Once all rows are fetched, once a part of them alone, and the whole is summed by Spark's SQL.
    """
    monkeypatch.setattr("fleet.fitting.external_sheets.gather", partial(gather, enough=enough))
    frame = messy(1200)
    for i in range(2):
        frame.iloc[i::2].to_parquet(tmp_path / f"part-{i}.parquet", index=False)
    with parquet_engine() as duck:
        want = gather_source(duck, str(tmp_path))
    with spark_engine("local[2]") as spark:
        got = gather_source(spark, str(tmp_path))
        with pytest.raises(FleetError, match="no file or folder absent"):
            gather_source(spark, str(tmp_path / "absent"))
    assert (got.sheets, got.left_out, got.engine) == (1200, 1, "spark")
    same_sums(got.gathered, want.gathered)
    models = [to_parts(x.gathered.fit()) for x in (want, got)]
    for name, array in models[0][0].items():
        assert np.array_equal(array, models[1][0][name], equal_nan=True), name


def executors() -> list[int]:
    """Processes of this machine that run an executor for this one's driver."""
    found = []
    for place in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = place.read_bytes().decode(errors="replace").split("\0")
        except OSError:
            continue
        if "org.apache.spark.executor.CoarseGrainedExecutorBackend" in words:
            found.append(int(place.parent.name))
    return found


@pytest.mark.long
@pytest.mark.spark
@pytest.mark.skipif(not HAS_SPARK, reason="needs the extra spark and Java 17")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_an_executor_killed_on_the_way_changes_no_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two executors in processes of their own over partitioned Parquet; one is killed as sums are formed."""
    monkeypatch.setattr("fleet.fitting.external_sheets.gather", partial(gather, enough=Enough(300, 10.0)))
    messy(1200).assign(part=lambda d: d.index % 3).to_parquet(tmp_path, partition_cols=["part"], index=False)
    with parquet_engine() as duck:
        want = gather_source(duck, str(tmp_path))
    killed: list[int] = []

    def kill_one(said: str) -> None:
        if said == "summing up readings":
            running = executors()
            assert len(running) == 2
            os.kill(running[0], signal.SIGKILL)
            killed.append(running[0])

    with spark_engine("local-cluster[2,1,1024]", {"spark.executor.memory": "1g"}) as spark:
        got = gather_source(spark, str(tmp_path), progress=kill_one)
        assert killed[0] not in executors()
    same_sums(got.gathered, want.gathered)


@pytest.mark.skipif(importlib.util.find_spec("pyspark") is not None, reason="pyspark is installed")
def test_without_spark_one_line_says_how_to_get_it() -> None:
    """The extra is named where it is missing."""
    with pytest.raises(FleetError, match=r"pip install 'stylus-fleet\[spark\]'"), spark_engine():
        pass
