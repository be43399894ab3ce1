"""Is any link's search for its spreads ended above the least criterion?  Every link beside a tight lme4.

    python tests/benchmarks/every_link.py --sizes 1e3x26,1e4x9,1e5x3

For each invented fleet (awkward worlds, seeds counted from 1) every link, and both combinations of tracking
and built-in angle, are fitted by REML to the same weighted rows, once from sums per cell here, once from the
rows by lme4 (bobyqa, rhoend 1e-10), sigma profiled out in both.  A line a link: criterion here less lme4's,
and processor time from rows in memory, lme4's that of its default fit.
Needs R and lme4.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from worlds import awkward, fleet_of

from fleet.house_model.chain import FACTORS, LINKS, PAIR_LINKS, PAIRED, Link, responses
from fleet.house_model.house import House
from fleet.statistics.gram import Cells, build_gram
from fleet.statistics.reml import fit_reml

SCRIPT = """
suppressMessages(library(lme4))
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), calc.derivs = FALSE,
                     check.conv.singular = "ignore", check.scaleX = "ignore", check.rankX = "ignore")
asked <- read.csv("asked.csv")
for (i in seq_len(nrow(asked))) {
  d <- read.csv(asked$file[i], na.strings = "NaN")
  f <- as.formula(asked$formula[i])
  s <- system.time(suppressMessages(suppressWarnings(try(lmer(f, d, weights = w), silent = TRUE))))
  m <- try(lmer(f, d, weights = w, control = tight), silent = TRUE)
  failed <- inherits(m, "try-error")
  cat(if (failed) "NaN NaN\\n" else sprintf("%.12g %.17g\\n", s[[1]] + s[[2]], REMLcrit(m)))
}
"""


def rows_of(house: House, sheets: pd.DataFrame, link: Link) -> pd.DataFrame:
    """Levels, covariates, response and weight of every row that teaches a link."""
    seen = responses(sheets, house.facts.fill())
    if link in PAIR_LINKS:
        turn = house.turn[PAIR_LINKS.index(link)]
        y = seen[[f"y_{name}" for name in PAIRED]].to_numpy() @ turn
    else:
        y = seen[f"y_{link.name}"].to_numpy()
    if link.name in {"tracking", "built_in"} or link in PAIR_LINKS:
        y = np.where(seen[[f"y_{name}" for name in PAIRED]].notna().all(axis=1), y, np.nan)
    labels = "l" + seen[list(FACTORS)].astype(str)
    out = pd.concat([labels, seen[list(link.columns)]], axis=1).assign(y=y - link.centre)
    spread = house.links[link.name].spread
    s2 = house.scale_s2[seen["scale_class"].to_numpy(dtype=int)]
    factors = [seen[name].astype(str).to_numpy(dtype=object) for name in ("source", "family")]
    return out.assign(w=1.0 / spread.total(s2, *factors)).dropna().reset_index(drop=True)


def criterion_here(rows: pd.DataFrame, link: Link) -> tuple[float, float, float]:
    """Criterion, processor time, and what the last step promised still."""
    start = time.process_time()
    factors = sorted({f for term in link.terms for f in term.factors})
    cells, _ = Cells.from_frame(
        rows,
        "y",
        factors=factors,
        covariates=link.columns,
        weights=rows["w"].to_numpy(),
        unshifted=[*link.columns, "y"],
    )
    fit = fit_reml(build_gram(cells, link.terms, link.fixed))
    return fit.criterion, time.process_time() - start, fit.short_by


def formula_of(link: Link) -> str:
    """The link in lme4's words."""
    fixed = " + ".join(c for c in link.fixed if c != "1")
    intercept = "1" if "1" in link.fixed else "0"
    random = [
        f"({'1' if t.covariate == '1' else '0 + ' + t.covariate}|{':'.join(t.factors)})" for t in link.terms
    ]
    return "y ~ " + " + ".join(x for x in (intercept, fixed, *random) if x)


def compare(seed: int, n: int) -> pd.DataFrame:
    """One fleet: a line a link."""
    fleet = fleet_of(awkward(seed), n)
    lines = []
    with tempfile.TemporaryDirectory() as folder:
        for link in (*LINKS, *PAIR_LINKS):
            if link.name not in fleet.house.links:
                continue
            rows = rows_of(fleet.house, fleet.current, link)
            crit, took, short = criterion_here(rows, link)
            file = f"{link.name}.csv"
            rows.to_csv(Path(folder) / file, index=False, float_format="%.17g")
            lines.append(
                {
                    "n": n,
                    "seed": seed,
                    "link": link.name,
                    "rows": len(rows),
                    "here": crit,
                    "s": took,
                    "short_by": short,
                }
                | {"file": file, "formula": formula_of(link)}
            )
        pd.DataFrame(lines)[["file", "formula"]].to_csv(Path(folder) / "asked.csv", index=False)
        (Path(folder) / "fit.R").write_text(SCRIPT, encoding="utf-8")
        done = subprocess.run(["Rscript", "fit.R"], cwd=folder, capture_output=True, text=True, check=True)
    told = [line.split() for line in done.stdout.splitlines()]
    out = pd.DataFrame(lines).drop(columns=["file", "formula"])
    out["lme4_s"], out["lme4"] = (np.array([float(t[i]) for t in told]) for i in (0, 1))
    return out.assign(above=out["here"] - out["lme4"])


def main() -> None:
    """Compare, a line a link as they come, then what they come to."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--sizes", default="1e3x26,1e4x9,1e5x3")
    found = []
    for size in ask.parse_args().sizes.split(","):
        n, fleets = (int(float(x)) for x in size.split("x"))
        for seed in range(1, fleets + 1):
            found.append(compare(seed, n))
            sys.stdout.write(found[-1].to_string(index=False) + "\n")
            sys.stdout.flush()
    every = pd.concat(found)
    compared = every.dropna()
    by_n = compared.groupby("n")
    summary = pd.DataFrame(
        {
            "fits": by_n.size(),
            "largest above": by_n["above"].max(),
            "above 1e-3": by_n["above"].agg(lambda x: (x > 1e-3).sum()),
            "above 1e-6": by_n["above"].agg(lambda x: (x > 1e-6).sum()),
            "lme4 above 1e-3": by_n["above"].agg(lambda x: (x < -1e-3).sum()),
            "lme4 above by": -by_n["above"].min(),
            "here s": by_n["s"].sum(),
            "lme4 s": by_n["lme4_s"].sum(),
        }
    )
    sys.stdout.write(summary.to_string() + "\n")
    sys.stdout.write(f"{len(every) - len(compared)} fits could not be compared\n")


if __name__ == "__main__":
    main()
