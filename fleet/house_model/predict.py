"""Joint predictive draws of what the bench will read, for any subset of known facts.

Forward through the chain: tracking and built-in angle together, then sag through the sag scale, then the
readings.  The same random numbers serve every enquiry, so that a quote does not depend on its company.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import (
    ANGLES,
    FACTOR_COLUMNS,
    FACTORS,
    FORCE_LIMITS,
    LINK,
    PAIR,
    PAIRED,
    REFERENCE_HOURS,
    REFERENCE_TEMPERATURE_C,
    SPHERICAL,
    TYPICAL_DRAG_RATIO,
    TYPICAL_VTA_DEG,
    shared_by_rakes,
)
from fleet.house_model.earlier_readings import (
    Earlier,
    condition_on_earlier,
    told_readings,
)
from fleet.house_model.expectation import Predictor
from fleet.house_model.factor_scenarios import ScenarioChooser, Scenarios, known_factors
from fleet.house_model.family_facts import SPECIFICATIONS
from fleet.house_model.house import House
from fleet.house_model.joint_angles import correlate_normals
from fleet.house_model.variance_function import nearest_covariance
from fleet.numerals import unknown
from fleet.physics.sag import pressed_deg, sag_scale_deg
from fleet.policy.policy import Policy
from fleet.rows import Columns, Floats, Ints, numbers, records
from fleet.statistics.even_draws import normal_quantile, sobol_points
from fleet.statistics.gram import Levels

DIMENSIONS: Final = (
    "candidate", "parameters", "coef_1", "coef_2", "coef_sag", "unit_1", "unit_2", "unit_sag",
    "compliance_um_per_mn", "cantilever_length_mm", "vtf_mn",
    "read_static", "read_dynamic", "read_vta", "fault_t", "fault_b", "fault_sag",
    "jump_t", "jump_b", "jump_sag", "room", "coef_minutes", "unit_minutes",
    "visit_static", "visit_dynamic", "visit_vta",
)  # fmt: skip
JUMP_LOG_SD: Final = 0.25
"""Sizes of faults beyond the cut differ by about a quarter."""
LARGEST_CORRELATION: Final = 0.95
SMALLEST_SLOPE: Final = 0.02
TYPICAL_SCALE_DEG: Final = 1.5
HOURS_BETWEEN_VISITS: Final = 250.0
"""Hours of play from one visit to the next, exponentially spread: half a year of an hour and a half a day
(common practice, no source)."""
SMALLEST_VTA_DEG, LARGEST_VTA_DEG = 2.0, 55.0


@dataclass(frozen=True)
class Draws:
    """Joint draws for m enquiries, every array (m, n).

    Attributes
    ----------
    sra_true, vta_true : dynamic angles of the unit itself, level headshell [degrees]
    sag, sra_dynamic, vta_dynamic, built_in : what the bench would read [degrees]
    sra_static : rake reading, record still [degrees]
    tilt_room : largest positive tilt [degrees]
    row : index into ``rows``: which combination of factors the draw stands for
    parameters : index of the draw of the model's parameters
    candidates : per enquiry its candidates
    """

    sra_true: Floats
    vta_true: Floats
    sag: Floats
    sra_dynamic: Floats
    vta_dynamic: Floats
    built_in: Floats
    sra_static: Floats
    tilt_room: Floats
    row: Ints
    parameters: Ints
    rows: Levels
    candidates: tuple[Scenarios, ...]


class Forecaster:
    """Draws predictions from one house model; keep it, it caches what every call needs.

    Parameters
    ----------
    house : House
    n_draws : draws per enquiry
    seed : of the scrambled Sobol set shared by all enquiries
    """

    def __init__(self, house: House, *, n_draws: int = 1024, seed: int = 0) -> None:
        self.house, self.n = house, n_draws
        power = 2 ** int(np.ceil(np.log2(max(n_draws, 2))))
        u = np.clip(sobol_points(power, len(DIMENSIONS), seed)[:n_draws], 1e-12, 1.0 - 1e-12)
        self._u = dict(zip(DIMENSIONS, u.T, strict=True))
        self._z = {name: normal_quantile(x) for name, x in self._u.items()}
        self._told_noise = np.stack([self._z[f"visit_{x}"] for x in ("static", "dynamic", "vta")])
        self._chooser = ScenarioChooser(house.facts)

    @cached_property
    def _unit_factor(self) -> Floats:
        """Cholesky factor (3, 3) of the correlations between true units' two combinations and sag."""
        house = self.house
        spreads = [house.links[n].spread for n in ANGLES]
        total = np.array([s.noise + s.plain(np.full(1, TYPICAL_SCALE_DEG**2))[0] for s in spreads])
        residual = house.correlation_of(ANGLES) * np.sqrt(total * total[:, None])
        unit = residual - house.noise_covariance(ANGLES)
        np.fill_diagonal(unit, np.maximum(np.diag(unit), 0.05 * total))
        turn = np.eye(3)
        turn[:2, :2] = house.turn
        cov = nearest_covariance(turn @ unit @ turn.T, floor=1e-6)
        d = np.sqrt(np.diag(cov))
        corr = np.clip(cov / d / d[:, None], -LARGEST_CORRELATION, LARGEST_CORRELATION)
        np.fill_diagonal(corr, 1.0)
        return np.asarray(np.linalg.cholesky(nearest_covariance(corr, floor=1e-4)))

    def draw(self, enquiries: Columns, policies: Sequence[Policy] | None = None) -> Draws:
        """Joint draws for each enquiry.

        Parameters
        ----------
        enquiries : one row each, the enquiry columns of the bench-sheet contract (missing ones = not told)
        policies : one an enquiry, which says how far told readings may be off; the default policy if None
        """
        chosen = tuple(self._candidates(r) for r in records(enquiries))
        m = len(chosen)
        warm = numbers(enquiries, "temperature_c") - REFERENCE_TEMPERATURE_C
        aged = (numbers(enquiries, "hours_used") - REFERENCE_HOURS) / 1000.0
        rows, row = self._rows(chosen, np.nan_to_num(warm), np.nan_to_num(aged))
        parameters = self._parameters(m)
        figures = self._figures(enquiries, rows, row)
        visit = told_readings(enquiries, self.house.noise_now, policies)
        t, b, sag, pick = self._sag(figures, rows, row, parameters, visit)
        row, parameters = np.take_along_axis(row, pick, axis=1), np.take_along_axis(parameters, pick, axis=1)
        room = self._room(enquiries, rows, row, parameters)
        return self._read(t, b, sag, room, row, parameters, rows, chosen)

    def _candidates(self, record: dict[str, Any]) -> Scenarios:
        told = known_factors(record, FACTOR_COLUMNS)
        if unknown(record.get("compliance_um_per_mn")):
            told.pop("frequency", None)
        else:
            told.setdefault("frequency", "")
        told.pop("bench", None)
        names = (*SPECIFICATIONS, "tilt_room_deg")
        return self._chooser.choose(
            told, {n: float(str(record[n])) for n in names if not unknown(record.get(n))}
        )

    def _rows(self, chosen: tuple[Scenarios, ...], warm: Floats, aged: Floats) -> tuple[Levels, Ints]:
        """Unique rows of levels and covariates, and which of them each draw of each enquiry is."""
        lookup: dict[tuple[object, ...], int] = {}
        row = np.empty((len(chosen), self.n), dtype=np.int64)
        for e, c in enumerate(chosen):
            keys = [(*levels, warm[e], aged[e]) for levels in c.levels]
            codes = np.array([lookup.setdefault(k, len(lookup)) for k in keys])
            pick = np.searchsorted(np.cumsum(c.weights), self._u["candidate"])
            row[e] = codes[np.minimum(pick, len(codes) - 1)]
        columns = zip((*FACTORS, "warm", "aged"), zip(*lookup, strict=True), strict=True)
        return Levels({n: np.array(x, dtype=object if n in FACTORS else float) for n, x in columns}), row

    def _parameters(self, m: int) -> Ints:
        r = min(len(fit.posterior.sigma) for fit in self.house.links.values())
        pick = np.minimum((self._u["parameters"] * r).astype(np.int64), r - 1)
        return np.broadcast_to(pick, (m, self.n))

    def _moments(self, name: str, rows: Levels, extra: dict[str, Floats]) -> tuple[Floats, Floats]:
        covariates = {"warm": rows["warm"], "aged": rows["aged"], **extra}
        return Predictor(self.house.links[name]).mean_and_variance(rows, covariates)

    def _unit_sd(self, name: str, s2: Floats, rows: Levels, row: Ints, parameters: Ints) -> Floats:
        """Standard deviation between true units."""
        fit = self.house.links[name]
        spread = fit.spread
        unit = np.exp(spread.log_factors(rows["source"], rows["family"])[0])[row] * spread.plain(s2)
        sigma2 = fit.posterior.sigma[parameters] ** 2
        total = sigma2 * (spread.noise + unit)
        return np.asarray(np.sqrt(np.maximum(total - spread.noise, 0.05 * unit)))

    def _pair(self, rows: Levels, row: Ints, parameters: Ints) -> tuple[Floats, Floats]:
        """Expected combinations of tracking and built-in angle (2, m, n) and covariance (2, 2, m, n)."""
        mean, cov = self.house.angles.moments(rows, rows, len(rows["warm"]))
        return mean[:, parameters, row], cov[:, :, parameters, row]

    def _angles(self, pair: Floats) -> Floats:
        """Tracking and built-in angle (2, m, n) from the combinations."""
        centres = np.array([LINK[n].centre for n in PAIRED])
        flat = np.linalg.solve(self.house.turn, pair.reshape(2, -1)).reshape(pair.shape)
        return np.asarray(flat + centres[:, None, None])

    def _figures(self, enquiries: Columns, rows: Levels, row: Ints) -> dict[str, Floats]:
        """Force, compliance and length per draw: told, or the family's own, or predicted."""
        out = {}
        for name in SPECIFICATIONS:
            own = self.house.facts.figure(name, rows["family"])
            mean, sd = self.house.facts.specs[name].predict(rows)
            sd = np.where(np.isnan(own), sd, 0.0)
            mean = np.where(np.isnan(own), mean, np.log(own))
            value = np.exp(mean[row] + sd[row] * self._z[name])
            told = numbers(enquiries, name)[:, None]
            out[name] = np.where(np.isnan(told), value, told)
        return out

    def _sag(
        self, figures: dict[str, Floats], rows: Levels, row: Ints, parameters: Ints, visit: Earlier
    ) -> tuple[Floats, Floats, Floats, Ints]:
        """True tracking, built-in angle and sag per draw, and which draw each now stands for."""

        def scale(angle: Floats, force: Floats | None = None) -> Floats:
            clipped = np.clip(angle, SMALLEST_VTA_DEG, LARGEST_VTA_DEG)
            n = figures["vtf_mn"] if force is None else force
            return sag_scale_deg(n, figures["compliance_um_per_mn"], figures["cantilever_length_mm"], clipped)

        mean, cov = self._pair(rows, row, parameters)
        own_force = self.house.facts.usual_force_mn(rows["family"])[row]
        own_force = np.where(np.isnan(own_force), figures["vtf_mn"], own_force)
        unread = self.house.facts.tracking_unread(rows["family"])[row]
        s2 = scale(np.where(unread, TYPICAL_VTA_DEG, self._angles(mean)[0]), own_force) ** 2
        sd = np.stack([self._unit_sd(n, s2, rows, row, parameters) for n in PAIR])
        sd_sag = self._unit_sd("sag", s2, rows, row, parameters)
        z1, z2, zs = self._unit_factor @ np.stack([self._z[f"unit_{x}"] for x in ("1", "2", "sag")])
        coef = correlate_normals(cov, self._z["coef_1"], self._z["coef_2"])
        fault = np.stack([self._fault("tracking", "t"), self._fault("built_in", "b")])[:, None, :]
        angles = self._angles(mean + coef + sd * np.stack([z1, z2])[:, None, :]) + fault
        beta = self._slope(rows, row, parameters)
        slope = np.maximum(beta + sd_sag / np.sqrt(s2) * zs, SMALLEST_SLOPE)
        times = np.clip(figures["vtf_mn"] / own_force, *FORCE_LIMITS)
        apart = np.where(unread, TYPICAL_VTA_DEG - self._angles(mean + coef)[0], 0.0)
        pressed = self._pressed(angles[0], beta * scale(angles[0] + apart, own_force), times)
        angles[0] += pressed
        taught = angles[0] + apart
        sag_fault = np.broadcast_to(self._fault("sag", "sag"), row.shape)
        pick = np.broadcast_to(np.arange(self.n), row.shape)
        if visit.told.size:
            sag = slope * scale(taught) + sag_fault
            cov[0, 0] += sd[0] ** 2
            cov[1, 1] += sd[1] ** 2
            middle = self._angles(mean) + fault
            middle[0] += pressed
            profile = rows["profile"][row]
            sag = np.maximum(sag, 0.0)
            angles, pick = self._condition(angles, middle, cov, sag, visit, parameters, profile)
            slope, sag_fault, unread, taught, *kept = (
                np.take_along_axis(x, pick, axis=1)
                for x in (slope, sag_fault, unread, taught, *figures.values())
            )
            taught = np.where(unread, taught, angles[0])
            figures = dict(zip(figures, kept, strict=True))
        sag = np.maximum(slope * scale(taught) + sag_fault, 0.0)
        return angles[0], angles[1], sag, pick

    @staticmethod
    def _pressed(tracking: Floats, sag: Floats, times: Floats) -> Floats:
        """What ``times`` the family's own force adds to the angle of a record still."""
        out, off = np.zeros(tracking.shape), np.abs(times - 1.0) > 1e-9
        if off.any():
            still = np.clip(tracking[off], SMALLEST_VTA_DEG, LARGEST_VTA_DEG)
            out[off] = pressed_deg(still, sag[off], times[off], TYPICAL_DRAG_RATIO)
        return out

    def _since_visit(self, parameters: Ints) -> Floats:
        """What use since the earlier visit, of which nobody tells, does to tracking and built-in angle."""
        hours = HOURS_BETWEEN_VISITS * np.random.default_rng(0).standard_exponential(self.n)
        slopes = self.house.angles.slope("aged")[:, parameters]
        turned = np.linalg.solve(self.house.turn, slopes.reshape(2, -1)).reshape(slopes.shape)
        return np.asarray(turned * hours / 1000.0)

    def _covariate(self, link: str, name: str) -> Floats:
        """Mean slope of a link on a covariate, per kept draw; 0 where the link doesn't have it."""
        fit = self.house.links[link]
        fixed, (coef, _) = fit.gram.design.fixed, fit.coefficients
        return (
            np.asarray(coef[:, fit.gram.design.q + fixed.index(name)])
            if name in fixed
            else np.zeros(len(coef))
        )

    def _slope(self, rows: Levels, row: Ints, parameters: Ints) -> Floats:
        """Sag over sag scale per draw, the unit's own part aside."""
        extra = {"s": np.ones(len(rows["warm"])), "s_warm": rows["warm"], "s_aged": rows["aged"]}
        mean, var = self._moments("sag", rows, extra)
        slope = mean[parameters, row] + np.sqrt(var[parameters, row]) * self._z["coef_sag"]
        slope *= self.house.facts.softness(rows["frequency"])[row]
        return np.asarray(np.maximum(slope, SMALLEST_SLOPE))

    def _condition(
        self,
        angles: Floats,
        mean: Floats,
        pair_cov: Floats,
        sag: Floats,
        visit: Earlier,
        parameters: Ints,
        profile: NDArray[np.object_],
    ) -> tuple[Floats, Ints]:
        """Angles of enquiries that tell readings of the unit, given these; the others as they are."""
        back = np.linalg.inv(self.house.turn)
        cov = np.einsum("ik,klmn,jl->ijmn", back, pair_cov, back)
        since, noise = self._since_visit(parameters), self._told_noise
        return condition_on_earlier(angles, mean, cov, sag, visit, noise, since=since, profile=profile)

    def _fault(self, link: str, short: str) -> Floats:
        """What defective units add, as often and as far as the fleet's own were beyond the cut."""
        fit = self.house.links[link]
        u, z = self._u[f"fault_{short}"], self._z[f"jump_{short}"]
        sign = np.where(u < 0.5 * fit.cut_share, -1.0, 1.0)
        return np.where(u < fit.cut_share, sign * fit.cut_size * np.exp(JUMP_LOG_SD * z), 0.0)

    def _room(self, enquiries: Columns, rows: Levels, row: Ints, parameters: Ints) -> Floats:
        told = numbers(enquiries, "tilt_room_deg")[:, None]
        fit = self.house.links["tilt_room"]
        mean, var = self._moments("tilt_room", rows, {})
        unit = fit.posterior.sigma[parameters] ** 2 * fit.spread.plain(np.ones(1))[0]
        room = mean[parameters, row] + np.sqrt(var[parameters, row] + unit) * self._z["room"]
        return np.where(np.isnan(told), np.maximum(room, 0.0), told)

    def _read(
        self,
        t: Floats,
        b: Floats,
        sag: Floats,
        room: Floats,
        row: Ints,
        parameters: Ints,
        rows: Levels,
        chosen: tuple[Scenarios, ...],
    ) -> Draws:
        noise = self.house.noise_now
        e_static = noise["sra_static_deg"] * self._z["read_static"]
        same = shared_by_rakes(noise)
        own = same * self._z["read_static"] + np.sqrt(1.0 - same**2) * self._z["read_dynamic"]
        e_dynamic = noise["sra_dynamic_deg"] * own
        e_vta = noise["vta_dynamic_deg"] * self._z["read_vta"]
        no_rake = np.where((rows["profile"] == SPHERICAL)[row], np.nan, 0.0)
        sra_true, vta_true = t + b - sag + no_rake, t - sag
        sra_static = t + b + e_static + no_rake
        sra, vta = sra_true + e_dynamic, vta_true + e_vta
        read_sag = np.where(np.isnan(no_rake), sag, sra_static - sra)
        return Draws(
            sra_true, vta_true, read_sag, sra, vta, sra - vta, sra_static, room, row, parameters, rows, chosen
        )

    def minutes(self, draws: Draws, tilt_deg: Floats, conflict: NDArray[np.bool_]) -> Floats:
        """Bench time per draw [min], given the tilt chosen and whether the built-in angle rules both out."""
        fit = self.house.links["minutes"]
        rows, row, parameters = draws.rows, draws.row, draws.parameters
        m = len(rows["warm"])
        mean, var = self._moments("minutes", rows, {"tilted": np.ones(m), "conflict": np.zeros(m)})
        tilted, clash = self._covariate("minutes", "tilted"), self._covariate("minutes", "conflict")
        log_minutes = mean[parameters, row] + np.sqrt(var[parameters, row]) * self._z["coef_minutes"]
        log_minutes += tilted[parameters] * (np.abs(tilt_deg) - 1.0) + clash[parameters] * conflict
        unit = fit.posterior.sigma[parameters] * np.sqrt(fit.spread.plain(np.ones(1))[0])
        return np.asarray(np.exp(log_minutes + unit * self._z["unit_minutes"]))
