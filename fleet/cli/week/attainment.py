"""Review how often the targets were met: `fleet attainment`."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.cli import common
from fleet.cli.common import Period, say
from fleet.cli.tables import table
from fleet.cli.week.attainment_comparisons import (
    other_policy,
    show_capability,
    show_funnel,
    show_trends,
    show_what_if,
)
from fleet.errors import FleetError
from fleet.numerals import NOT_KNOWN, count, percent, percent_span, percents
from fleet.words import measure as measure_words

if TYPE_CHECKING:
    import pandas as pd

    from fleet.attainment.conformity import Noise
    from fleet.policy.policy import Policy
    from fleet.store import Store

_STATES: Final = ("level", "reachable", "built")
_LEGEND: Final = (
    "How often each target was met (95 % interval): on a level headshell, reachable by some tilt, as built. "
    "Where no tilt meets both: the built-in angle rules it out, or the tilt room does."
)


class Measure(StrEnum):
    """The rates of an attainment table."""

    RAKE_LEVEL = "rake_level"
    RAKE_REACHABLE = "rake_reachable"
    RAKE_BUILT = "rake_built"
    TRACKING_LEVEL = "tracking_level"
    TRACKING_REACHABLE = "tracking_reachable"
    TRACKING_BUILT = "tracking_built"
    BOTH_LEVEL = "both_level"
    BOTH_REACHABLE = "both_reachable"
    BOTH_BUILT = "both_built"
    CONFLICT_BUILT_IN = "conflict_built_in"
    CONFLICT_REACH = "conflict_reach"


class NoiseSource(StrEnum):
    """Where the reading noise comes from."""

    HOUSE = "house"
    REPEATS = "repeats"


def attainment(
    by: Annotated[
        str | None,
        typer.Option(
            "--by",
            metavar="COLUMN[,COLUMN]",
            help="Grouping columns, or kind (as if left out); 'all' for the whole fleet.",
            show_default=False,
            autocompletion=common.column_begun,
        ),
    ] = None,
    per: common.PerOption = None,
    publish: Annotated[
        bool,
        typer.Option("--publish", help="For others' eyes: no small group shows (fleet explain sharing)."),
    ] = False,
    min_units: common.MinUnitsOption = None,
    pooled: Annotated[
        bool, typer.Option("--pooled", help="Draw small groups' rates toward the fleet's.")
    ] = False,
    chance: Annotated[
        NoiseSource | None,
        typer.Option(
            "--chance",
            help="Add the chance that true angles meet it; reading noise of the house model or of repeats.",
            show_default=False,
        ),
    ] = None,
    measure: Annotated[
        Measure | None,
        typer.Option(
            "--measure",
            help="One rate alone; both_reachable for --pooled, --chance, --trend and --funnel if left out.",
            show_default=False,
        ),
    ] = None,
    what_if: Annotated[
        str | None,
        typer.Option(
            "--what-if",
            metavar="NAME|FILE|KEY=VALUE",
            help="The same units under another policy, one of its file, or with keys changed.",
            show_default=False,
        ),
    ] = None,
    trend: Annotated[
        bool, typer.Option("--trend", help="Test each group for a rise or fall, by --per or by year.")
    ] = False,
    funnel: Annotated[
        bool, typer.Option("--funnel", help="Set groups (sources if no --by) against chance's limits.")
    ] = False,
    capability: Annotated[
        bool, typer.Option("--capability", help="Cp and Cpk of the built angles, with cautions.")
    ] = False,
    out: common.OutOption = None,
    policy: common.PolicyFileOption = None,
    policy_name: common.PolicyNameOption = None,
    store: common.StoreOption = None,
) -> None:
    """Review how often the targets were met: level, reachable by a tilt, as built.

    A unit counts once, by its newest sheet. Needs no house model, but for --chance house.
    """
    if measure is not None and (what_if is not None or capability):
        raise FleetError("--measure doesn't go with --what-if or --capability; leave it out.")
    _one_at_a_time(pooled or chance is not None, (what_if is not None, trend, funnel, capability))
    _fit_for_others(publish, min_units, (what_if is not None, capability, chance is not None))
    policies = common.policies_from(policy, policy_name, keep_in=common.the_store(store))
    chosen = policies["default"]
    other = None if what_if is None else other_policy(what_if, chosen, policies)
    period = Period.YEAR if trend and per is None else per
    groups = _groups(by, "assembly_source" if funnel else "kind")
    where = common.the_store(store).open()
    if publish:
        shared = _published(where, groups, chosen, period, min_units, pooled=pooled)
        _show_published(shared, measure, period if trend else None, chosen, out, funnel=funnel)
        return
    sheets = _sheets(where, groups, period, repeats=chance is NoiseSource.REPEATS)
    told = period.value if period else None
    if other is not None or capability:
        _show_states(sheets, groups, chosen, other, told, out)
        return
    counted = measure or Measure.BOTH_REACHABLE
    noise = None if chance is None else _noise(chance, where, sheets, counted)

    from fleet.attainment.attainment import attainment as review

    found = review(sheets, groups, chosen, told, pooled=pooled, noise=noise)
    if trend or funnel:
        _show_comparison(found, counted, told if trend else None, chosen, out)
    elif common.write_out(found, out) and out is None:
        show_attainment(found, chosen, measure=measure, noise=noise)


def _one_at_a_time(more: bool, others: tuple[bool, ...]) -> None:
    if sum(others) > 1:
        raise FleetError("one at a time: --what-if, --trend, --funnel or --capability.")
    if any(others) and more:
        raise FleetError("--pooled and --chance go with the plain table; leave the other question out.")


def _fit_for_others(publish: bool, min_units: int | None, more: tuple[bool, ...]) -> None:
    if publish and any(more):
        raise FleetError(
            "--publish goes with counts under one policy: --what-if, --capability and --chance would let "
            "others subtract; leave them out."
        )
    if min_units is not None and not publish:
        raise FleetError("--min-units goes with --publish.")


def _published(
    store: Store,
    groups: list[str],
    policy: Policy,
    per: Period | None,
    min_units: int | None,
    *,
    pooled: bool,
) -> pd.DataFrame:
    """The table for others; forms groups of the units that came in since the last one."""
    from fleet.attainment.publishing import check_published, published_attainment
    from fleet.store.sharing import UNITS

    told = per.value if per else None
    check_published(groups, told)
    ready = common.published_groups(store, policy, min_units)
    parts = [(g.labels, g.units, g.counts or {}) for g in ready.of(UNITS)]
    return published_attainment(parts, groups, policy, told, pooled=pooled)


def _show_published(
    found: pd.DataFrame,
    measure: Measure | None,
    per: Period | None,
    policy: Policy,
    out: str | None,
    *,
    funnel: bool,
) -> None:
    if per is not None or funnel:
        counted = measure or Measure.BOTH_REACHABLE
        _show_comparison(found, counted, per.value if per else None, policy, out)
    elif common.write_out(found, out) and out is None:
        show_attainment(found, policy, measure=measure)


def _groups(by: str | None, usual: str) -> list[str]:
    if by is not None and by.strip() == "all":
        return []
    return [name.strip() for name in (by or usual).split(",") if name.strip()]


def _sheets(store: Store, groups: list[str], per: Period | None, *, repeats: bool) -> pd.DataFrame:
    """Only the columns that count; a grouping column that there isn't is refused by the review itself."""
    from fleet.attainment.attainment import needed_columns
    from fleet.store import CURRENT_COLUMNS, pick_sheets

    wanted = needed_columns(groups, per.value if per else None)
    if repeats:
        wanted = list(dict.fromkeys([*wanted, "unit", "measured_on"]))
    told = CURRENT_COLUMNS if repeats else set(CURRENT_COLUMNS) - {"newest", "purpose"}
    return pick_sheets(store, [name for name in wanted if name in told], counting=not repeats, coded=True)


def _noise(source: NoiseSource, store: Store, sheets: pd.DataFrame, measure: Measure) -> Noise:
    from fleet.attainment.conformity import Noise, reading_noise

    if measure.value.startswith("conflict"):
        raise FleetError("--chance tells how sure a target is met; name a --measure that is no conflict.")
    if source is NoiseSource.REPEATS:
        return reading_noise(sheets)
    noise = common.the_house(store).noise
    return Noise(noise["sra_dynamic_deg"], noise["vta_dynamic_deg"])


def _show_states(
    sheets: pd.DataFrame,
    groups: list[str],
    policy: Policy,
    other: Policy | None,
    per: str | None,
    out: str | None,
) -> None:
    """Print or write what is judged from the units themselves: what-if, or capability."""
    from fleet.attainment.comparisons import what_if
    from fleet.attainment.group_capability import capabilities

    if other is None:
        found = capabilities(sheets, groups, policy, per)
        if common.write_out(found, out) and out is None:
            show_capability(found, policy)
        return
    found = what_if(sheets, groups, policy, other, per)
    if common.write_out(found, out) and out is None:
        show_what_if(found, policy, other)


def _show_comparison(
    found: pd.DataFrame, measure: Measure, per: str | None, policy: Policy, out: str | None
) -> None:
    """Print or write a trend (`per` given) or a funnel of an attainment table."""
    from fleet.attainment.comparisons import source_funnel, trends

    if found.empty:
        raise FleetError("the store holds no unit to compare; take sheets in first.")
    if per is not None:
        tested = trends(found, measure.value)
        if common.write_out(tested.assign(policy=policy.label), out) and out is None:
            show_trends(tested, measure.value, per, policy)
        return
    against, limits = source_funnel(found, measure.value)
    if common.write_out(against.assign(policy=policy.label), out) and out is None:
        show_funnel(against, limits, measure.value, policy)


def show_attainment(
    found: pd.DataFrame,
    policy: Policy,
    *,
    measure: Measure | None = None,
    noise: Noise | None = None,
) -> None:
    """Print the review for a reader: rake, tracking and both by group, with intervals, and why not.

    Parameters
    ----------
    found : the attainment table.
    policy : the targets, told in words.
    measure : the one rate to show; all of them, a table a target, if left out. Also whose pooled rate or
        chance is shown, where the table has them.
    noise : reading noise behind the chances.
    """
    from fleet.report.paper import policy_words

    labels = list(found.columns[: list(found.columns).index("units")])
    total = int(found["units"].sum())
    label = found["policy"].iloc[0] if len(found) else NOT_KNOWN
    say(f"{count(total, 'unit')}, each by its newest sheet; policy {label}: {policy_words(policy)}.")
    if found.empty:
        return
    groups: dict[str, list[Any]] = {name.replace("_", " "): list(found[name]) for name in labels}
    groups["units"] = list(found["units"])
    asked = (measure or Measure.BOTH_REACHABLE).value
    say(_LEGEND)
    if measure is None:
        for target, words in (("rake", "Rake"), ("tracking", "Tracking angle"), ("both", "Both targets")):
            say()
            say(f"{words}:")
            say(table(groups | _target(found, target, asked if target == "both" else ""), digits=0))
    else:
        say(table(groups | {_named(asked): _rates(found, asked)} | _beyond(found, asked), digits=0))
    if f"{asked}_pooled" in found:
        say("Pooled: drawn toward the fleet's rate as far as the group's own count is thin.")
    if noise is not None:
        rests_on = f"{noise.repeats} repeat readings" if noise.repeats else "the house model"
        say(
            f"Chance: mean chance that the true angles meet it, with a reading noise of "
            f"{noise.rake_sd_deg:.2f}° on the rake and {noise.tracking_sd_deg:.2f}° on the tracking angle "
            f"({rests_on})."
        )


def _target(found: pd.DataFrame, target: str, asked: str) -> dict[str, list[Any]]:
    """The columns of one target: three states; for both also what is in the way, and what was asked for."""
    columns: dict[str, list[Any]] = {state: _rates(found, f"{target}_{state}") for state in _STATES}
    if target == "both":
        columns["built-in"] = _rates(found, "conflict_built_in", interval=False)
        columns["room"] = _rates(found, "conflict_reach", interval=False)
    return columns | _beyond(found, asked)


def _beyond(found: pd.DataFrame, asked: str) -> dict[str, list[Any]]:
    """Pooled rate and chance of a measure, where the table has them."""
    columns: dict[str, list[Any]] = {}
    if f"{asked}_pooled" in found:
        columns[f"{_named(asked)}, pooled"] = _rates(found, asked, rate="pooled", ends="pooled_")
    if f"{asked}_chance" in found:
        columns[f"{_named(asked)}, chance"] = percents(found[f"{asked}_chance"])
    return columns


def _named(asked: str) -> str:
    """A measure in words."""
    if asked.startswith("conflict"):
        return "ruled out by the built-in angle" if asked == "conflict_built_in" else "ruled out by the room"
    return measure_words(asked)


def _rates(
    found: pd.DataFrame, measure: str, *, interval: bool = True, rate: str = "rate", ends: str = ""
) -> list[str]:
    cells = []
    columns = [f"{measure}_{name}" for name in (rate, f"{ends}low", f"{ends}high")]
    for row in found[columns].itertuples(index=False):
        share, low, high = (float("nan") if value != value else float(value) for value in row)
        limits = f" ({percent_span(low, high).removesuffix(' %')})" if interval and share == share else ""
        cells.append(f"{percent(share)}{limits}")
    return cells
