"""Sources and families of an invented world, drawn once from its seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from synthetic_data.balance import Floats, free_from_still_deg, stiffness_un_m
from synthetic_data.spec import WorldSpec

Ints = NDArray[np.int64]

CATALOGUE_STREAM = 1
_GENERATORS = ("moving_coil", "moving_magnet", "moving_iron")
_CANTILEVER_SHARES = {"aluminium": 0.35, "boron": 0.30, "diamond": 0.11, "ruby": 0.10, "sapphire": 0.14}
_COMPLIANCE_MEDIAN = {"moving_coil": 12.0, "moving_magnet": 19.0, "moving_iron": 20.0}


@dataclass(frozen=True)
class Catalogue:
    """The world's true table of *lines* (family x assembly source), one array element a line.

    `frame` holds the words and figures that a sheet shows, and the true means; the arrays beside it are
    what the drawing of units needs. `share` sums to one over the bench's own families; `new_share` over
    the families met only in enquiries.
    """

    frame: pd.DataFrame
    share: Floats
    new_share: Floats
    stiffness_un_m: Floats
    free_angle_deg: Floats
    unit_spread: Floats
    family_spread: Floats
    cant_to_electrical: float
    operator_habit: dict[str, Floats]
    patchy: NDArray[np.bool_]

    def column(self, name: str) -> NDArray[np.generic]:
        """Column of `frame` as an array, one element a line."""
        return self.frame[name].to_numpy()

    def figures(self, name: str) -> Floats:
        """Column of `frame` as floats, one element a line."""
        return self.frame[name].to_numpy(dtype=float)


def _deal(rng: np.random.Generator, shares: Floats, n: int) -> Ints:
    """Deal n places among kinds close to their shares, at least one each where n allows, shuffled."""
    kinds = len(shares)
    counts = np.ones(kinds, dtype=int) if n >= kinds else np.zeros(kinds, dtype=int)
    while counts.sum() < n:
        counts[np.argmax(shares / shares.sum() * n - counts)] += 1
    return rng.permutation(np.repeat(np.arange(kinds), counts))


def _correlated(rng: np.random.Generator, n: int, correlation: float) -> tuple[Floats, Floats]:
    first, second = rng.standard_normal((2, n))
    return first, correlation * first + np.sqrt(1.0 - correlation**2) * second


def draw_sources(rng: np.random.Generator, spec: WorldSpec) -> pd.DataFrame:
    """True effects of the assembly sources.

    Returns
    -------
    DataFrame
        One row a source: `assembly_source`, `share`, `tracking_deg`, `built_in_deg`, `zenith_deg`
        [degrees], `softness` (static over catalogue compliance), `unit_spread` (factor).
    """
    n, s, scale = spec.n_sources, spec.spread, spec.source_sd_scale
    share = rng.dirichlet(np.full(n, 8.0)) * np.arange(n, 0, -1) ** 0.7
    tracking, built_in = _correlated(rng, n, s.built_in_tracking_correlation)
    return pd.DataFrame(
        {
            "assembly_source": [f"S{i + 1:02d}" for i in range(n)],
            "share": share / share.sum(),
            "tracking_deg": s.tracking_source_deg * scale * tracking,
            "built_in_deg": s.built_in_source_deg * scale * built_in,
            "zenith_deg": s.zenith_source_deg * scale * rng.standard_normal(n),
            "softness": spec.softness_median * np.exp(s.softness_source_log * scale * rng.standard_normal(n)),
            "unit_spread": np.exp(s.unit_spread_log * rng.standard_normal(n)),
        }
    )


def _family_words(rng: np.random.Generator, spec: WorldSpec, n: int) -> pd.DataFrame:
    profile = np.array(spec.profiles)[_deal(rng, rng.dirichlet(np.full(len(spec.profiles), 12.0)), n)]
    n_spherical = round(spec.spherical_share * n)
    profile = profile.astype(object)
    profile[rng.permutation(n)[:n_spherical]] = "spherical"
    cantilever_share = np.array([_CANTILEVER_SHARES.get(c, 0.1) for c in spec.cantilevers])
    cantilever = np.array(spec.cantilevers)[_deal(rng, cantilever_share, n)]
    generator = np.array(_GENERATORS)[_deal(rng, np.array([0.58, 0.34, 0.08]), n)]
    return pd.DataFrame(
        {
            "body_family": [f"F{i + 1:03d}" for i in range(n)],
            "generator": generator,
            "stylus_profile": profile,
            "cantilever_material": cantilever,
        }
    )


def _family_figures(rng: np.random.Generator, spec: WorldSpec, words: pd.DataFrame) -> pd.DataFrame:
    n, s = len(words), spec.spread
    median = words["generator"].map(_COMPLIANCE_MEDIAN).to_numpy(dtype=float)
    pull = rng.standard_normal(n)
    compliance = np.clip(np.round(median * np.exp(0.3 * pull)), 6.0, 32.0)
    length = np.clip(np.round(5.3 + 0.55 * pull + 0.5 * rng.standard_normal(n), 1), 4.2, 7.0)
    vtf = np.clip(np.round((21.5 - 0.22 * compliance + 0.9 * rng.standard_normal(n)) * 2) / 2, 10.0, 24.0)
    tracking = s.tracking_family_deg * rng.standard_normal(n)
    built_in = s.built_in_family_deg * rng.standard_normal(n) + s.built_in_per_tracking_family * tracking
    hundred = rng.random(n) < spec.hundred_hz_share
    wrong = np.zeros(n, dtype=bool)
    if spec.wrong_frequency_share > 0.0:
        wrong = _some(spec, n, spec.wrong_frequency_share, 1)
        hundred |= wrong
    told = np.where(hundred, np.maximum(np.round(compliance / spec.hundred_hz_ratio), 2.0), compliance)
    return words.assign(
        vtf_mn=vtf,
        compliance_um_per_mn=told,
        compliance_frequency_hz=np.where(hundred & ~wrong, 100.0, 10.0),
        compliance_10_hz=compliance,
        cantilever_length_mm=length,
        family_tracking_deg=tracking,
        family_built_in_deg=built_in,
        tilt_room_mean_deg=np.clip(3.5 + 0.75 * rng.standard_normal(n), 1.5, 6.0),
        height_mean_mm=rng.uniform(15.5, 19.5, n),
        tip_mean_mm=rng.uniform(8.4, 10.6, n),
        log_minutes=4.13 + 0.09 * rng.standard_normal(n),
    )


def _some(spec: WorldSpec, n: int, share: float, which: int) -> NDArray[np.bool_]:
    """Which families share an oddity; drawn by itself, so that it changes nothing else of the world."""
    chosen = np.random.default_rng([spec.seed, CATALOGUE_STREAM, which]).permutation(n)
    return np.isin(np.arange(n), chosen[: round(share * n)])


def _family_spreads(spec: WorldSpec, n: int) -> Floats:
    """Factor of each family on all its units' spreads; drawn by itself, as `_some` is."""
    own = np.random.default_rng([spec.seed, CATALOGUE_STREAM, 3])
    return np.asarray(np.exp(spec.spread.family_spread_log * own.standard_normal(n)))


def _drag_by_profile(rng: np.random.Generator, spec: WorldSpec) -> dict[str, float]:
    low, high = spec.drag_range
    names = (*spec.profiles, "spherical")
    steps = np.linspace(low, high, len(names))
    return dict(zip(names, rng.permutation(steps).tolist(), strict=True))


def _family_shares(rng: np.random.Generator, spec: WorldSpec) -> tuple[Floats, Floats]:
    n, extra = spec.n_families, spec.n_new_families
    weight = np.arange(1, n + 1) ** -spec.family_share_exponent * np.exp(0.3 * rng.standard_normal(n))
    share = np.concatenate([rng.permutation(weight / weight.sum()), np.zeros(extra)])
    new = np.concatenate([np.zeros(n), np.full(extra, 1.0 / extra if extra else 0.0)])
    return share, new


def _lines(rng: np.random.Generator, spec: WorldSpec, sources: pd.DataFrame) -> pd.DataFrame:
    """One row a family and source, with the part of the family's units that this source makes."""
    n = spec.n_families + spec.n_new_families
    share = sources["share"].to_numpy()
    first = np.concatenate([_deal(rng, share, spec.n_families), rng.choice(len(share), n - spec.n_families)])
    parts = [pd.DataFrame({"family": np.arange(n), "source": first, "part": 1.0})]
    if spec.sources_per_family > 1 and spec.n_sources > 1:
        second = (first + rng.integers(1, spec.n_sources, n)) % spec.n_sources
        parts[0]["part"] = 0.75
        parts.append(pd.DataFrame({"family": np.arange(n), "source": second, "part": 0.25}))
    return pd.concat(parts).sort_values(["family", "part"], ascending=[True, False], ignore_index=True)


def draw_catalogue(spec: WorldSpec) -> Catalogue:
    """Draw sources, families and their lines; depends on the spec alone."""
    rng = np.random.default_rng([spec.seed, CATALOGUE_STREAM])
    sources = draw_sources(rng, spec)
    words = _family_words(rng, spec, spec.n_families + spec.n_new_families)
    families = _family_figures(rng, spec, words)
    share, new_share = _family_shares(rng, spec)
    drag = _drag_by_profile(rng, spec)
    lines = _lines(rng, spec, sources)
    frame = families.iloc[lines["family"]].reset_index(drop=True)
    made_by = sources.iloc[lines["source"]].reset_index(drop=True)
    frame["assembly_source"] = made_by["assembly_source"]
    tracking = spec.tracking_mean_deg + made_by["tracking_deg"] + frame["family_tracking_deg"]
    frame["tracking_mean_deg"] = tracking
    frame["built_in_mean_deg"] = (
        spec.built_in_mean_deg + made_by["built_in_deg"] + frame["family_built_in_deg"]
    )
    frame["zenith_mean_deg"] = made_by["zenith_deg"]
    frame["drag_mean"] = frame["stylus_profile"].map(drag)
    frame["static_compliance"] = frame["compliance_10_hz"] * made_by["softness"]
    still = frame["tracking_mean_deg"].to_numpy()
    length, vtf = frame["cantilever_length_mm"].to_numpy(), frame["vtf_mn"].to_numpy()
    stiffness = stiffness_un_m(frame["static_compliance"].to_numpy(), length, still)
    part = lines["part"].to_numpy()
    noise = spec.noise
    patchy = _some(spec, len(families), spec.patchy_share, 2)
    return Catalogue(
        frame=frame,
        share=share[lines["family"]] * part,
        new_share=new_share[lines["family"]] * part,
        stiffness_un_m=stiffness,
        free_angle_deg=free_from_still_deg(still, vtf, length, stiffness, spec.hardening),
        unit_spread=made_by["unit_spread"].to_numpy(),
        family_spread=_family_spreads(spec, len(families))[lines["family"]],
        cant_to_electrical=float(rng.uniform(*spec.cant_to_electrical)),
        operator_habit={
            "sra_deg": noise.operator * noise.sra_dynamic_deg * rng.standard_normal(3),
            "vta_dynamic_deg": noise.operator * noise.vta_dynamic_deg * rng.standard_normal(3),
            "azimuth_optical_deg": noise.operator * noise.azimuth_optical_deg * rng.standard_normal(3),
            "zenith_deg": noise.operator * noise.zenith_deg * rng.standard_normal(3),
        },
        patchy=patchy[lines["family"]],
    )
