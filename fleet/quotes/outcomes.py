"""Forecasts beside what the bench then read: the table that record and back-test are scored from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.alignment.targets import column, is_spherical
from fleet.alignment.tilt import choose_tilt, reach
from fleet.policy.policy import Policy
from fleet.policy.remedies import made_wedge, price
from fleet.rows import Floats
from fleet.statistics.quantile_forecasts import LEVELS

if TYPE_CHECKING:
    import pandas as pd

FORECAST: Final = (
    "sag_deg", "sra_dynamic_deg", "vta_dynamic_deg", "built_in_deg", "tilt_deg", "bench_minutes",
)  # fmt: skip
"""Quantities that are scored."""
READINGS: Final = ("sag_deg", "sra_dynamic_deg", "vta_dynamic_deg")
"""What the bench reads; the sentence on top speaks of these."""
SCORED_BY_RIVALS: Final = (*READINGS, "bench_minutes", "both_met", "wedge_made")
"""What other forecasters are scored on: CRPS of quantities, squared errors of chances."""
STANDINGS: Final = {
    "known": "family known",
    "new": "family never seen before",
    "not_told": "family not told",
}
"""How a quote stood to the model's families, by what was told."""
ABOUT: Final = (
    "enquiry_id", "sheet_no", "bench", "unit", "measured_on", "issued_at", "origin", "model_id", "standing",
    "body_family", "stylus_profile", "cantilever_material", "assembly_source", "generator", "facts",
    "stretch", "policy", "policy_label", "taught_intake",
)  # fmt: skip


@dataclass(frozen=True)
class ForecastPairs:
    """n forecasts that were answered by a sheet.

    Attributes
    ----------
    about : (n) rows, columns of `ABOUT`: which enquiry, sheet, family, model
    quantiles : per quantity of `FORECAST` the forecast, (n, levels); see
        `fleet.statistics.quantile_forecasts.LEVELS`
    read : per quantity what the bench read (n,), NaN where it didn't
    chances : (n) rows: `p_both_met`, `both_met`, `p_made_wedge`, `wedge_made`, `price_low`, `price_quoted`,
        `price_high`, `price_taken`; outcomes are 0, 1 or NaN
    rivals : scores of other forecasters, by rival and by `SCORED_BY_RIVALS` (n,); may be empty
    """

    about: pd.DataFrame
    quantiles: Mapping[str, Floats]
    read: Mapping[str, Floats]
    chances: pd.DataFrame
    rivals: Mapping[str, Mapping[str, Floats]]

    def __len__(self) -> int:
        return len(self.about)

    def where(self, keep: NDArray[np.bool_]) -> ForecastPairs:
        """The forecasts that pass."""
        return ForecastPairs(
            self.about[keep].reset_index(drop=True),
            {q: x[keep] for q, x in self.quantiles.items()},
            {q: x[keep] for q, x in self.read.items()},
            self.chances[keep].reset_index(drop=True),
            {r: {q: x[keep] for q, x in own.items()} for r, own in self.rivals.items()},
        )

    @property
    def families(self) -> NDArray[np.object_]:
        """The family of each, as the bench wrote it: what goes wrong for one goes wrong for its sisters."""
        return self.about["body_family"].astype(object).to_numpy()

    def groups(self, by: list[str], per: str | None = None) -> NDArray[np.object_]:
        """A label for each forecast: its group, and period of the measurement with `per`.

        Raises
        ------
        FleetError
            If a column or period is unknown.
        """
        from fleet.attainment.attainment import check_request, group_codes

        check_request(self.about, by, per)
        labels, codes = group_codes(self.about, by, per)
        words = [" · ".join(STANDINGS.get(str(x), str(x)) for x in row) for row in labels.to_numpy()]
        return np.array(words, dtype=object)[codes] if words else np.array([], dtype=object)


def pair_forecasts(forecasts: pd.DataFrame, sheets: pd.DataFrame) -> ForecastPairs:
    """Set forecasts beside the sheets that answered them.

    Parameters
    ----------
    forecasts : one row a forecast: facts and policy as JSON, chances, prices, which model, and per quantity
        its quantiles, a list a cell (None where it has none)
    sheets : the sheet of each, canonical columns with `unit`, row by row

    Returns
    -------
    Answered
        What a forecast's own policy makes of the readings (tilt, both met, wedge, price) is judged by the
        readings as they stand: reading noise belongs to the forecaster's task.
    """
    import pandas as pd

    own = forecasts.reset_index(drop=True)
    bench = sheets.reset_index(drop=True)
    shared = [c for c in ABOUT if c in bench and c not in {"enquiry_id"}]
    about = pd.concat([bench[shared], own[[c for c in ABOUT if c in own and c not in shared]]], axis=1)
    sra = np.where(is_spherical(bench), np.nan, column(bench, "sra_dynamic_deg"))
    static = np.where(is_spherical(bench), np.nan, column(bench, "sra_static_deg"))
    vta = column(bench, "vta_dynamic_deg")
    read = {
        "sag_deg": static - sra,
        "sra_dynamic_deg": sra,
        "vta_dynamic_deg": vta,
        "built_in_deg": sra - vta,
        "tilt_deg": np.full(len(own), np.nan),
        "bench_minutes": column(bench, "bench_minutes"),
    }
    chances = own[["p_both_met", "p_made_wedge", "price_low", "price_quoted", "price_high"]].astype(float)
    found = outcomes(own["policy"], bench)
    read["tilt_deg"] = found.pop("tilt_deg")
    told = chances.assign(**found)
    return ForecastPairs(about, _arrays(own), read, told, _kept_rivals(own.get("rivals"), len(own)))


def _arrays(forecasts: pd.DataFrame) -> dict[str, Floats]:
    """Quantiles as arrays; a cell without a list (a spherical stylus has no rake) is NaN throughout."""
    out = {}
    for q in FORECAST:
        rows = np.full((len(forecasts), len(LEVELS)), np.nan)
        for i, cell in enumerate(forecasts[q]):
            if isinstance(cell, list | np.ndarray):
                rows[i] = cell
        out[q] = rows
    return out


def outcomes(policies: pd.Series, bench: pd.DataFrame) -> dict[str, Floats]:
    """What a policy makes of each sheet's readings: tilt, both met or not, wedge made or not, price.

    Parameters
    ----------
    policies : a policy as JSON for each sheet (`policy_text`)
    bench : n sheets, canonical columns

    Returns
    -------
    dict
        `tilt_deg`, `both_met`, `wedge_made`, `price_taken`, (n,) each; NaN where the readings or the tilt
        room are not there.
    """
    n = len(bench)
    out = {name: np.full(n, np.nan) for name in ("tilt_deg", "both_met", "wedge_made", "price_taken")}
    spherical, room = is_spherical(bench), column(bench, "tilt_room_deg")
    sra = np.where(spherical, np.nan, column(bench, "sra_dynamic_deg"))
    vta, minutes = column(bench, "vta_dynamic_deg"), column(bench, "bench_minutes")
    whole = (~np.isnan(sra) | spherical) & ~np.isnan(vta) & ~np.isnan(room)
    for text in policies.unique():
        policy = policy_of(str(text))
        mine = (policies == text).to_numpy() & whole
        tilt = choose_tilt(sra[mine], vta[mine], room[mine], policy).tilt_deg
        out["tilt_deg"][mine] = tilt
        out["wedge_made"][mine] = made_wedge(tilt, policy)
        out["both_met"][mine] = reach(sra[mine], vta[mine], room[mine], policy).both
        out["price_taken"][mine] = price(minutes[mine], made_wedge(tilt, policy), policy)
    return out


def policy_text(policy: Policy) -> str:
    """The whole policy as JSON, to be kept beside a quote; not its name, which may be a customer's."""
    names = [name for name in policy.__dataclass_fields__ if name != "name"]
    return json.dumps({name: getattr(policy, name) for name in names}, sort_keys=True)


def policy_of(text: str) -> Policy:
    """The policy that `policy_text` wrote."""
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in json.loads(text).items()}
    return Policy(**values)


def _kept_rivals(texts: pd.Series | None, n: int) -> dict[str, dict[str, Floats]]:
    if texts is None or texts.isna().all():
        return {}
    rows = [json.loads(t) if isinstance(t, str) else {} for t in texts]
    names = dict.fromkeys(name for row in rows for name in row)
    return {
        name: {
            q: np.array([_figure(row.get(name, {}).get(q)) for row in rows], dtype=np.float64)
            for q in SCORED_BY_RIVALS
        }
        for name in names
    }


def _figure(value: object) -> float:
    return np.nan if value is None else float(str(value))


def join(parts: list[ForecastPairs]) -> ForecastPairs:
    """Several lots of forecasts as one."""
    import pandas as pd

    names = dict.fromkeys(name for part in parts for name in part.rivals)

    def rival(part: ForecastPairs, name: str, q: str) -> Floats:
        own = part.rivals.get(name, {}).get(q)
        return np.full(len(part), np.nan) if own is None else own

    scores = {
        name: {q: np.concatenate([rival(p, name, q) for p in parts]) for q in SCORED_BY_RIVALS}
        for name in names
    }
    return ForecastPairs(
        pd.concat([p.about for p in parts], ignore_index=True),
        {q: np.concatenate([p.quantiles[q] for p in parts]) for q in FORECAST},
        {q: np.concatenate([p.read[q] for p in parts]) for q in FORECAST},
        pd.concat([p.chances for p in parts], ignore_index=True),
        scores,
    )
