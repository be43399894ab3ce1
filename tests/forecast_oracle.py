"""The best that anyone could foretell: a forecaster who knows the world, only not its families and sources.

He knows every law of the world (spreads, noise, drag, which units are faulty) and lacks the true mean angles
of each family, which he infers from the sound sheets by exact normal algebra.  What he gets wrong is the
floor that no learner can beat with these sheets; all that a learner has to find out besides comes on top.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from forecast_yardsticks import POLICY, TRUE_DRAWS, Forecast, Truth
from worlds import LONG

from fleet.alignment.tilt import reach
from synthetic_data.spec import Spread
from synthetic_data.world import World

MEAN_DRAWS = 64 if LONG else 32


def between_sources(spread: Spread, scale: float) -> np.ndarray:
    """Covariance of (tracking, built-in) between sources."""
    sd = scale * np.array([spread.tracking_source_deg, spread.built_in_source_deg])
    r = spread.built_in_tracking_correlation
    return np.asarray(np.array([[1.0, r], [r, 1.0]]) * np.outer(sd, sd))


def between_families(spread: Spread) -> np.ndarray:
    """Covariance of (tracking, built-in) between families of a source."""
    t, k = spread.tracking_family_deg, spread.built_in_per_tracking_family
    return np.array([[t**2, k * t**2], [k * t**2, (k * t) ** 2 + spread.built_in_family_deg**2]])


def readings(frame: pd.DataFrame) -> np.ndarray:
    """(n, 2) tracking, record still, and built-in angle as read."""
    sag = frame["sra_static_deg"] - frame["sra_dynamic_deg"]
    pair = np.stack(
        [frame["vta_dynamic_deg"] + sag, frame["sra_dynamic_deg"] - frame["vta_dynamic_deg"]], axis=1
    )
    return np.asarray(pair[~np.isnan(pair).any(axis=1)], dtype=float)


def posterior_of_means(
    world: World, sound: pd.DataFrame, lines: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """True means (k, 2) of these families, and the knower's posterior mean (k, 2) and covariance (2k, 2k)."""
    spec, k = world.spec, len(lines)
    true = lines[["tracking_mean_deg", "built_in_mean_deg"]].to_numpy(dtype=float)
    source = lines["assembly_source"].to_numpy()
    prior = np.kron(source[:, None] == source, between_sources(spec.spread, spec.source_sd_scale))
    prior = prior + np.kron(np.eye(k), between_families(spec.spread))
    information, surprise = np.zeros((2 * k, 2 * k)), np.zeros(2 * k)
    middle = np.array([spec.tracking_mean_deg, spec.built_in_mean_deg])
    for i, family in enumerate(lines["body_family"]):
        read = readings(sound[sound["body_family"] == family])
        law = readings(world.healthy(family, TRUE_DRAWS))
        offset, unit = law.mean(axis=0) - true[i], np.cov(law.T)
        place = slice(2 * i, 2 * i + 2)
        if len(read):
            weight = len(read) * np.linalg.inv(unit)
            information[place, place] = weight
            surprise[place] = weight @ (read.mean(axis=0) - offset - middle)
    cov = np.linalg.inv(np.linalg.inv(prior) + information)
    return true, (cov @ surprise).reshape(k, 2) + middle, cov


def near_oracle(world: World, sheets: pd.DataFrame, fault: pd.Series, truth: Truth) -> Forecast:
    """The knower's forecast for enquiries about known families, everything told (one source a family)."""
    frame = world.catalogue.frame
    families = [told["body_family"] for told in truth.facts]
    lines = frame.set_index("body_family", drop=False).loc[families]
    sound = sheets[(fault == "healthy").to_numpy()]
    true, mean, cov = posterior_of_means(world, sound, lines)
    rng = np.random.default_rng(1)
    samples: dict[str, list[np.ndarray]] = {"sag": [], "sra_dynamic": [], "vta_dynamic": []}
    chances = []
    for i, told in enumerate(truth.facts):
        place = slice(2 * i, 2 * i + 2)
        root = np.linalg.cholesky(cov[place, place])
        drawn = world.draws(told, TRUE_DRAWS, stream=6)
        angles = [drawn[f"true_{n}"].to_numpy(dtype=float) for n in ("sra_dynamic_deg", "vta_dynamic_deg")]
        room = drawn["true_tilt_room_deg"].to_numpy(dtype=float)
        shift = mean[i] - true[i] + rng.standard_normal((TRUE_DRAWS, 2)) @ root.T
        samples["sag"].append((drawn["sra_static_deg"] - drawn["sra_dynamic_deg"]).to_numpy(dtype=float))
        samples["sra_dynamic"].append(drawn["sra_dynamic_deg"].to_numpy(dtype=float) + shift.sum(axis=1))
        samples["vta_dynamic"].append(drawn["vta_dynamic_deg"].to_numpy(dtype=float) + shift[:, 0])
        moved = mean[i] - true[i] + rng.standard_normal((MEAN_DRAWS, 2)) @ root.T
        hit = [reach(angles[0] + dt + db, angles[1] + dt, room, POLICY).both.mean() for dt, db in moved]
        chances.append(float(np.mean(hit)))
    return Forecast(samples, np.array(chances))
