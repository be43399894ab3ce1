"""Where the time goes from a thousand sheets to ten million, beside the floor and what one would use instead.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/scale.py --sizes 1e3,1e4,1e5,1e6,1e7 --folder FOLDER

prints the table of fleet/docs/scale.md.  Every measurement runs in a process of its own, methods in turn and
turn after turn; shown are medians of the turns' processor time (all threads together: a shared machine
lengthens the wait, hardly the work), of the work alone and of the whole process with its imports and what it
was given ("nothing": a refit's imports), of the whole process's wait, and the highest peak of memory.

*bare scan*: DuckDB sums every column that the tallies use, no groups; *group by*: DuckDB counts and sums by
the cells' factors; *tallies*: all sums of all links with the robust passes; *refit*: tallies and the fit with
its posterior; *quick refit*: the same after 100 more sheets; *pandas + scikit-learn*: the same columns into a
frame, per link a one-hot ridge regression with its residual spread by source (one cut, no interval, no
chain); *lme4*: its default fit of each link, rows in memory, where R has it; *suspects* judges every unit;
*isolation forest*: scikit-learn's own on the same seven readings; *attainment* counts targets by kind.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import duckdb

sys.path.insert(0, str(Path(__file__).parent))

from fleet.house_model.chain import FACTOR_COLUMNS, READINGS

TURNS = 5
LONG_S = 2.0
"""A run that takes longer is not repeated in its process."""
ONCE_S = 40.0
"""A method that takes longer runs in the first turn only."""
MOST = {"lme4": 1e5}
NUMBERS = (
    *READINGS, "vtf_mn", "compliance_um_per_mn", "cantilever_length_mm", "temperature_c", "hours_used",
    "tilt_room_deg", "tilt_applied_deg", "bench_minutes",
)  # fmt: skip
WORDS = [c for c in FACTOR_COLUMNS.values() if c != "compliance_frequency_hz"]


def nothing(folder: Path) -> Callable[[], object]:
    """An empty process with the imports of a refit."""
    import fleet.fitting.refit  # noqa: F401

    return lambda: None


def bare_scan(folder: Path) -> Callable[[], object]:
    """Sum every number, count every word."""
    parts = [*(f"sum({c})" for c in NUMBERS), *(f"count({c})" for c in WORDS)]
    return asked(folder, f"select {', '.join(parts)} from sheet")


def group_by(folder: Path) -> Callable[[], object]:
    """Count, and sum every number, by the cells' factors."""
    keys = ", ".join(FACTOR_COLUMNS.values())
    sums = ", ".join(f"sum({c})" for c in NUMBERS)
    return asked(folder, f"select {keys}, count(*), {sums} from sheet group by {keys}")


def asked(folder: Path, query: str) -> Callable[[], object]:
    con = duckdb.connect(str(folder / "fleet.duckdb"), read_only=True, config={"threads": 2})
    return lambda: con.execute(query).fetchall()


def tallies(folder: Path) -> Callable[[], object]:
    """All sums of all links, with the robust passes."""
    from fleet.store import Store
    from fleet.store.tallies import TEACHING, gather

    def work() -> None:
        with Store(folder / "fleet.duckdb").reader() as con:
            gather(con, TEACHING)

    return work


def refit(folder: Path) -> Callable[[], object]:
    """Tallies, and the fit."""
    from fleet.fitting.fit import fit_store
    from fleet.store import Store

    return lambda: fit_store(Store(folder / "fleet.duckdb"))


def quick_refit(folder: Path) -> Callable[[], object]:
    """The sums brought up to date after 100 more sheets, and the fit."""
    from fleet.fitting.quick_refit import update_store_sums
    from fleet.store import Store
    from fleet.store.incremental import kept_base

    def work() -> None:
        with Store(folder / "grown.duckdb").reader() as con:
            kept = kept_base(con)
            assert kept is not None
            grown = update_store_sums(con, kept)
        grown.gathered.fit()

    return work


def by_sklearn(folder: Path) -> Callable[[], object]:
    """The same columns into a frame; per link one-hot levels, ridge, one cut, residual spread by source."""
    import numpy as np
    from sklearn.linear_model import Ridge
    from sklearn.preprocessing import OneHotEncoder

    from fleet.store import Store

    def work() -> None:
        names = [*FACTOR_COLUMNS.values(), *NUMBERS]
        d = Store(folder / "fleet.duckdb").teaching(names)
        d["sag"] = d["sra_static_deg"] - d["sra_dynamic_deg"]
        d["built_in"] = d["sra_dynamic_deg"] - d["vta_dynamic_deg"]
        d["tracking"] = d["vta_dynamic_deg"] + d["sag"]
        d["minutes"] = np.log(d["bench_minutes"])
        x = OneHotEncoder().fit_transform(d[WORDS].astype(object).fillna(""))
        for link in ("tracking", "built_in", "sag", "zenith_deg", "azimuth_optical_deg",
                     "azimuth_electrical_deg", "channel_balance_db", "tilt_room_deg", "minutes"):  # fmt: skip
            y = d[link].to_numpy(dtype=float)
            rows = np.flatnonzero(~np.isnan(y))
            model = Ridge(alpha=1.0, solver="sparse_cg").fit(x[rows], y[rows])
            off = y[rows] - model.predict(x[rows])
            kept = rows[np.abs(off) < 3.5 * 1.4826 * np.median(np.abs(off))]
            model = Ridge(alpha=1.0, solver="sparse_cg").fit(x[kept], y[kept])
            off = y[kept] - model.predict(x[kept])
            (
                d["assembly_source"]
                .iloc[kept]
                .to_frame()
                .assign(off=off)
                .groupby("assembly_source")["off"]
                .std()
            )

    return work


R_FITS = """
suppressMessages(library(lme4))
asked <- read.csv("asked.csv")
took <- 0
for (i in seq_len(nrow(asked))) {
  d <- read.csv(asked$file[i], na.strings = "NaN")
  f <- as.formula(asked$formula[i])
  s <- system.time(suppressMessages(suppressWarnings(try(lmer(f, d, weights = w), silent = TRUE))))
  took <- took + s[[1]] + s[[2]]
}
cat(took, "\\n")
"""


def by_lme4(folder: Path) -> Callable[[], float]:
    """lme4's default fit of every link, from the rows in memory and a refit's weights; timed inside R."""
    import pandas as pd
    from every_link import formula_of, rows_of

    from fleet.fitting.fit import fit_store
    from fleet.house_model.chain import LINKS, PAIR_LINKS
    from fleet.store import Store

    store = Store(folder / "fleet.duckdb")
    house, sheets = fit_store(store), store.teaching()

    def work() -> float:
        with tempfile.TemporaryDirectory() as place:
            asked = []
            for link in (link for link in (*LINKS, *PAIR_LINKS) if link.name in house.links):
                asked.append({"file": f"{link.name}.csv", "formula": formula_of(link)})
                rows_of(house, sheets, link).to_csv(Path(place) / asked[-1]["file"], index=False)
            pd.DataFrame(asked).to_csv(Path(place) / "asked.csv", index=False)
            (Path(place) / "fits.R").write_text(R_FITS, encoding="utf-8")
            done = subprocess.run(
                ["Rscript", "fits.R"], cwd=place, capture_output=True, text=True, check=True
            )
        return float(done.stdout)

    return work


def suspects(folder: Path) -> Callable[[], object]:
    """Every unit in the store judged, the foremost 20 put into words; the model from the kept sums."""
    from fleet.faults.suspects import USED
    from fleet.faults.suspects import suspects as judge
    from fleet.store import Store, pick_sheets
    from fleet.store.incremental import kept_base
    from fleet.tallies.files import tallies_from_bytes

    with Store(folder / "grown.duckdb").reader() as con:
        kept = kept_base(con)
    assert kept is not None
    house = tallies_from_bytes(kept.file, "the kept sums")[0].fit()
    store = Store(folder / "fleet.duckdb")
    return lambda: judge(house, pick_sheets(store, ["purpose", *sorted(USED)], coded=True), most=20)


def isolation_forest(folder: Path) -> Callable[[], object]:
    """scikit-learn's outlier scores of the same sheets' readings."""
    from sklearn.ensemble import IsolationForest

    from fleet.store import Store

    x = Store(folder / "fleet.duckdb").current(list(READINGS)).fillna(0.0).to_numpy(dtype=float)
    return lambda: IsolationForest(random_state=0, n_jobs=1).fit(x).score_samples(x)


def attainment(folder: Path) -> Callable[[], object]:
    """How often the targets were met, by kind."""
    from fleet.attainment.attainment import attainment as judge
    from fleet.attainment.attainment import needed_columns
    from fleet.policy.policy import Policy
    from fleet.store import Store, pick_sheets

    groups = ["stylus_profile", "cantilever_material"]
    store = Store(folder / "fleet.duckdb")
    wanted = [c for c in needed_columns(groups) if c not in ("newest", "purpose")]
    return lambda: judge(pick_sheets(store, wanted, counting=True, coded=True), groups, Policy())


METHODS = {
    "nothing": nothing,
    "bare scan": bare_scan,
    "group by": group_by,
    "tallies": tallies,
    "refit": refit,
    "quick refit": quick_refit,
    "pandas + scikit-learn": by_sklearn,
    "lme4": by_lme4,
    "suspects": suspects,
    "isolation forest": isolation_forest,
    "attainment": attainment,
}


def make(folder: Path, n: int) -> Path:
    """A fleet of n sheets, and a copy with a full refit's sums and 100 sheets more."""
    import shutil

    from big_fleet import load_store, write_parts
    from worlds import ideal, tokened

    from fleet.store import Store
    from fleet.store.incremental import KeptBase, keep_base, undone_intakes
    from fleet.store.tallies import TEACHING, gather, newest_intake
    from fleet.tallies.files import tallies_bytes

    place = folder / str(n)
    if (place / "grown.duckdb").exists():
        return place
    place.mkdir(exist_ok=True)
    if not (place / "fleet.duckdb").exists():
        load_store(place / "fleet.duckdb", write_parts(place, n))
    shutil.copy(place / "fleet.duckdb", place / "rough.duckdb")
    grown = Store(place / "rough.duckdb")
    start = time.process_time()
    with grown.reader() as con:
        gathered = gather(con, TEACHING)
        state = newest_intake(con), undone_intakes(con)
    sys.stderr.write(f"{n:,} sheets: first tallies {time.process_time() - start:.3g} s\n")
    base = KeptBase(grown.revision(), *state, None, tallies_bytes(gathered, {}))
    with grown.writer() as con:
        keep_base(base, con)
    more = tokened(ideal(1).sheets(100, stream=999)[0])
    more["sheet_no"] = "M-" + more["sheet_no"]
    grown.append(more, file_name="more.csv")
    (place / "rough.duckdb").rename(place / "grown.duckdb")
    return place


def measured(method: str, place: Path) -> dict[str, float]:
    """Run one method in a fresh process; its seconds and peak memory [MB]."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, "--child", method, str(place)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    if done.returncode:
        raise RuntimeError(f"{method} failed: {done.stderr.strip()[-400:]}")
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    figures["wait"] = figures["waited"] - start
    return figures


def child(method: str, place: str) -> None:
    """What runs in the fresh process: once for everything that is loaded late, then the clock."""
    work = METHODS[method](Path(place))
    start = time.process_time()
    told = work()
    first = told if isinstance(told, float) else time.process_time() - start
    whole = told if isinstance(told, float) else time.process_time()
    waited = time.perf_counter()  # one clock for all processes
    again = first
    if first < LONG_S and not isinstance(told, float):
        start = time.process_time()
        work()
        again = time.process_time() - start
    # The kernel's count for this process alone: what getrusage says starts with the parent's memory.
    found = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    peak = float(found[1]) / 1024.0 if found else float("nan")
    if isinstance(told, float):
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    sys.stdout.write(
        json.dumps({"seconds": min(first, again), "whole": whole, "waited": waited, "peak_mb": peak}) + "\n"
    )


def shown(seconds: float) -> str:
    """Milliseconds with three figures, or seconds from one on."""
    return f"{seconds:.3g} s" if seconds >= 1.0 else f"{1000.0 * seconds:.3g}"


def main() -> None:
    """Build, measure, print: time, ratio to the bare scan of the same run, peak memory."""
    from engine import lme4_is_there

    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--sizes", default="1e3,1e4,1e5,1e6")
    ask.add_argument("--folder")
    ask.add_argument("--turns", type=int, default=TURNS)
    ask.add_argument("--only", default=",".join(METHODS))
    given = ask.parse_args()
    names = [name for name in given.only.split(",") if name != "lme4" or lme4_is_there()]
    with tempfile.TemporaryDirectory() as passing:
        folder = Path(given.folder or passing)
        sys.stdout.write(
            "| sheets | what | work | times the bare scan | whole process | its wait | peak MB |\n"
            "|---|---|---|---|---|---|---|\n"
        )
        for n in (int(float(x)) for x in given.sizes.split(",")):
            place = make(folder, n)
            found: dict[str, list[dict[str, float]]] = {m: [] for m in names if n <= MOST.get(m, 1e9)}
            for _ in range(given.turns):
                for method, runs in found.items():
                    if not runs or runs[0]["seconds"] < ONCE_S:
                        runs.append(measured(method, place))
            mid = {m: {k: median(x[k] for x in runs) for k in runs[0]} for m, runs in found.items()}
            for method, runs in found.items():
                ratio = mid[method]["seconds"] / mid["bare scan"]["seconds"]
                peak = max(x["peak_mb"] for x in runs)
                work, whole, wait = (shown(mid[method][k]) for k in ("seconds", "whole", "wait"))
                sys.stdout.write(
                    f"| {n:,} | {method} | {work} | {ratio:.3g} | {whole} | {wait} | {peak:.0f} |\n"
                )
            sys.stdout.flush()


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(*sys.argv[2:])
    else:
        main()
