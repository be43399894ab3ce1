"""What `fleet attainment` shows beside the plain rates: what-if, trends, funnel, capability."""

from __future__ import annotations

import contextlib
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fleet import words
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError
from fleet.numerals import percent, percent_spans, percents, unknown

if TYPE_CHECKING:
    import pandas as pd

    from fleet.policy.policy import Policy
    from fleet.statistics.proportions import Funnel

_ALARM: Final = 0.05
_WIDER: Final = 1.05
_SHOWN: Final = tuple(f"both_{state}" for state in words.STATES)
_ANGLES: Final = {"rake_built": "rake as built", "tracking_built": "tracking as built"}


def other_policy(wish: str, policy: Policy, policies: dict[str, Policy]) -> Policy:
    """Find the policy that the question names.

    Parameters
    ----------
    wish : a policy's name, a policy file (its `default`), or keys and values such as
        `tracking_limit_deg = 24; rake_accepted_deg = [90, 93]` that change `policy`.
    policy : the policy asked from.
    policies : the policies at hand, by name.

    Raises
    ------
    FleetError
        If it is none of these, or what it says can't be a policy.
    """
    from fleet.files.door import toml_tables
    from fleet.policy.files import load_policy

    if wish in policies:
        return policies[wish]
    told = " ".join(wish.split())[:100]
    if "=" in wish:
        changes = toml_tables(
            wish.replace(";", "\n"),
            no_toml=f"--what-if {told} can't be read; write it as tracking_limit_deg=24, "
            "or rake_accepted_deg=[90.0,93.0], several with ; between them",
        )
        return policy.but(**{**changes, "name": "what-if"})
    with contextlib.suppress(ValueError, OSError):  # a name may hold what no name can
        if Path(wish).is_file():
            return load_policy(wish)["default"]
    raise FleetError(
        f"--what-if {told} is neither a policy ({', '.join(policies)}) nor a policy file nor KEY=VALUE."
    )


def show_what_if(found: pd.DataFrame, policy: Policy, other: Policy) -> None:
    """Print the same units under two policies, and what changes between them."""
    labels = _labels(found, "measure")
    say(f"Nothing was measured again: the same units under {policy.label} and under {other.label}.")
    changed = [
        f"{f.name} {_told(getattr(policy, f.name))} -> {_told(getattr(other, f.name))}"
        for f in fields(policy)
        if f.name != "name" and getattr(policy, f.name) != getattr(other, f.name)
    ]
    say(f"Changed: {'; '.join(changed) or 'nothing'}.")
    shown = found[found["measure"].isin(_SHOWN)]
    if labels:
        shown = shown.sort_values(labels, kind="stable")
    columns = {name.replace("_", " "): list(shown[name]) for name in labels}
    columns |= {
        "met": [words.measure(name) for name in shown["measure"]],
        "units read": list(shown["n"]),
        "now": percents(shown["rate"]),
        "what if": percents(shown["rate_other"]),
        "gained": list(shown["gained"]),
        "lost": list(shown["lost"]),
    }
    say(table(columns, digits=0))
    say("Gained and lost: units. As built counts the tilts that were set, whatever the policy then was.")


def show_trends(found: pd.DataFrame, measure: str, per: str, policy: Policy) -> None:
    """Print which groups' rates rise or fall, with the many groups allowed for."""
    labels = _labels(found, "periods")
    tested = int(found["p_value"].notna().sum())
    moved = found[found["q_value"] < _ALARM]
    say(
        f"{_words(measure)}: {len(moved)} of {tested} groups that could be tested "
        f"{'moves' if len(moved) == 1 else 'move'} by more than chance (q below {_ALARM:g})."
    )
    columns = {name.replace("_", " "): list(found[name]) for name in labels}
    columns |= {
        f"{per}s": list(found["periods"]),
        "units read": list(found["n"]),
        f"change [points a {per}]": [None if unknown(s) else f"{100 * s:+.1f}" for s in found["slope"]],
        "p": [_p_text(p) for p in found["p_value"]],
        "q": [_p_text(q) for q in found["q_value"]],
    }
    say(table(columns, digits=0))
    say(
        "p: that chance alone draws as strong a trend (Cochran-Armitage); q: the same with the number of "
        "groups allowed for (Benjamini-Hochberg). A dash: too few units, or too few periods, to test."
    )
    say(f"Policy: {policy.label}.")


def show_funnel(found: pd.DataFrame, funnel: Funnel, measure: str, policy: Policy) -> None:
    """Print groups against the limits that chance would draw around their common rate."""
    labels = _labels(found, "n")
    outside = int((found["outside"] == "99.8").sum())
    say(
        f"{_words(measure)}: the common rate is {percent(funnel.centre)}; {outside} of {len(found)} groups "
        f"{'lies' if outside == 1 else 'lie'} beyond the 99.8 % limits."
    )
    if funnel.overdispersion**0.5 >= _WIDER:
        say(
            f"Groups scatter more than chance allows, all together: the limits are drawn "
            f"{funnel.overdispersion**0.5:.1f} times as wide."
        )
    ordered = found.sort_values("z", kind="stable")
    columns = {name.replace("_", " "): list(ordered[name]) for name in labels}
    columns |= {
        "units read": list(ordered["n"]),
        "rate": percents(ordered["rate"]),
        "95 % limits [%]": _limits(ordered, "95"),
        "99.8 % limits [%]": _limits(ordered, "998"),
        "z": [f"{z:+.1f}" for z in ordered["z"]],
        "beyond": [f"{level} %" if level else "" for level in ordered["outside"]],
    }
    say(table(columns, digits=0))
    say(words.CASE_MIX)
    say(f"Policy: {policy.label}.")


def show_capability(found: pd.DataFrame, policy: Policy) -> None:
    """Print Cp and Cpk of the built angles, and when not to go by them."""
    labels = _labels(found, "angle")
    low, high = policy.rake_accepted_deg
    say(
        f"Built angles against the accepted limits: rake {low:g} to {high:g}°, tracking angle up to "
        f"{policy.tracking_limit_deg:g}°."
    )
    few = found[found["cpk"].isna() & (found["n"] > 0)]
    found = found[found["n"] > 0]
    columns = {name.replace("_", " "): list(found[name]) for name in labels}
    columns |= {
        "angle": [_ANGLES[name] for name in found["angle"]],
        "units": list(found["n"]),
        "mean [°]": list(found["mean"]),
        "sd [°]": list(found["sd"]),
        "Cp (95 %)": _index(found, "cp"),
        "Cpk (95 %)": _index(found, "cpk"),
        "outside, counted": percents(found["outside_counted"]),
        "outside, if normal": percents(found["outside_normal"]),
    }
    say(table(columns))
    odd = found[found["caution"].str.startswith("The values")]
    if len(odd):
        said = "; ".join(
            " ".join([*(str(row[n]) for n in labels), row["angle"]]) for _, row in odd.iterrows()
        )
        say(f"Not normally distributed, go by the count: {said.replace('_built', '')}.")
    if len(few):
        say(f"{len(few)} of {len(found)} lines have too few units, or no spread, for an index: a dash.")
    say(f"Policy: {policy.label}.")


def _labels(found: pd.DataFrame, first: str) -> list[str]:
    """The grouping columns: those before the first figure."""
    return list(found.columns[: list(found.columns).index(first)])


def _words(measure: str) -> str:
    return words.measure(measure).capitalize()


def _told(value: Any) -> str:
    if isinstance(value, tuple):
        return " to ".join(_told(v) for v in value) if len(value) == 2 else str(list(value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _p_text(p: float) -> str | None:
    if unknown(float(p)):
        return None
    return "<0.0001" if p < 1e-4 else f"{p:.4f}"


def _limits(found: pd.DataFrame, level: str) -> list[str]:
    return percent_spans(found[f"low{level}"], found[f"high{level}"])


def _index(found: pd.DataFrame, name: str) -> list[str | None]:
    rows = zip(found[name], found[f"{name}_low"], found[f"{name}_high"], strict=True)
    return [None if unknown(float(v)) else f"{v:.2f} ({low:.2f} to {high:.2f})" for v, low, high in rows]
