"""What a house model has learnt, in words and figures, and whether its figures can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from fleet.house_model.chain import LINK, NOT_TOLD, YEARS
from fleet.house_model.house import House, LinkFit
from fleet.numerals import with_sign
from fleet.statistics.gram import Term
from fleet.words import quantity

DRIFT: Final = "drift"
SURE: Final = 0.975
MOST_WORDS: Final = 3
FEW_LEVELS: Final = 3
FEW_ROWS: Final = 30
SHOWN: Final = ("tracking", "built_in", "sag", "zenith", "azimuth_seen", "azimuth_electrical", "balance")


@dataclass(frozen=True)
class ModelSummary:
    """A model in words and tables.

    Attributes
    ----------
    lines : what stands out, one sentence each, the surest first
    links : one row a link: sheets, those beyond the cut, spreads, k and size of the sample
    effects : one row a level: link, factor, level, units, effect, low, high (95 %); that of a
        ``drift`` is the change a year
    diagnostics : what to mind, one sentence each; empty when all is well
    """

    lines: tuple[str, ...]
    links: pd.DataFrame
    effects: pd.DataFrame
    diagnostics: tuple[str, ...]


def summarise_model(house: House) -> ModelSummary:
    """Describe a house model.

    Parameters
    ----------
    house : House

    Returns
    -------
    Learnt
        Effects are posterior means of a level against the fleet's middle, with 95 % intervals.
    """
    links = pd.DataFrame([_link_row(house.links[n]) for n in LINK if n in house.links])
    last = ["sample", "method"]
    links = links[[c for c in links.columns if c not in last] + last]
    effects = pd.concat([_effects(house.links[n]) for n in SHOWN if n in house.links], ignore_index=True)
    return ModelSummary(_lines(house, effects), links, effects, _diagnostics(house))


def compare(old: House, new: House) -> pd.DataFrame:
    """Two models side by side: per link the sheets, the unit spread and the spreads between levels.

    Returns
    -------
    DataFrame
        Columns link, figure, old, new, change.
    """
    rows = []
    for name in LINK:
        if name not in old.links or name not in new.links:
            continue
        a, b = _link_row(old.links[name]), _link_row(new.links[name])
        for figure in dict.fromkeys([*a, *b]):
            before, after = a.get(figure), b.get(figure)
            if figure in ("link", "method") or not (_is_figure(before) and _is_figure(after)):
                continue
            row = {"link": LINK[name].words, "figure": figure, "old": before, "new": after}
            rows.append(row | {"change": float(str(after)) - float(str(before))})
    return pd.DataFrame(rows)


def _is_figure(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _link_row(fit: LinkFit) -> dict[str, object]:
    sds = np.sqrt((fit.posterior.sds**2).mean(axis=0))
    row: dict[str, object] = {
        "link": fit.link.words,
        "sheets": fit.rows,
        "beyond_cut": fit.cut,
        "unit_sd": float(np.sqrt(fit.spread.plain(np.full(1, 1.5**2))[0])),
        "reading_sd": float(np.sqrt(fit.spread.noise)),
    }
    for term, sd in zip(fit.gram.design.terms, sds, strict=True):
        row[f"sd_{_what(term)}"] = float(sd)
    return row | {"sample": fit.posterior.ess, "method": fit.posterior.method}


def _what(term: Term) -> str:
    """The factor of a term, or that it is a source's drift."""
    return DRIFT if term.covariate == YEARS else term.factors[0]


def _effects(fit: LinkFit) -> pd.DataFrame:
    mean, cov = fit.coefficients
    middle = mean.mean(axis=0)
    sd = np.sqrt(np.diagonal(cov.mean(axis=0)) + mean.var(axis=0))
    design = fit.gram.design
    rows = []
    start = 0
    for term, levels in zip(design.terms, design.levels, strict=True):
        factor = term.factors[0]
        labels = fit.cells.levels[factor].astype(str)
        for i, key in enumerate(levels):
            j = start + i
            units = float(fit.cells.counts[labels == key[0]].sum())
            low, high = middle[j] - 1.96 * sd[j], middle[j] + 1.96 * sd[j]
            rows.append((fit.link.name, _what(term), key[0], units, middle[j], low, high))
        start += len(levels)
    return pd.DataFrame(rows, columns=["link", "factor", "level", "units", "effect", "low", "high"])


def _lines(house: House, effects: pd.DataFrame) -> tuple[str, ...]:
    """The surest effects of sources and stylus profiles, and how unequal the sources' spreads are."""
    told = effects[effects["level"] != NOT_TOLD]
    sure = told[(told["low"] > 0.0) | (told["high"] < 0.0)]
    sure = sure.assign(strength=sure["effect"].abs() / (sure["high"] - sure["low"]))
    out = []
    for factor in ("source", "profile", "cantilever", "family"):
        mine = sure[sure["factor"] == factor].sort_values("strength", ascending=False).head(MOST_WORDS)
        out += [_effect_words(row) for row in mine.itertuples()]
    drifting = sure[sure["factor"] == DRIFT].sort_values("strength", ascending=False).head(MOST_WORDS)
    out += [_drift_words(row) for row in drifting.itertuples()]
    return (*out, *_softness(house), *_spread_words(house))


def _effect_words(row: object) -> str:
    link, factor, level = str(row.link), str(row.factor), str(row.level)  # type: ignore[attr-defined]
    effect, low, high = (float(getattr(row, k)) for k in ("effect", "low", "high"))
    own = quantity(link)
    words = own.more if effect > 0.0 else own.less
    digits, unit = (2, "") if link == "sag" else (1, own.unit)  # sag's effect is a ratio of its scale
    ends = " to ".join(with_sign(end, digits=digits) for end in (low, high))
    span = f"{with_sign(effect, unit, digits)} ({ends}) against the fleet's middle"
    what = f"{LINK[link].words} over its scale" if link == "sag" else LINK[link].words
    tail = f"{what} {span}"
    subject = f"{quantity(factor).short.capitalize()} {level}"
    return f"{subject} {words}: {tail}; {float(row.units):.0f} units."  # type: ignore[attr-defined]


def _drift_words(row: object) -> str:
    link, level = str(row.link), str(row.level)  # type: ignore[attr-defined]
    effect, low, high = (float(getattr(row, k)) for k in ("effect", "low", "high"))
    unit, ends = quantity(link).unit, " to ".join(with_sign(end, digits=2) for end in (low, high))
    return (
        f"Source {level} drifts: {LINK[link].words} {with_sign(effect, unit, 2)} a year ({ends}); "
        f"quotes speak of now."
    )


def _softness(house: House) -> list[str]:
    if "sag" not in house.links:
        return []
    fit = house.links["sag"]
    mean, cov = fit.coefficients
    j = fit.gram.design.q + fit.gram.design.fixed.index("s")
    sd = float(np.sqrt(cov[:, j, j].mean() + mean[:, j].var()))
    return [
        f"Sag is {mean[:, j].mean():.2f} ± {1.96 * sd:.2f} of its scale N·C·tan θ/(L·cos θ): the drag ratio "
        f"times how much softer the rubber is than its catalogue figure."
    ]


def _spread_words(house: House) -> list[str]:
    """Sources, and the surest few families, whose units scatter clearly more or less than the others'."""
    out = []
    for name in ("built_in", "tracking", "zenith"):
        if name not in house.links:
            continue
        spread = house.links[name].spread
        surest = sorted(spread.families.items(), key=lambda f: -abs(f[1][0]) / f[1][1])[:MOST_WORDS]
        for kind, factors in (("source", sorted(spread.factors.items())), ("family", surest)):
            for label, (log_factor, sd) in factors:
                if label != NOT_TOLD and abs(log_factor) > 1.96 * sd:
                    times, low, high = (np.exp(0.5 * (log_factor + z * sd)) for z in (0.0, -1.96, 1.96))
                    out.append(
                        f"Units of {kind} {label} scatter {times:.2f} times as widely as the fleet's in "
                        f"{LINK[name].words} ({low:.2f} to {high:.2f})."
                    )
    return out


def _diagnostics(house: House) -> tuple[str, ...]:
    out = [f"{note}." for note in house.notes]
    for name, fit in house.links.items():
        words = fit.link.words
        if fit.posterior.method != "importance":
            out.append(f"{words}: the importance sample was poor, so the slower sampler was used.")
        sources = sum(1 for level in fit.gram.design.levels[0] if level[0] != NOT_TOLD)
        if name in ("tracking", "built_in") and sources < FEW_LEVELS:
            out.append(
                f"{words}: only {sources} sources, so a new source is drawn mostly from what is believed."
            )
    return tuple(out)
