"""Which facts an enquiry tells, and which families match what is told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from fleet.errors import FleetError
from synthetic_data.balance import Floats
from synthetic_data.catalogue import Catalogue
from synthetic_data.spec import WorldSpec

# Shares of enquiries that do not tell a fact (invented, as a workshop's post looks).
NOT_TOLD: dict[str, float] = {
    "body_family": 0.20,
    "generator": 0.09,
    "stylus_profile": 0.11,
    "cantilever_material": 0.16,
    "assembly_source": 0.50,
    "vtf_mn": 0.05,
    "compliance_um_per_mn": 0.35,
    "cantilever_length_mm": 0.35,
    "temperature_c": 1.0,
    "tilt_room_deg": 0.65,
    "hours_used": 0.70,
}
_WORDS = ("generator", "stylus_profile", "cantilever_material", "assembly_source")
_FIGURES = ("compliance_um_per_mn", "compliance_frequency_hz", "cantilever_length_mm")
_ROOM_SD_DEG = 0.18
_VISIT = ("sra_static_deg", "vta_dynamic_deg")


def hide_facts(rng: np.random.Generator, told: pd.DataFrame, shares: Mapping[str, float]) -> pd.DataFrame:
    """Empty each fact on its share of the enquiries; a hidden compliance hides its frequency too."""
    unknown = sorted(set(shares) - set(told.columns))
    if unknown:
        raise FleetError(f"not_told names no enquiry column: {', '.join(unknown)}.")
    out = told.copy()
    for name, share in shares.items():
        hidden = rng.random(len(told)) < share
        out[name] = out[name].mask(hidden)
        if name == "compliance_um_per_mn":
            out["compliance_frequency_hz"] = out["compliance_frequency_hz"].mask(hidden)
    return out


def line_weights(spec: WorldSpec, catalogue: Catalogue, facts: Mapping[str, Any], share: Floats) -> Floats:
    """Probability of each line of the catalogue given what an enquiry tells.

    Parameters
    ----------
    share : array, shape (lines,)
        Shares before anything is told.

    Raises
    ------
    FleetError
        When the family is no family of this world, or nothing matches what is told.
    """
    family = facts.get("body_family")
    if pd.isna(family):
        weight = share.copy()
    else:
        own = catalogue.column("body_family") == family
        if not own.any():
            raise FleetError(f"this world has no family {family!r}; leave it out to draw from all.")
        weight = np.where(own, catalogue.share + catalogue.new_share, 0.0)
    for name in _WORDS:
        if not pd.isna(facts.get(name)):
            weight = weight * (catalogue.column(name) == facts[name])
    if not pd.isna(facts.get("vtf_mn")) and pd.isna(family):  # a told family may be asked about at any force
        weight = weight * _chance_of_force(spec, catalogue.figures("vtf_mn"), float(facts["vtf_mn"]))
    for name in _FIGURES:
        if not pd.isna(facts.get(name)):
            weight = weight * np.isclose(catalogue.figures(name), float(facts[name]), atol=0.01)
    if not pd.isna(facts.get("tilt_room_deg")):
        away = (float(facts["tilt_room_deg"]) - catalogue.figures("tilt_room_mean_deg")) / _ROOM_SD_DEG
        floor = away[weight > 0] ** 2
        weight = weight * np.exp(-0.5 * (away**2 - (floor.min() if len(floor) else 0.0)))
    total = weight.sum()
    if not total > 0:
        raise FleetError("no family of this world matches what is told; tell less, or another world's facts.")
    out: Floats = weight / total
    return out


def _chance_of_force(spec: WorldSpec, nominal: Floats, told_mn: float) -> Floats:
    """Chance that a unit of each line is run at the told force [0.1 mN]: its family's own or another."""
    own = np.isclose(nominal, told_mn, atol=0.01)
    low, high = spec.off_force_range
    off = (nominal * low <= told_mn) & (told_mn <= nominal * high)
    density = off * 0.1 / (nominal * (high - low))
    return np.asarray((1.0 - spec.off_force_share) * own + spec.off_force_share * density)


def visit_weights(facts: Mapping[str, Any]) -> dict[str, float]:
    """Readings of an earlier visit among the facts."""
    return {name: float(facts[name]) for name in _VISIT if not pd.isna(facts.get(name))}
