"""Suspects beside what else a user would do with the same sheets, and a million sheets scored.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/suspects.py
    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/suspects.py million

The first prints the peers' tables of fleet/docs/suspects.md, the second time, memory and the ratio to a scan.

Peers see per sheet the same seven readings (tracking angle and built-in angle as read, sag, zenith, both
azimuths, balance).  One that judges per family leaves families of fewer than eight sheets (MinCovDet: 28) to
the same rule over the whole fleet, each reading less its family's median.  The same rules are also run so for
all families, which shares their spread.  A peer's first row is its textbook limit.  Its second gives it what
no user has: the limit at which just one flag in twenty is false, from knowing the faults.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from suspect_yardsticks import FDR, Tally, count, near_oracle, ours
from worlds import Fleet, fleet_of, ideal, tokened

from fleet.faults.suspects import suspects
from fleet.fitting.fit import fit_store
from fleet.store import Store

WORLDS = {
    "1500 sheets, 24 families": (range(1, 7), 1500, {"n_families": 24}),
    "300 sheets, 36 families": (range(1, 11), 300, {}),
    "300 sheets, 90 families (about three sheets each)": (range(1, 11), 300, {"n_families": 90}),
}
FEWEST = 8
FEWEST_COVARIANCE = 28
MAD_TO_SD = 1.482602218505602
Score = Callable[[np.ndarray], np.ndarray]


def features(sheets: pd.DataFrame) -> np.ndarray:
    """(n, 7) readings that every peer sees."""
    sag = sheets["sra_static_deg"] - sheets["sra_dynamic_deg"]
    columns = [
        sheets["vta_dynamic_deg"] + sag,
        sheets["sra_dynamic_deg"] - sheets["vta_dynamic_deg"],
        sag,
        *(
            sheets[c]
            for c in ("zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db")
        ),
    ]
    return np.stack([c.to_numpy(dtype=float) for c in columns], axis=1)


def largest(z: np.ndarray) -> np.ndarray:
    """Largest absolute z of each row, 0 where nothing was read."""
    return np.nan_to_num(np.nanmax(np.abs(np.where(np.isnan(z), 0.0, z)), axis=1))


def mean_and_sd(x: np.ndarray) -> np.ndarray:
    """Distance from the mean in standard deviations."""
    return largest((x - np.nanmean(x, axis=0)) / np.maximum(np.nanstd(x, axis=0, ddof=1), 1e-9))


def median_and_mad(x: np.ndarray) -> np.ndarray:
    """Distance from the median in median absolute deviations, as sds."""
    away = x - np.nanmedian(x, axis=0)
    return largest(away / np.maximum(MAD_TO_SD * np.nanmedian(np.abs(away), axis=0), 1e-9))


def part_average(x: np.ndarray) -> np.ndarray:
    """Distance from the robust mean in robust sigmas as in AEC-Q001 rev. D: median, (Q3 − Q1) / 1.35."""
    low, middle, high = np.nanquantile(x, [0.25, 0.5, 0.75], axis=0)
    return largest((x - middle) / np.maximum((high - low) / 1.35, 1e-9))


def robust_covariance(x: np.ndarray) -> np.ndarray:
    """scikit-learn's MinCovDet distance; missing readings filled with the median."""
    from sklearn.covariance import MinCovDet

    filled = np.where(np.isnan(x), np.nanmedian(x, axis=0), x)
    return np.asarray(MinCovDet(random_state=0).fit(filled).mahalanobis(filled))


def forest(x: np.ndarray) -> np.ndarray:
    """scikit-learn's IsolationForest on readings centred on the family's median; higher is odder."""
    from sklearn.ensemble import IsolationForest

    filled = np.where(np.isnan(x), 0.0, x)
    return -np.asarray(IsolationForest(n_estimators=300, random_state=0).fit(filled).score_samples(filled))


def by_family(sheets: pd.DataFrame, score: Score, *, fewest: int = FEWEST) -> np.ndarray:
    """A score computed family by family; families that are too small share the whole fleet's, centred."""
    x, family = features(sheets), sheets["body_family"].to_numpy()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out = score(centred(sheets))
        for name in np.unique(family):
            rows = family == name
            if rows.sum() >= fewest:
                out[rows] = score(x[rows])
    return out


def shared(sheets: pd.DataFrame, score: Score) -> np.ndarray:
    """A score over the whole fleet, each reading less its family's median."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return score(centred(sheets))


def centred(sheets: pd.DataFrame) -> np.ndarray:
    """Readings less their family's median."""
    frame = pd.DataFrame(features(sheets))
    return (frame - frame.groupby(sheets["body_family"].to_numpy()).transform("median")).to_numpy()


def _chi_square_limit() -> float:
    from scipy import stats

    return float(stats.chi2.ppf(0.999, 7))


PEERS: dict[str, tuple[Callable[[pd.DataFrame], np.ndarray], float]] = {
    "family mean ± 3 sd": (lambda d: by_family(d, mean_and_sd), 3.0),
    "family median ± 3 MAD": (lambda d: by_family(d, median_and_mad), 3.0),
    "robust mean ± 6 robust sigma (AEC-Q001)": (lambda d: by_family(d, part_average), 6.0),
    "MinCovDet per family, chi-square 0.999": (
        lambda d: by_family(d, robust_covariance, fewest=FEWEST_COVARIANCE),
        _chi_square_limit(),
    ),
    "less family median, ± 3 MAD of the fleet": (lambda d: shared(d, median_and_mad), 3.0),
    "less family median, MinCovDet of the fleet": (
        lambda d: shared(d, robust_covariance),
        _chi_square_limit(),
    ),
    "IsolationForest, 6 % contamination": (lambda d: forest(centred(d)), np.nan),
}


def flags_at(fleet: Fleet, score: np.ndarray, limit: float) -> Tally:
    """Tally of the sheets above a limit; peers name no cause."""
    return count(fleet, score > limit, score, np.full(len(score), ""))


def own_score(fleet: Fleet) -> np.ndarray:
    """Minus the log of the unit's p-value, for each sheet."""
    table = suspects(fleet.house, fleet.current).table.set_index("sheet_no")
    return -np.log(table.loc[fleet.current["sheet_no"], "p_value"].to_numpy())


def best_limit(fleets: list[Fleet], scores: list[np.ndarray]) -> float:
    """Lowest limit at which at most one flag in twenty is false, over all fleets together."""
    parts = []
    for fleet, score in zip(fleets, scores, strict=True):
        bad = (fleet.fault != "healthy").to_numpy()
        unit = fleet.current["unit"].to_numpy()
        parts.append(pd.DataFrame({"unit": unit, "score": score, "bad": bad}).groupby("unit").max())
    rows = pd.concat(parts).sort_values("score", ascending=False)
    false = (~rows["bad"].astype(bool)).cumsum() / np.arange(1, len(rows) + 1)
    kept = np.flatnonzero((false <= FDR).to_numpy())
    return float(rows["score"].iloc[kept[-1]]) - 1e-12 if len(kept) else np.inf


def compare(name: str) -> pd.DataFrame:
    """Recall, false share and cause of every way on one kind of world."""
    seeds, n, spec = WORLDS[name]
    fleets = [fleet_of(ideal(seed, **spec), n) for seed in seeds]
    nothing = Tally(0, 0, 0, 0, 0)
    rows = []

    def add(way: str, limit: str, tally: Tally) -> None:
        cause = tally.cause if tally.named else np.nan
        rows.append(
            {"way": way, "limit": limit, "recall": tally.recall, "false": tally.false_share, "cause": cause}
        )

    add("near-oracle", "5 % false discoveries", sum((near_oracle(f) for f in fleets), nothing))
    add("fleet", "5 % false discoveries", sum((ours(f) for f in fleets), nothing))
    own = [own_score(f) for f in fleets]
    best = best_limit(fleets, own)
    add(
        "fleet",
        "5 % false, known",
        sum((flags_at(f, s, best) for f, s in zip(fleets, own, strict=True)), nothing),
    )
    for way, (score_of, limit) in PEERS.items():
        scores = [score_of(f.current) for f in fleets]
        limits = [limit if np.isfinite(limit) else float(np.quantile(s, 0.94)) for s in scores]
        add(way, "its own", sum(map(flags_at, fleets, scores, limits), nothing))
        best = best_limit(fleets, scores)
        add(
            way,
            "5 % false, known",
            sum((flags_at(f, s, best) for f, s in zip(fleets, scores, strict=True)), nothing),
        )
    return pd.DataFrame(rows)


def fill(path: Path, n: int) -> None:
    """A store of n invented sheets; in a process of its own, so that its memory isn't counted."""
    sheets, _ = ideal(1, n_families=60, n_sources=8).sheets(n)
    Store(path).create().append(tokened(sheets), file_name="many.csv")


def million(n: int = 1_000_000) -> None:
    """Score a million sheets: seconds, memory, ratio to one scan of the same columns."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fleet.duckdb"
        subprocess.run([sys.executable, __file__, "fill", str(path), str(n)], check=True)
        store = Store(path).open()
        start = time.perf_counter()
        house = fit_store(store)
        fit_s = time.perf_counter() - start
        start = time.perf_counter()
        current = store.current()
        read_s = time.perf_counter() - start
        before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        start = time.perf_counter()
        found = suspects(house, current)
        score_s = time.perf_counter() - start
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        scan_s = _bare_scan(store)
    lines = [
        found.sentence,
        f"fit {fit_s:.1f} s, sheets read {read_s:.1f} s, judged {score_s:.1f} s",
        f"bare scan of the same columns {scan_s * 1000:.0f} ms: {score_s / scan_s:.0f} times",
        f"largest memory {peak_mb:.0f} MB, before judging {before_mb:.0f} MB",
    ]
    sys.stdout.write("\n".join(lines) + "\n")


def _bare_scan(store: Store) -> float:
    """Seconds of one DuckDB query that sums every column that judging reads (best of three)."""
    numbers = (
        "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "temperature_c", "hours_used",
        "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg", "azimuth_optical_deg",
        "azimuth_electrical_deg", "channel_balance_db",
    )  # fmt: skip
    words = ("body_family", "assembly_source", "stylus_profile", "cantilever_material", "generator", "bench")
    parts = [*(f"sum({c})" for c in numbers), *(f"count({c})" for c in words)]
    times = []
    with store.reader() as con:
        for _ in range(3):
            start = time.perf_counter()
            con.execute(f"select {', '.join(parts)} from sheet").fetchall()
            times.append(time.perf_counter() - start)
    return min(times)


if __name__ == "__main__":
    if sys.argv[1:2] == ["fill"]:
        fill(Path(sys.argv[2]), int(sys.argv[3]))
    elif sys.argv[1:] == ["million"]:
        million()
    else:
        for name in WORLDS:
            print(name)  # noqa: T201
            print(compare(name).round(3).to_string(index=False, na_rep="-"))  # noqa: T201
