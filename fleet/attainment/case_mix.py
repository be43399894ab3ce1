"""Groups compared after allowing for what they make: a source of hard kinds isn't a worse source.

Each group is set against all others within each kind, and the kinds are added up: the expected count and its
variance are those of the Cochran–Mantel–Haenszel test. A kind that no other group makes says nothing.

References
----------
Mantel and Haenszel (1959), J. Natl. Cancer Inst. 22, 719-748.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError

LIMITS: Final = {"99.8": 3.090, "95": 1.960}
"""Standard normal deviates that chance passes, either way, in 2 and in 50 of 1000 (derived)."""
COLUMNS: Final = ("group", "n", "rate", "compared", "rate_compared", "expected", "difference", "z", "outside")


def case_mix(table: pd.DataFrame, measure: str, group: str, mix: str) -> pd.DataFrame:
    """Set each group against the others, kind by kind.

    Parameters
    ----------
    table : DataFrame
        Attainment by ``group`` and ``mix`` together (`fleet.attainment.attainment`).
    measure : str
        What is counted, as `both_reachable`.
    group, mix : str
        Columns: what is compared, and what is allowed for.

    Returns
    -------
    DataFrame
        One row a group, `COLUMNS`: units and rate; units of kinds that others make too, and their rate; the
        rate that those kinds would give; the difference; its z and whether it is beyond chance ("", "95",
        "99.8"). NaN where nothing can be compared.

    Raises
    ------
    FleetError
        If nothing was read.
    """
    read = table[table[f"{measure}_n"].to_numpy(dtype=float, na_value=0.0) > 0]
    if read.empty:
        raise FleetError(f"no unit was read for {measure}: there is nothing to compare")
    met = read.pivot_table(index=group, columns=mix, values=f"{measure}_met", aggfunc="sum", fill_value=0)
    n = read.pivot_table(index=group, columns=mix, values=f"{measure}_n", aggfunc="sum", fill_value=0)
    rows = [_row(str(name), met.loc[name], n.loc[name], met.sum(), n.sum()) for name in n.index]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(name: str, met: pd.Series, n: pd.Series, all_met: pd.Series, all_n: pd.Series) -> tuple[object, ...]:
    a, own, t, total = (s.to_numpy(dtype=float) for s in (met, n, all_met, all_n))
    others = total - own
    shared = (own > 0) & (others > 0)
    units, rate = int(own.sum()), a.sum() / own.sum()
    if not shared.any():
        return (name, units, rate, 0, np.nan, np.nan, np.nan, np.nan, "")
    a, own, others, t, total = (v[shared] for v in (a, own, others, t, total))
    compared = own.sum()
    expected = (own * t / total).sum()
    variance = (own * others * t * (total - t) / (total**2 * (total - 1))).sum()
    z = (a.sum() - expected) / np.sqrt(variance) if variance > 0 else 0.0
    beyond = next((level for level, limit in LIMITS.items() if abs(z) > limit), "")
    before, would = a.sum() / compared, expected / compared
    return (name, units, rate, int(compared), before, would, before - would, z, beyond)


def over_time(name: str, found: pd.DataFrame) -> str:
    """Whether one group's periods differ by more than its kinds explain.

    Parameters
    ----------
    name : of the group, in words.
    found : its periods against each other, as `case_mix` compares them.
    """
    told = found[found["z"].notna()]
    if len(told) < 2:
        return f"{name}: no two periods have a kind in common, so nothing can be said of a change."
    out = told[told["outside"] == "99.8"]
    if out.empty:
        return (
            f"{name}: allowing for kinds, none of {len(told)} periods stands off the others by more than "
            "chance explains (99.8 %)."
        )
    said = "; ".join(
        f"{r['group']} {100 * r['difference']:+.0f} points on what its kinds would give"
        for r in out.to_dict("records")
    )
    return (
        f"{name}: allowing for kinds, {len(out)} of {len(told)} periods stand beyond 99.8 % limits ({said})."
    )


def sentence(found: pd.DataFrame, raw_outside: int) -> str:
    """How many groups stand out once their kinds are allowed for, beside how many without."""
    told = found[found["z"].notna()]
    out = told[told["outside"] == "99.8"]
    names = ", ".join(out["group"]) or "none"
    return (
        f"Allowing for kinds, {len(out)} of {len(told)} sources stand beyond the 99.8 % limits ({names}); by "
        f"the raw rates {raw_outside} do."
    )
