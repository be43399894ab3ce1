"""Real data sets, k-fold, for groups known and unseen: the engine's forecasts beside three rivals'.

    OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 python tests/benchmarks/real_sets.py [SET ...]

Prints a line a set and target: ours' CRPS over that of the best rival (which one only hindsight knows), each
rival's over ours, and the shares inside ours' intervals of 50, 80 and 90 %.  Ways and folds are those of
``tests/rival_forecasts.py``.  Sets that R carries are left out where there is no Rscript:

- nlme (Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS): Oxide, Machines, RatPupWeight,
  Orthodont, BodyWeight, ergoStool, Oats, Milk, Rail, Assay, Pixel;
  Milk falls for three weeks and then stands (Diggle, Liang & Zeger 1994, Analysis of Longitudinal Data);
- MASS (Venables & Ripley 2002, Modern Applied Statistics with S): genotype, nlschools;
- lattice: barley (Immer et al. 1934); datasets: ChickWeight (Crowder & Hand 1990), Loblolly (Kung 1986),
  CO2 (Potvin et al. 1990);
- statsmodels: elnino (NOAA, sea surface temperatures), grunfeld (Grunfeld 1958).
"""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "published"))
from rival_forecasts import HELD, SHARES, Case, compare, terms


def of_r(expression: str) -> pd.DataFrame:
    """A data frame that R's packages carry."""
    code = f"write.csv({expression}, stdout(), row.names = FALSE)"
    text = subprocess.run(["Rscript", "-e", code], check=True, capture_output=True, text=True).stdout
    return pd.read_csv(io.StringIO(text))


def elnino() -> pd.DataFrame:
    """Sea surface temperature by year and month."""
    from statsmodels.datasets import elnino

    wide = elnino.load_pandas().data.set_index("YEAR")
    return wide.reset_index().melt("YEAR", var_name="month", value_name="y").rename(columns={"YEAR": "year"})


def grunfeld() -> pd.DataFrame:
    """Log of a firm's investment, by logs of its value and capital."""
    from statsmodels.datasets import grunfeld

    d = grunfeld.load_pandas().data
    logs = {
        new: np.log(d[old]) for new, old in {"y": "invest", "value": "value", "capital": "capital"}.items()
    }
    return pd.DataFrame({"firm": d["firm"], **logs})


R = {
    "Oxide": ("data.frame(nlme::Oxide, y = nlme::Oxide$Thickness)", ("Lot", "Lot:Wafer", "Source"), ()),
    "Machines": (
        "data.frame(nlme::Machines, y = nlme::Machines$score)", ("Worker", "Machine", "Worker:Machine"), ()
    ),
    "RatPupWeight": (
        "with(nlme::RatPupWeight, data.frame(Litter, Treatment, male = sex == 'Male', Lsize, y = weight))",
        ("Litter", "Treatment"), ("male", "Lsize"),
    ),
    "Orthodont": (
        "with(nlme::Orthodont, data.frame(Subject, age = age - 11, male = Sex == 'Male', y = distance))",
        ("Subject", "age|Subject"), ("age", "male"),
    ),
    "BodyWeight": (
        "with(nlme::BodyWeight, data.frame(Rat, Diet, time = Time / 64, y = weight))",
        ("Rat", "time|Rat", "Diet"), ("time",),
    ),
    "ergoStool": ("data.frame(nlme::ergoStool, y = nlme::ergoStool$effort)", ("Subject", "Type"), ()),
    "Oats": (
        "data.frame(nlme::Oats, y = nlme::Oats$yield)", ("Block", "Block:Variety", "Variety"), ("nitro",)
    ),
    "Milk": (
        "with(nlme::Milk, data.frame(Cow, Diet, time = Time / 19, early = pmin(Time, 3), y = protein))",
        ("Cow", "Diet"), ("time", "early"),
    ),
    "Rail": ("data.frame(nlme::Rail, y = nlme::Rail$travel)", ("Rail",), ()),
    "Assay": (
        "data.frame(nlme::Assay, y = nlme::Assay$logDens)", ("sample", "dilut", "sample:dilut", "Block"), ()
    ),
    "Pixel": (
        "with(nlme::Pixel, data.frame(Dog, Side, day, square = (day - 6)^2, y = pixel))",
        ("Dog", "Dog:Side"), ("day", "square"),
    ),
    "genotype": (
        "with(MASS::genotype, data.frame(Litter, Mother, y = Wt))", ("Litter", "Mother", "Litter:Mother"), ()
    ),
    "nlschools": (
        "with(MASS::nlschools, data.frame(class, IQ, SES, y = lang))", ("class",), ("IQ", "SES")
    ),
    "barley": (
        "data.frame(lattice::barley, y = lattice::barley$yield)", ("site", "variety", "site:year"), ()
    ),
    "ChickWeight": (
        "with(ChickWeight, data.frame(Chick, Diet, time = Time / 21, y = log(weight)))",
        ("Chick", "time|Chick", "Diet"), ("time",),
    ),
    "Loblolly": (
        "with(Loblolly, data.frame(Seed, age, log_age = log(age), square = age^2, y = height))",
        ("Seed",), ("age", "log_age", "square"),
    ),
    "CO2": (
        "with(CO2, data.frame(Plant, dose = log(conc / 400), second = log(conc / 400)^2, chilled = "
        "Treatment == 'chilled', south = Type == 'Mississippi', both = Treatment == 'chilled' & "
        "Type == 'Mississippi', y = uptake))",
        ("Plant", "dose|Plant"), ("dose", "second", "chilled", "south", "both"),
    ),
}  # fmt: skip
CASES = HELD | {
    "elnino": Case(elnino, terms("year", "month")),
    "grunfeld": Case(grunfeld, terms("firm"), ("value", "capital")),
}
if shutil.which("Rscript"):
    CASES |= {name: Case(partial(of_r, code), terms(*t), fixed) for name, (code, t, fixed) in R.items()}


def main(names: list[str]) -> None:
    """Print the table, and over all sets the mean ratios (geometric) and shares."""
    say = partial(print, flush=True)
    rows = []
    for name in names or CASES:
        for target, part in compare(CASES[name]).groupby(level="target", sort=False):
            of = part.droplevel("target")
            rivals = of["crps"].drop("ours")
            shares = [of.loc["ours", f"{s:.0%}"] for s in SHARES]
            row = [of.loc["ours", "crps"] / rivals.min(), *(rivals / of.loc["ours", "crps"]), *shares]
            rows.append((target, *row))
            say(f"{name:13}{target:7}", *(f"{x:6.3f}" for x in row), f" best rival {rivals.idxmin()}")
    table = pd.DataFrame(rows).rename(columns={0: "target"})
    for target, part in [*table.groupby("target"), ("all", table)]:
        x = part.drop(columns="target").to_numpy()
        mean = [*np.exp(np.log(x[:, :4]).mean(axis=0)), *x[:, 4:].mean(axis=0)]
        say(f"{target:7} {len(x):3} rows", *(f"{v:6.3f}" for v in mean))


if __name__ == "__main__":
    main(sys.argv[1:])
