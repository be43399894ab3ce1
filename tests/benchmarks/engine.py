"""How long one response takes, from rows to a fitted model, beside other programs and a bare sum.

Run `python tests/benchmarks/engine.py` (all sizes, about five minutes), or with `--sizes 1e3,1e5 --no-peers`.
Every measurement runs in a process of its own with one BLAS thread; ours is the best of five runs (a shared
machine only ever adds time), a peer's a single run.  Peak memory is that of the process, imports included.
The rows lie in a DuckDB file as integer codes: 4 factors (7200 possible cells), 4 covariates, 1 response.
statsmodels and lme4 get their rows ready in memory: reading them isn't counted.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

LEVELS = {"profile": 5, "cantilever": 8, "source": 6, "body": 30}
SDS = {"profile": 1.0, "cantilever": 0.7, "source": 0.5, "body": 0.4}
COVARIATES = ("warm", "aged", "force", "height")
CODE = 1000.0
REPEATS = 5
STATSMODELS_TO, LME4_TO = 10_000, 100_000
FORMULA = "y ~ warm + aged + force + height + (1|profile) + (1|cantilever) + (1|source) + (1|body) + (1|pair)"


def build(path: Path, n: int) -> None:
    """Write n invented rows, a million at a time."""
    rng = np.random.default_rng(n)
    effect = {f: SDS[f] * rng.standard_normal(k) for f, k in LEVELS.items()}
    pair = 0.3 * rng.standard_normal((LEVELS["profile"], LEVELS["cantilever"]))
    slope = np.array([0.1, -0.4, 0.2, 0.0])
    with duckdb.connect(str(path)) as con:
        for start in range(0, n, 1_000_000):
            m = min(1_000_000, n - start)
            code = {f: rng.integers(0, k, m) for f, k in LEVELS.items()}
            x = rng.normal(0.0, 1.0, (m, 4))
            y = x @ slope + 0.8 * rng.standard_normal(m) + pair[code["profile"], code["cantilever"]]
            y += sum(effect[f][code[f]] for f in LEVELS)
            chunk = pd.DataFrame({f: c.astype(np.uint8) for f, c in code.items()})
            for j, name in enumerate(COVARIATES):
                chunk[name] = np.rint(x[:, j] * CODE).astype(np.int32)
            chunk["y"] = np.rint((22.0 + y) * CODE).astype(np.int32)
            con.register("chunk_in", chunk)
            verb = "create table sheet as" if start == 0 else "insert into sheet"
            con.execute(f"{verb} select * from chunk_in").fetchall()
            con.unregister("chunk_in")


def clock(work: Callable[[], object]) -> float:
    """Least seconds of a few runs."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


SHIFTED = (*COVARIATES, f"(y - {round(22.0 * CODE)})")
PRODUCTS = [
    (i, j, f"sum(cast({SHIFTED[i]} as bigint) * cast({SHIFTED[j]} as bigint))")
    for i in range(len(SHIFTED))
    for j in range(i, len(SHIFTED))
]


def cell_sql() -> str:
    """One whole number for each combination of levels."""
    code = "cast(0 as integer)"
    for factor, size in LEVELS.items():
        code = f"({code} * {size} + {factor})"
    return code


def scan_sql() -> str:
    """One pass: per cell the count, the sums and the sums of products of the shifted integer codes."""
    parts = ["count(*) as m_0_0"]
    parts += [f"cast(sum(cast({x} as bigint)) as double) as m_0_{i + 1}" for i, x in enumerate(SHIFTED)]
    parts += [f"cast({sql} as double) as m_{i + 1}_{j + 1}" for i, j, sql in PRODUCTS]
    return f"select {cell_sql()} as cell, {', '.join(parts)} from sheet group by cell order by cell"


def labels(cell: np.ndarray) -> dict[str, np.ndarray]:
    """Levels of each factor back from the cell's number."""
    out = {}
    for factor, size in reversed(LEVELS.items()):
        cell, code = np.divmod(cell, size)
        out[factor] = np.array([str(i) for i in range(size)], dtype=object)[code]
    return out


def ours(path: Path, threads: int) -> dict[str, float]:
    """Seconds of the scan, of Gram matrix and REML, of Bayes; the criterion and the sds."""
    from fleet.statistics.bayes import fit_bayes
    from fleet.statistics.gram import Cells, Term, build_gram
    from fleet.statistics.reml import fit_reml

    terms = [*(Term((f,)) for f in LEVELS), Term(("profile", "cantilever"))]
    columns = ("1", *COVARIATES, "y")
    size = len(columns)
    unit = np.array([1.0, *[CODE] * (size - 1)])

    def scan() -> Cells:
        rows = con.sql(scan_sql()).df()
        moments = np.empty((len(rows), size, size))
        for i in range(size):
            for j in range(i, size):
                moments[:, i, j] = moments[:, j, i] = rows[f"m_{i}_{j}"].to_numpy() / (unit[i] * unit[j])
        return Cells(labels(rows["cell"].to_numpy()), columns, moments, moments[:, 0, 0].copy())

    with duckdb.connect(str(path), read_only=True, config={"threads": threads}) as con:
        scan()
        scan_s = clock(scan)
        cells = scan()
        reml_s = clock(lambda: fit_reml(build_gram(cells, terms, ("1", *COVARIATES))))
    fit = fit_reml(build_gram(cells, terms, ("1", *COVARIATES)))
    bayes_s = clock(lambda: fit_bayes(fit.gram, reml=fit, draws=512))
    return {
        "scan": scan_s,
        "reml": reml_s,
        "bayes": bayes_s,
        "criterion": fit.criterion,
        **{f"sd_{term.name}": float(sd) for term, sd in zip(terms, fit.sds, strict=True)},
    }


def bare(path: Path, threads: int) -> dict[str, float]:
    """Seconds that DuckDB takes to sum the same nine columns; and for the parts no scan can do without.

    The parts: the twenty sums and sums of products without groups, and the count by cell without sums.
    """
    sums = "select " + ", ".join(f"sum({c})" for c in (*LEVELS, *COVARIATES, "y")) + " from sheet"
    moments = [*(f"sum(cast({x} as bigint))" for x in SHIFTED), *(sql for _, _, sql in PRODUCTS)]
    ungrouped = f"select {', '.join(moments)} from sheet"
    counts = f"select {cell_sql()} as cell, count(*) from sheet group by cell"
    with duckdb.connect(str(path), read_only=True, config={"threads": threads}) as con:
        con.execute(sums).fetchall()
        bare_s = clock(lambda: con.execute(sums).fetchall())
        parts_s = clock(lambda: con.execute(ungrouped).fetchall())
        parts_s += clock(lambda: con.execute(counts).fetchall())
    return {"seconds": bare_s, "parts": parts_s}


def frame_of(path: Path) -> pd.DataFrame:
    """All rows in natural units, levels as text, for the peers."""
    with duckdb.connect(str(path), read_only=True) as con:
        frame: pd.DataFrame = con.sql("select * from sheet").df()
    for f in LEVELS:
        frame[f] = f[0] + frame[f].astype(str)
    frame[[*COVARIATES, "y"]] = frame[[*COVARIATES, "y"]] / CODE
    return frame.assign(pair=frame["profile"] + frame["cantilever"], everything=1)


def by_statsmodels(path: Path, threads: int) -> dict[str, float]:
    """Seconds and criterion of MixedLM, one run, one group with variance components."""
    import warnings

    from statsmodels.regression.mixed_linear_model import MixedLM

    frame = frame_of(path)
    warnings.simplefilter("ignore")
    start = time.perf_counter()
    parts = {f: f"0 + C({f})" for f in (*LEVELS, "pair")}
    fixed = "y ~ " + " + ".join(COVARIATES)
    model = MixedLM.from_formula(fixed, frame, groups="everything", vc_formula=parts, re_formula="0")
    fit = model.fit(reml=True)
    return {"seconds": time.perf_counter() - start, "criterion": -2.0 * float(fit.llf)}


def by_lme4(path: Path, threads: int) -> dict[str, float]:
    """Seconds and criterion of lme4's default fit, one run, timed inside R."""
    script = (
        'suppressMessages(library(lme4)); d <- read.csv("rows.csv"); '
        f"s <- system.time(m <- lmer({FORMULA}, d))[[3]]; "
        'cat(sprintf("%.6f %.10f %.0f", s, REMLcrit(m), 1024 * sum(gc()[, 6])))'
    )
    with tempfile.TemporaryDirectory() as folder:
        frame_of(path).to_csv(Path(folder) / "rows.csv", index=False)
        done = subprocess.run(
            ["Rscript", "-e", script], cwd=folder, capture_output=True, text=True, check=True
        )
    seconds, criterion, peak_kb = (float(x) for x in done.stdout.split())
    return {"seconds": seconds, "criterion": criterion, "peak_mb": peak_kb / 1024.0}


METHODS = {"ours": ours, "bare": bare, "statsmodels": by_statsmodels, "lme4": by_lme4}


def measured(method: str, path: Path, threads: int = 1) -> dict[str, float]:
    """Run one method in a fresh process; its own figures and its peak memory [MB]."""
    done = subprocess.run(
        [sys.executable, __file__, "--child", method, str(path), str(threads)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    )
    if done.returncode:
        raise RuntimeError(f"{method} failed on {path.name}: {done.stderr.strip()[-400:]}")
    figures: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return figures


def child(method: str, path: str, threads: str) -> None:
    """What runs in the fresh process."""
    figures = METHODS[method](Path(path), int(threads))
    figures.setdefault("peak_mb", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)
    sys.stdout.write(json.dumps(figures) + "\n")


def lme4_is_there() -> bool:
    """Whether R and lme4 can be asked."""
    if shutil.which("Rscript") is None:
        return False
    return (
        subprocess.run(["Rscript", "-e", "library(lme4)"], capture_output=True, check=False).returncode == 0
    )


def shown(seconds: float | None) -> str:
    """Milliseconds with three figures, or seconds from ten on."""
    if seconds is None:
        return "–"
    return f"{seconds:.3g} s" if seconds >= 10.0 else f"{1000.0 * seconds:.3g}"


def own_line(n: int, path: Path) -> tuple[dict[str, float], list[str]]:
    """Our figures at one size, and the cells of their line."""
    own, two, sums = measured("ours", path), measured("ours", path, 2), measured("bare", path)
    cells = [
        f"{n:,}",
        shown(sums["seconds"]),
        shown(own["scan"]),
        shown(two["scan"]),
        f"{own['scan'] / sums['seconds']:.1f}",
        f"{own['scan'] / sums['parts']:.1f}",
        shown(own["reml"]),
        shown(own["scan"] + own["reml"]),
        shown(own["bayes"]),
        f"{own['peak_mb']:.0f}",
    ]
    return own, cells


def peer_lines(n: int, path: Path, own: dict[str, float], peers: dict[str, int]) -> list[list[str]]:
    """The cells of each peer's line at one size."""
    total, out = own["scan"] + own["reml"], []
    for name, largest in peers.items():
        if n <= largest:
            got = measured(name, path)
            above = got["criterion"] - own["criterion"]
            cells = [f"{n:,}", name, shown(got["seconds"]), f"{got['seconds'] / total:,.0f}", f"{above:.0e}"]
            out.append([*cells, f"{got['peak_mb']:.0f}"])
    return out


OURS_HEAD = (
    "rows",
    "bare sum",
    "scan",
    "scan, 2 threads",
    "scan / bare",
    "scan / its parts",
    "Gram + REML",
    "rows to REML",
    "Bayes, 512 draws",
    "peak MB",
)
PEER_HEAD = ("rows", "program", "time", "time / ours", "its criterion less ours", "peak MB")


def table(head: tuple[str, ...], lines: list[list[str]]) -> str:
    """A Markdown table."""
    body = "".join("| " + " | ".join(cells) + " |\n" for cells in lines)
    return "| " + " | ".join(head) + " |\n|" + "---|" * len(head) + "\n" + body


def main() -> None:
    """Build, measure, print two Markdown tables (milliseconds unless it says s)."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--sizes", default="1e3,1e4,1e5,1e6,1e7")
    ask.add_argument("--no-peers", action="store_true")
    given = ask.parse_args()
    peers = {} if given.no_peers else {"statsmodels": STATSMODELS_TO}
    if peers and lme4_is_there():
        peers["lme4"] = LME4_TO
    ours_lines, their_lines = [], []
    with tempfile.TemporaryDirectory() as folder:
        for n in (int(float(x)) for x in given.sizes.split(",")):
            path = Path(folder) / f"rows_{n}.duckdb"
            build(path, n)
            own, cells = own_line(n, path)
            ours_lines.append(cells)
            their_lines += peer_lines(n, path, own, peers)
            path.unlink()
            sys.stderr.write(f"{n:,} rows done\n")
    sys.stdout.write(table(OURS_HEAD, ours_lines))
    if their_lines:
        sys.stdout.write("\n" + table(PEER_HEAD, their_lines))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(*sys.argv[2:])
    else:
        main()
