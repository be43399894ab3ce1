"""The questions of the job, asked from a notebook: a model, checked sheets or facts, a policy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import pandas as pd

from fleet.alignment.align import align as solve
from fleet.alignment.alignment import Alignment
from fleet.alignment.readings import take_readings
from fleet.attainment.attainment import attainment as count_met
from fleet.errors import FleetError
from fleet.faults.one_unit import Verdict
from fleet.faults.one_unit import judge as judge_one
from fleet.faults.suspects import Suspects
from fleet.faults.suspects import suspects as find_suspects
from fleet.faults.verdicts import prior_from_verdicts
from fleet.faults.visits import fill_in
from fleet.fitting.fit import fit_store
from fleet.fitting.kept_model import load_house
from fleet.house_model.house import House
from fleet.notebook.sheets import (
    EnquiriesLike,
    SheetsLike,
    enquiries_of,
    readings_of,
    sheets_of,
    store_of,
)
from fleet.policy.own_target import own_target
from fleet.policy.policy import DEFAULT_NAME, Policy
from fleet.quotes.quote import Quotes
from fleet.quotes.quote import quote as quote_all
from fleet.quotes.recalibration import Recalibration
from fleet.results import Result
from fleet.store import CURRENT_COLUMNS, Store, count_faults, pick_sheets
from fleet.store.quotes import recalibration_text

if TYPE_CHECKING:
    from fleet.faults.likelihood_ratio import FaultPrior

HouseLike: TypeAlias = "House | Store"
Policies: TypeAlias = "Policy | Mapping[str, Policy] | None"


@dataclass(frozen=True, repr=False)
class Attainment(Result):
    """How often the targets were met, by group.

    Attributes
    ----------
    table : DataFrame
        As `fleet.attainment.attainment.attainment` makes it: a row a group, for each target units read, met,
        rate and its 95 % interval (Wilson).
    by : tuple of str
        The grouping columns.
    """

    table: pd.DataFrame
    by: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return the whole table as a frame of its own."""
        return self.table.copy()

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """Units and groups, and the share that meets both targets with some tilt."""
        groups = [name for name in (*self.by, "period") if name in self.table]
        both = [f"both_reachable_{end}" for end in ("n", "rate", "low", "high")]
        said = f"{self.table['units'].sum()} units in {len(self.table)} group{'s' * (len(self.table) != 1)}"
        return said, self.table[[*groups, "units", *both]]


def fit(sheets: SheetsLike) -> House:
    """Fit the house model on bench sheets, without a store's file; nothing is kept.

    Parameters
    ----------
    sheets : Sheets, DataFrame, Store, Path or str
        Bench sheets, checked as `read_sheets` does. Each unit teaches by its newest sheet, check pickups
        and sheets whose readings can't be true together never do.

    Returns
    -------
    House
        To be given to `quote`, `judge` and `suspects`. `fleet refit` is what keeps one in a store.

    Raises
    ------
    FleetError
        If a row is faulty.
    TooFewError
        If no sheet teaches.

    Examples
    --------
    >>> import fleet
    >>> fleet.fit("demo/demo-sheets.csv")
    House: 833 units, ... links
    """
    if isinstance(sheets, Store):
        return fit_store(sheets.open())
    with store_of(sheets_of(sheets)) as trial:
        return fit_store(trial)


def quote(
    house: HouseLike, enquiries: EnquiriesLike, *, policy: Policies = None, n_draws: int = 1024, seed: int = 0
) -> Quotes:
    """Say what to expect of pickups before they are on the bench; nothing is kept.

    Parameters
    ----------
    house : House or Store
        A fitted model, or a store: its model in use, with the correction that its track record asks for, and
        what it knows of a `serial`'s earlier visits.
    enquiries : DataFrame, mapping, Path or str
        Enquiries with `enquiry_id`, columns as in `fleet explain columns`, NaN or left out = not told; a
        file of them; or the facts of one pickup by name, such as ``{"vtf_mn": 18}`` [mN].
    policy : Policy or mapping of str to Policy, optional
        Target policy, or several by the names that enquiries use; the documented one without it.
    n_draws, seed : int
        Joint draws an enquiry, and their seed.

    Returns
    -------
    Quotes
        `to_frame()` has a row an enquiry: quantiles of the bench reading [degrees, min], chances of the true
        angles; `draws()` the joint draws.

    Raises
    ------
    FleetError
        If a fact can't be what it is said to be, or a policy isn't there; the lines are the command's.

    Examples
    --------
    >>> import fleet
    >>> store = fleet.open_store("demo/fleet.duckdb")
    >>> told = fleet.quote(store, {"stylus_profile": "line_contact", "cantilever_material": "boron"})
    >>> told
    Quotes: Expect rake ...
    >>> len(told.to_frame())
    1
    >>> fleet.quote(store, {"stylus_profile": "line-contact"})
    Traceback (most recent call last):
    fleet.errors.FleetError: stylus_profile: (12 characters, not shown) is not one of spherical, ...
    """
    asked = enquiries_of(enquiries)
    if (visits := _visits(house, asked)) is not None:
        asked, _ = fill_in(asked, visits, readings=True)
    use = None
    if isinstance(house, Store) and (text := recalibration_text(house)) is not None:
        use = Recalibration.from_text(text)
    policies = policy if isinstance(policy, Mapping) else {DEFAULT_NAME: policy or Policy()}
    by_name = {DEFAULT_NAME: Policy(), **policies}
    return quote_all(asked, house_of(house), by_name, n_draws=n_draws, seed=seed, recalibration=use)


def judge(
    house: HouseLike,
    readings: EnquiriesLike,
    *,
    policy: Policy | None = None,
    prior: FaultPrior | None = None,
) -> Verdict:
    """Say of one unit's readings whether they are normal for its kind, and what to do next.

    Parameters
    ----------
    house : House or Store
        A fitted model, or a store: its model in use, its verdicts moving the shares of faults, and what it
        knows of a `serial`'s earlier visits.
    readings : mapping, DataFrame, Path or str
        One sheet, or its readings by name, such as ``{"sra_dynamic_deg": 90.2}`` [degrees]; what isn't read
        yet may be missing.
    policy : Policy, optional
        Targets for the advice; the documented ones without it.
    prior : FaultPrior, optional
        Shares of faults.

    Returns
    -------
    Verdict
        `sentence`, `lines`, `alignment`; `to_frame()` is a row as of `suspects`.

    Raises
    ------
    FleetError
        If a reading can't be what it is said to be, or there are several sheets.

    Examples
    --------
    >>> import fleet
    >>> store = fleet.open_store("demo/fleet.duckdb")
    >>> unit = {"stylus_profile": "line_contact", "cantilever_material": "boron"}
    >>> angles = {"sra_static_deg": 91.0, "sra_dynamic_deg": 90.2, "vta_dynamic_deg": 22.0}
    >>> found = fleet.judge(store, unit | angles)
    >>> bool(found.row["flagged"])
    False
    """
    sheet = readings_of(readings)
    if (visits := _visits(house, sheet)) is not None:
        sheet, _ = fill_in(sheet, visits, readings=False)
    shares = prior or _prior(house)
    return judge_one(house_of(house), sheet, policy or Policy(), prior=shares, visits=visits)


def suspects(
    house: HouseLike,
    sheets: SheetsLike | None = None,
    *,
    fdr: float = 0.05,
    policy: Policy | None = None,
    prior: FaultPrior | None = None,
) -> Suspects:
    """List the units that are not normal for their kind, each judged without its own part in the model.

    Parameters
    ----------
    house : House or Store
        A fitted model, or a store: its model in use, its verdicts moving the shares of faults.
    sheets : Sheets, DataFrame, Store, Path or str, optional
        Bench sheets, checked as `read_sheets` does; the store's own without them.
    fdr : float
        Share of false alarms that the list may hold, 0 to 1.
    policy : Policy, optional
        The targets that a fault may put out of reach.
    prior : FaultPrior, optional
        Shares of faults.

    Returns
    -------
    Suspects
        `to_frame()` has a row a sheet, flagged units first.

    Raises
    ------
    FleetError
        If a row is faulty, or there are no sheets.

    References
    ----------
    The rate of false alarms: Benjamini and Hochberg (1995), J. R. Statist. Soc. B 57, 289-300.

    Examples
    --------
    >>> import fleet
    >>> fleet.suspects(fleet.open_store("demo/fleet.duckdb"), fdr=0.05)
    Suspects: 835 units judged, ...
    """
    source = house if sheets is None and isinstance(house, Store) else sheets
    if source is None:
        raise TypeError("suspects() needs sheets beside a fitted model")
    if not 0.0 < fdr < 1.0:
        raise FleetError(f"fdr is {fdr!r}; give a share above 0 and below 1.")
    table = sheets_of(source).table
    return find_suspects(house_of(house), table, fdr=fdr, policy=policy, prior=prior or _prior(house))


def attainment(
    sheets: SheetsLike,
    *,
    by: str | Sequence[str] = (),
    per: str | None = None,
    policy: Policy | None = None,
    pooled: bool = False,
) -> Attainment:
    """Count how often the targets were met; a unit counts once, by its newest sheet.

    Parameters
    ----------
    sheets : Sheets, DataFrame, Store, Path or str
        Bench sheets, checked as `read_sheets` does.
    by : str or sequence of str
        Grouping columns, or `kind` (stylus profile / cantilever material).
    per : str, optional
        `year`, `quarter` or `month` of the measurement.
    policy : Policy, optional
        What counts as met; the documented targets without it.
    pooled : bool
        Add rates drawn toward the fleet.

    Returns
    -------
    Attainment
        `to_frame()` has a row a group: `units`, and for each target `_n`, `_met`, `_rate`, `_low`, `_high`.

    Raises
    ------
    FleetError
        If a row is faulty, or a column or period unknown.

    References
    ----------
    Intervals: Wilson (1927), J. Am. Statist. Assoc. 22, 209-212.

    Examples
    --------
    >>> import fleet
    >>> fleet.attainment("demo/demo-sheets.csv")
    Attainment: 835 units in 1 group
    >>> fleet.attainment("demo/demo-sheets.csv", by="stylus_profile").to_frame()["units"].sum()
    np.int64(835)
    """
    groups = [by] if isinstance(by, str) else list(by)
    table = count_met(sheets_of(sheets).table, groups, policy or Policy(), per, pooled=pooled)
    return Attainment(table, tuple(groups))


def align(
    readings: EnquiriesLike,
    *,
    house: HouseLike | None = None,
    policy: Policy | None = None,
    arm_length_mm: float | None = None,
) -> Alignment:
    """Solve one unit's whole alignment: tilt, roll and turn, each with its doubt.

    Parameters
    ----------
    readings : mapping, DataFrame, Path or str
        One sheet, or its readings by name [degrees, mm], on a level headshell; some may be missing.
    house : House or Store, optional
        Predicts rake, tracking angle and tilt room where they are missing; without it advice that would need
        them is withheld.
    policy : Policy, optional
        Targets, limits, wedges; the documented ones without it.
    arm_length_mm : float, optional
        Stylus tip to the arm's bearing [mm], for the bearing's height.

    Returns
    -------
    Alignment
        Corrections [degrees], what they give, mountings [mm], steps in the order of the hands; `to_frame()`
        is one row.

    Raises
    ------
    FleetError
        If a reading can't be what it is said to be, or a length is impossible.

    Examples
    --------
    >>> import fleet
    >>> unit = {"stylus_profile": "line_contact", "sra_dynamic_deg": 88.0, "vta_dynamic_deg": 18.5}
    >>> found = fleet.align(unit | {"tilt_room_deg": 4})
    >>> round(found.tilt.degrees, 2)
    3.0
    >>> fleet.align({"vta_dynamic_deg": 18.5}).tilt.decision
    'withheld'
    """
    sheet = readings_of(readings).iloc[0]
    model = None if house is None else house_of(house)
    own = own_target(sheet.to_dict(), policy or Policy())
    return solve(take_readings(sheet.to_dict(), house=model), own, arm_length_mm=arm_length_mm)


def house_of(house: HouseLike) -> House:
    """The model itself, or that of a store in use."""
    return load_house(house.open()) if isinstance(house, Store) else house


def _visits(house: HouseLike, rows: pd.DataFrame) -> pd.DataFrame | None:
    """Earlier sheets of the rows' serials; None where none is told, or no store asked."""
    tokens = rows["serial_token"].dropna().astype(str).unique().tolist() if "serial_token" in rows else []
    if not isinstance(house, Store) or not tokens:
        return None
    return pick_sheets(house, CURRENT_COLUMNS, where={"serial_token": tokens, "purpose": ["unit"]})


def _prior(house: HouseLike) -> FaultPrior | None:
    """Shares of faults as a store's verdicts have moved them; None = the documented ones."""
    from fleet.faults.likelihood_ratio import FaultPrior

    return prior_from_verdicts(FaultPrior(), count_faults(house)) if isinstance(house, Store) else None
