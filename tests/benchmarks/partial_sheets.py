"""Benches that read only a part: quotes and suspects against the truth of invented worlds.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/partial_sheets.py [case ...] [--seeds 1,2,3,4,5,6]

Each case is a world and what its bench leaves out.  Printed are, pooled over the seeds: excess of the mean
CRPS over the truth's own, share held by 90 % intervals, error of the chance that the targets can be met.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from forecast_yardsticks import (
    HIGH,
    LOW,
    POLICY,
    QUANTITIES,
    expected_crps,
    family_facts,
    half_mean_difference,
    shares_of,
    truth_of,
)
from worlds import Fleet, fleet_of, house_of, ideal

from fleet.alignment.tilt import reach
from fleet.faults.suspects import suspects
from fleet.house_model.predict import Forecaster
from synthetic_data.spec import TIDY, WorldSpec
from synthetic_data.world import World

SPHERICAL = "spherical"
Sheets = pd.DataFrame
Drop = Callable[[Sheets], Sheets]


def as_it_is(sheets: Sheets) -> Sheets:
    """Every reading kept."""
    return sheets


def without(*columns: str, share: float = 1.0) -> Drop:
    """Sheets that lack these readings, or a share of them."""

    def drop(sheets: Sheets) -> Sheets:
        out = sheets.copy()
        lost = np.random.default_rng(99).random(len(out)) < share
        for column in columns:
            out[column] = out[column].mask(lost)
        return out

    return drop


def rake_blank(sheets: Sheets) -> Sheets:
    """A quarter of the families never have their rake read."""
    families = sorted(sheets["body_family"].unique())[::4]
    return sheets.assign(
        **{c: sheets[c].mask(sheets["body_family"].isin(families)) for c in (STATIC, DYNAMIC)}
    )


STATIC, DYNAMIC, TRACKING = "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"
CASES: dict[str, tuple[dict[str, Any], Drop]] = {
    "complete": ({}, as_it_is),
    "spherical": ({"spherical_share": 0.4}, as_it_is),
    "half of tracking angles": ({}, without(TRACKING, share=0.5)),
    "a tenth of tracking angles": ({}, without(TRACKING, share=0.9)),
    "rake alone": ({}, without(TRACKING)),
    "tracking alone": ({}, without(STATIC, DYNAMIC)),
    "static rake alone": ({}, without(TRACKING, DYNAMIC)),
    "static rake and tracking": ({}, without(DYNAMIC)),
    "dynamic rake alone": ({}, without(TRACKING, STATIC)),
    "rake blank on a quarter of the families": ({}, rake_blank),
    "awkward": ({name: getattr(WorldSpec(seed=0), name) for name in TIDY}, as_it_is),
}
PRESSED = {"enquiries at 1.25 times the force": 1.25, "enquiries at 0.8 times the force": 0.8}
"""Cases in which the bench is asked about its families at another force."""


def quoted(seed: int, spec: dict[str, Any], drop: Drop, *, n: int = 300, times: float = 1.0) -> pd.DataFrame:
    """One row an enquiry about a known family, everything told: scores beside the truth's own."""
    world = ideal(seed, **spec)
    sheets = drop(world.sheets(n)[0])
    families = sorted(sheets["body_family"].unique())
    facts = family_facts(world, families)
    for told in facts:
        told["vtf_mn"] = round(times * told["vtf_mn"], 2)
    weights = np.array(shares_of(world, families))
    return scored(world, Forecaster(house_of(sheets)), facts, weights / weights.sum())


def scored(
    world: World, forecaster: Forecaster, facts: list[dict[str, Any]], weights: np.ndarray
) -> pd.DataFrame:
    """Scores of the forecasts for some enquiries."""
    truth = truth_of(world, facts, weights)
    d = forecaster.draw(pd.DataFrame(facts))
    out: dict[str, Any] = {
        "weight": weights,
        "kind": [f["stylus_profile"] for f in facts],
        "p_true": truth.p_both,
    }
    out["p"] = reach(d.sra_true, d.vta_true, d.tilt_room, POLICY).both.mean(axis=1)
    for q in QUANTITIES:
        x = getattr(d, q)
        rows = [(a[~np.isnan(a)], b[q]) for a, b in zip(x, truth.draws, strict=True)]
        read = [len(a) > 0 and len(b) > 0 for a, b in rows]
        ends = [np.quantile(a, [LOW, HIGH]) if ok else None for (a, _), ok in zip(rows, read, strict=True)]
        out[f"{q} true"] = [
            half_mean_difference(b) if ok else np.nan for (_, b), ok in zip(rows, read, strict=True)
        ]
        out[f"{q} crps"] = [
            expected_crps(a, b) if ok else np.nan for (a, b), ok in zip(rows, read, strict=True)
        ]
        out[f"{q} bias"] = [
            a.mean() - b.mean() if ok else np.nan for (a, b), ok in zip(rows, read, strict=True)
        ]
        out[f"{q} cover"] = [
            np.nan if e is None else np.mean((b >= e[0]) & (b <= e[1]))
            for (_, b), e in zip(rows, ends, strict=True)
        ]
    return pd.DataFrame(out)


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """The printed figures of pooled rows."""
    out = {}
    for q in QUANTITIES:
        r = rows[rows[f"{q} true"].notna()]
        if r.empty:
            continue
        w = r["weight"]
        short = q.split("_")[0]
        out[f"{short} excess %"] = 100.0 * ((w * r[f"{q} crps"]).sum() / (w * r[f"{q} true"]).sum() - 1.0)
        out[f"{short} held"] = float(np.average(r[f"{q} cover"], weights=w))
    out["chance error"] = float(np.average((rows["p"] - rows["p_true"]).abs(), weights=rows["weight"]))
    return out


def judged(fleet: Fleet, drop: Drop) -> pd.DataFrame:
    """One row a unit: kind, bad, flagged."""
    table = suspects(fleet.house, fleet.current).table.set_index("sheet_no").loc[fleet.current["sheet_no"]]
    rows = pd.DataFrame(
        {
            "unit": fleet.current["unit"].to_numpy(),
            "kind": fleet.current["stylus_profile"].to_numpy(),
            "bad": (fleet.fault != "healthy").to_numpy(),
            "flag": table["flagged"].to_numpy(),
        }
    )
    return rows.groupby("unit").agg({"kind": "first", "bad": "max", "flag": "max"})


def dropping(world: World, drop: Drop) -> World:
    """The same world, seen by a bench that leaves readings out."""
    whole = world.sheets

    def sheets(n: int, *, stream: int = 0) -> tuple[pd.DataFrame, pd.DataFrame]:
        read, truth = whole(n, stream=stream)
        return drop(read), truth

    world.sheets = sheets  # type: ignore[method-assign]
    return world


def found(seed: int, spec: dict[str, Any], drop: Drop, *, n: int = 1500) -> pd.DataFrame:
    """Units of a bench of n sheets in 24 families, and which were flagged."""
    return judged(fleet_of(dropping(ideal(seed, n_families=24, **spec), drop), n), drop)


def recall(units: pd.DataFrame) -> str:
    """Recall and false share, and the share of sound units flagged."""
    hit, bad = (units["bad"] & units["flag"]).sum(), units["bad"].sum()
    flags, sound = units["flag"].sum(), (~units["bad"]).sum()
    return (
        f"recall {hit / max(bad, 1):.3f} ({bad} bad), false {(flags - hit) / max(flags, 1):.3f}, "
        f"sound flagged {(flags - hit) / max(sound, 1):.4f}"
    )


def show(name: str, rows: pd.DataFrame) -> None:
    parts = "; ".join(f"{k} {v:.3f}" for k, v in figures(rows).items())
    print(f"  {name}: {parts}", flush=True)  # noqa: T201


def main() -> None:
    """Print the figures of the cases asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("cases", nargs="*", default=[*CASES, *PRESSED])
    parser.add_argument("--seeds", default="1,2,3,4,5,6")
    parser.add_argument("--suspects", action="store_true")
    parser.add_argument("--sheets", type=int)
    asked = parser.parse_args()
    seeds = [int(s) for s in asked.seeds.split(",")]
    for name in asked.cases:
        spec, drop = CASES.get(name, ({}, as_it_is))
        times = PRESSED.get(name, 1.0)
        start = time.perf_counter()
        print(name, flush=True)  # noqa: T201
        if asked.suspects:
            for label, more in (("faults", {}), ("none", {"fault_share": 0.0, "slip_share": 0.0})):
                units = pd.concat([found(s, {**spec, **more}, drop, n=asked.sheets or 1500) for s in seeds])
                for kind, rows in units.groupby(units["kind"] == SPHERICAL):
                    print(f"  {label}, {'spherical' if kind else 'others'}: {recall(rows)}", flush=True)  # noqa: T201
        else:
            rows = pd.concat(
                [quoted(s, spec, drop, n=asked.sheets or 300, times=times) for s in seeds], ignore_index=True
            )
            for kind, part in rows.groupby(rows["kind"] == SPHERICAL):
                show("spherical" if kind else "others", part)
        print(f"  {time.perf_counter() - start:.0f} s", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
