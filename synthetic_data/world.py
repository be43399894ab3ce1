"""An invented bench world with known truth.

    world = World(WorldSpec(seed=1))
    sheets, truth = world.sheets(1500)                  # canonical columns; what was really there
    enquiries, outcomes, truth = world.enquiries(100)   # facts half told; what the bench then read
    world.draws({"body_family": "F003"}, 4000)          # the true predictive distribution

Families, sources and habits depend on the spec alone. What is drawn from them depends on the spec, on the
number asked for and on `stream`: ask twice alike and it is the same; another `stream` is another sample of
the same world.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.errors import FleetError
from synthetic_data import bench, frames
from synthetic_data.balance import Floats
from synthetic_data.catalogue import Catalogue, Ints, draw_catalogue
from synthetic_data.facts import NOT_TOLD, hide_facts, line_weights, visit_weights
from synthetic_data.readings import STEPS, read, round_readings, slip
from synthetic_data.spec import FAULTS, SLIPS, Noise, Spread, WorldSpec
from synthetic_data.units import Stand, Units, draw_faults, draw_units, stand

__all__ = ["FAULTS", "NOT_TOLD", "SLIPS", "Noise", "Spread", "World", "WorldSpec"]

_SHEETS, _ENQUIRIES, _DRAWS = 2, 3, 4
_OPERATOR_SHARES = (0.57, 0.31, 0.12)
_VISIT_OVERSAMPLING = 40


class World:
    """One invented world; see the module's text.

    Attributes
    ----------
    spec : WorldSpec
    catalogue : Catalogue
        True table of families and sources (`catalogue.frame`).
    """

    def __init__(self, spec: WorldSpec) -> None:
        self.spec = spec
        self.catalogue: Catalogue = draw_catalogue(spec)

    @property
    def families(self) -> list[str]:
        """Codes of the families that the bench meets, the commonest first."""
        lines = pd.DataFrame({"family": self.catalogue.column("body_family"), "share": self.catalogue.share})
        total = lines.groupby("family")["share"].sum()
        return [str(f) for f in total[total > 0].sort_values(ascending=False).index]

    def sheets(self, n: int, *, stream: int = 0) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Draw n bench sheets over the world's years, some units more than once.

        Returns
        -------
        (DataFrame, DataFrame)
            Sheets in canonical columns in the order of their dates; the truth, one row a sheet
            (`frames.truth_frame` lists its columns). 10^6 sheets take some seconds.
        """
        rng = np.random.default_rng([self.spec.seed, _SHEETS, stream])
        n_repeats = int(n * self.spec.repeat_share)
        n_units, n_retipped = n - n_repeats, int(n_repeats * self.spec.retip_share)
        line = rng.choice(len(self.catalogue.share), n_units, p=self.catalogue.share)
        again = rng.permutation(n_units)[:n_repeats]
        span = self.spec.years * 365.25
        first = rng.uniform(0.0, span, n_units)
        later = np.minimum(first[again] + 3.0 + rng.exponential(150.0, n_repeats), span)
        hours = np.round(1.5 * (later - first[again]))
        hours[:n_retipped] = 0.0
        # Retipped repeats are units of their own behind the others, under the serial they had.
        units = self._units(rng, np.concatenate([line, line[again[:n_retipped]]]), faults=True)
        fresh = n_units + np.arange(n_retipped)
        units.hours_used[fresh] = np.round(0.05 * units.hours_used[fresh])
        which = np.concatenate([np.arange(n_units), fresh, again[n_retipped:]])
        owner = np.concatenate([np.arange(n_units), again])
        day = np.floor(np.concatenate([first, later]))
        order = np.argsort(day, kind="stable")
        retipped = (which >= n_units)[order]
        visits = units.take(which[order]).aged(np.concatenate([np.zeros(n_units), hours])[order])
        sheets, truth = self._measure(rng, visits, day[order])
        sheets["peculiarities"] = frames.peculiarities(rng, visits, retipped)
        serials = np.array([f"X{u:07d}" for u in range(n_units)], dtype=object)[owner[order]]
        return frames.number_sheets(sheets, truth, serials, retipped.astype(np.int64), first_number=0)

    def enquiries(
        self,
        n: int,
        *,
        not_told: Mapping[str, float] | None = None,
        new_family_share: float = 0.0,
        visit_share: float = 0.0,
        stream: int = 0,
    ) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Draw n enquiries after the sheets' last day, and what the bench then reads.

        Parameters
        ----------
        not_told : mapping, optional
            Share of enquiries without a fact, by column; what is not named stays as in `NOT_TOLD`.
        new_family_share : float
            Share of enquiries about families that no sheet of this world shows.
        visit_share : float
            Share that also tell `sra_static_deg` and `vta_dynamic_deg` of an earlier visit.

        Returns
        -------
        (DataFrame, DataFrame, DataFrame)
            Enquiries (all enquiry columns); outcomes (sheets with `enquiry_id`); truth, one row an
            enquiry, with the true family beside what was told.
        """
        rng = np.random.default_rng([self.spec.seed, _ENQUIRIES, stream])
        share = self._mixed_share(new_family_share)
        line = rng.choice(len(share), n, p=share)
        units = self._units(rng, line, faults=True)
        day = np.sort(self._enquiry_days(rng, n))
        outcomes, truth = self._measure(rng, units, day)
        visit = self._read_before(rng, units, visit_share)
        serials = np.array([f"E{u:07d}" for u in range(n)], dtype=object)
        ids = np.array([f"Q{i + 1:06d}" for i in range(n)], dtype=object)
        outcomes["peculiarities"] = frames.peculiarities(rng, units, np.zeros(n, dtype=bool))
        assembly = np.zeros(n, dtype=np.int64)
        outcomes, truth = frames.number_sheets(outcomes, truth, serials, assembly, first_number=10_000_000)
        outcomes.insert(2, "enquiry_id", ids)
        truth.insert(0, "enquiry_id", ids)
        told = frames.full_enquiries(self.catalogue, units, ids, visit)
        return hide_facts(rng, told, {**NOT_TOLD, **(not_told or {})}), outcomes, truth

    def draws(
        self,
        facts: Mapping[str, Any],
        n: int,
        *,
        faults: bool | str = True,
        new_family_share: float = 0.0,
        stream: int = 0,
    ) -> pd.DataFrame:
        """Draw from the true predictive distribution given the facts of one enquiry.

        A told family is that family (also one met only in enquiries); otherwise the family comes from
        those that match what is told, in the world's own shares. A told tilt room counts as the unit's,
        an earlier visit's readings weigh the draws.

        Parameters
        ----------
        facts : mapping
            Enquiry columns; None or NaN is not told; other keys are ignored.
        faults : bool or str
            True: faulty units and slips in the world's shares; False: healthy units, no slips; the name
            of a fault: every unit has it.
        new_family_share : float
            Weight of the enquiry-only families where the family is not told.

        Returns
        -------
        DataFrame
            n rows: readings and the bench's answer as on a sheet (`sag_deg` = still minus turning rake
            reading, `built_in_deg` and `tilt_deg` from the readings), `fault`, and the truth as `true_…`.
        """
        rng = np.random.default_rng([self.spec.seed, _DRAWS, stream])
        weight = line_weights(self.spec, self.catalogue, facts, self._mixed_share(new_family_share))
        visit = visit_weights(facts)
        many = n * _VISIT_OVERSAMPLING if visit else n
        line = rng.choice(len(weight), many, p=weight)
        units = self._with_facts(self._units(rng, line, faults=faults), facts)
        if visit:
            units = units.take(self._matching_visit(rng, units, visit, n))
        temperature = facts.get("temperature_c")
        told = None if pd.isna(temperature) else np.full(n, float(temperature))
        day = self._enquiry_days(rng, n)
        sheets, truth = self._measure(rng, units, day, temperature_c=told, slips=faults is True, whole=True)
        return frames.draws_frame(sheets, truth)

    def healthy(self, family: str, n: int, *, stream: int = 0) -> pd.DataFrame:
        """Draw readings of healthy units of one family; columns as `draws`."""
        return self.draws({"body_family": family}, n, faults=False, stream=stream)

    @staticmethod
    def withhold(frame: pd.DataFrame, families: Iterable[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Split a frame by `body_family` into the rest and the withheld families."""
        held = frame["body_family"].isin(list(families))
        return frame[~held].reset_index(drop=True), frame[held].reset_index(drop=True)

    def _mixed_share(self, new_family_share: float) -> Floats:
        if not 0.0 <= new_family_share <= 1.0:
            raise FleetError(f"new_family_share is {new_family_share}; give a share between 0 and 1.")
        if new_family_share > 0 and self.catalogue.new_share.sum() == 0:
            raise FleetError("this world has no new families; set n_new_families above 0.")
        return (1.0 - new_family_share) * self.catalogue.share + new_family_share * self.catalogue.new_share

    def _units(self, rng: np.random.Generator, line: Ints, *, faults: bool | str) -> Units:
        spherical = self.catalogue.column("stylus_profile")[line] == "spherical"
        if isinstance(faults, str):
            if faults not in FAULTS:
                raise FleetError(f"no fault is called {faults!r}; use one of {', '.join(FAULTS)}.")
            fault: Ints = np.full(len(line), FAULTS.index(faults) + 1)
        else:
            fault = draw_faults(rng, spherical, self.spec.fault_share if faults else 0.0)
        return draw_units(rng, self.spec, self.catalogue, line, fault)

    def _with_facts(self, units: Units, facts: Mapping[str, Any]) -> Units:
        names = ("tilt_room_deg", "hours_used", "vtf_mn")
        told = {n: facts[n] for n in names if not pd.isna(facts.get(n))}
        return units.with_values(**{name: np.full(len(units), float(v)) for name, v in told.items()})

    def _matching_visit(
        self, rng: np.random.Generator, units: Units, visit: Mapping[str, float], n: int
    ) -> NDArray[np.intp]:
        """Draw n of the units by how well an earlier visit of theirs would give these readings."""
        upright, operator = self._earlier_visit(rng, units)
        log = np.zeros(len(units))
        for name, value in visit.items():
            habit = self.catalogue.operator_habit["sra_deg" if name.startswith("sra") else name][operator]
            sd = np.hypot(getattr(self.spec.noise, name), STEPS[name] / np.sqrt(12.0))
            sd = np.hypot(sd, self.spec.owner_sd_deg)
            log -= 0.5 * ((getattr(upright, name) + habit - value) / sd) ** 2
        if "sra_static_deg" in visit:
            log[self.catalogue.column("stylus_profile")[units.line] == "spherical"] = -np.inf
        weight = np.exp(log - log.max())
        return rng.choice(len(units), n, p=weight / weight.sum())

    def _read_before(self, rng: np.random.Generator, units: Units, share: float) -> dict[str, Floats]:
        upright, operator = self._earlier_visit(rng, units)
        keep = np.where(rng.random(len(units)) < share, 1.0, np.nan)
        readings = read(rng, self.spec, self.catalogue, units, upright, np.zeros(len(units)), operator)
        told = {name: keep * readings[name] for name in ("sra_static_deg", "vta_dynamic_deg")}
        if self.spec.owner_sd_deg > 0.0:
            off = self.spec.owner_sd_deg * rng.standard_normal((2, len(units)))
            told = {n: round_readings(n, v + e) for (n, v), e in zip(told.items(), off, strict=True)}
        return told

    def _earlier_visit(self, rng: np.random.Generator, units: Units) -> tuple[Stand, Ints]:
        temperature = self.temperature(rng, rng.uniform(0.0, 365.25, len(units)))
        operator = rng.choice(3, len(units), p=_OPERATOR_SHARES)
        return stand(self.spec, self.catalogue, units, temperature), operator

    def _enquiry_days(self, rng: np.random.Generator, n: int) -> Floats:
        """Days on which enquired units are measured: the quarter after the sheets."""
        return np.floor(self.spec.years * 365.25 + 1.0 + rng.uniform(0.0, 90.0, n))

    def temperature(self, rng: np.random.Generator, day: Floats) -> Floats:
        """Bench temperature [degrees C]: a season of half the variance, and the day's own."""
        season = np.cos(2.0 * np.pi * (day - 196.0) / 365.25)
        own = rng.standard_normal(len(day)) / np.sqrt(2.0)
        spread = self.spec.temperature_sd_c
        return round_readings("temperature_c", self.spec.temperature_mean_c + spread * (season + own))

    def _measure(
        self,
        rng: np.random.Generator,
        units: Units,
        day: Floats,
        *,
        temperature_c: Floats | None = None,
        slips: bool = True,
        whole: bool = False,
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Measure and handle the units; `whole` leaves nothing missing."""
        n = len(units)
        temperature = self.temperature(rng, day) if temperature_c is None else temperature_c
        upright = stand(self.spec, self.catalogue, units, temperature)
        operator = rng.choice(3, n, p=_OPERATOR_SHARES)
        clean = read(rng, self.spec, self.catalogue, units, upright, day, operator)
        share = self.spec.slip_share if slips else 0.0
        spoilt = np.flatnonzero((rng.random(n) < share) & (units.fault == 0))
        written, slip_code = slip(rng, clean, spoilt)
        if not whole:
            missing = np.where(self.catalogue.patchy[units.line], self.spec.patchy_missing_vta, 0.0)
            missing = np.maximum(missing, self.spec.missing_vta)
            written["vta_dynamic_deg"][rng.random(n) < missing] = np.nan
        done, remedy = bench.handle(rng, self.spec, self.catalogue, units, upright, clean)
        written |= done
        sheets = frames.sheet_frame(self.spec, self.catalogue, units, written, day, temperature)
        sheets["operator"] = np.array(["A", "B", "C"], dtype=object)[operator]
        sheets["remedy"] = remedy.astype(object)
        if not whole:
            sheets = frames.drop_facts(rng, self.spec, sheets, units.fault > 0)
        return sheets, frames.truth_frame(self.catalogue, units, upright, slip_code)
