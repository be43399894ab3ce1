"""A house model as plain parts: named arrays of numbers and named texts, nothing that runs.

What is kept is what was learnt from (sums per cell) and what was concluded (draws of the spreads); the
coefficients follow from both in closed form and are made again on loading.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from fleet.errors import FleetError
from fleet.house_model.chain import JUDGED, LINK, PAIR, PAIR_LINKS
from fleet.house_model.family_facts import FleetFacts, SpecLink
from fleet.house_model.house import House, LinkFit
from fleet.house_model.joint_angles import Alone
from fleet.house_model.variance_function import VarianceFunction
from fleet.rows import Floats, columns_of_text, exact_text
from fleet.statistics.bayes import Posterior
from fleet.statistics.gram import Anchor, Cells, Gram, Term, add_anchors, build_gram

FORMAT = 8
OLDER = (4, 5, 6, 7)
"""Layouts that are read as well: 4 knew no sheets that read the tracking angle or the rake alone, neither a
spread of a family's own; 6 and those before knew no drift of a source, 7 told a tail of the weights that
nobody reads."""
_ALL_LINKS = {**LINK, **{link.name: link for link in PAIR_LINKS}}


def to_parts(house: House) -> tuple[dict[str, Floats], dict[str, str]]:
    """Arrays and texts that `from_parts` turns back into the same house."""
    arrays: dict[str, Floats] = {
        "correlation": house.correlation,
        "turn": house.turn,
        "scale_s2": house.scale_s2,
    }
    head: dict[str, Any] = {
        "format": FORMAT,
        "revision": house.revision,
        "last_intake": house.last_intake,
        "span": list(house.span),
        "noise": dict(house.noise),
        "now": dict(house.now),
        "faulty": {k: list(v) for k, v in house.faulty.items()},
        "notes": list(house.notes),
        "links": {},
        "specs": {},
        "alone": [list(a.loading) for a in house.alone],
    }
    for i, alone in enumerate(house.alone):
        _put_cells(arrays, f"alone.{i}", alone.cells)
    for name, fit in house.links.items():
        head["links"][name] = {
            "rows": fit.rows,
            "cut": fit.cut,
            "cut_size": fit.cut_size,
            "spread": fit.spread.to_list(),
        } | _put(arrays, f"link.{name}", fit.posterior, fit.cells)
    for name, spec in house.facts.specs.items():
        entry: dict[str, Any] = {"shift": spec.shift, "fitted": spec.posterior is not None}
        if spec.posterior is not None and spec.cells is not None:
            entry |= _put(arrays, f"spec.{name}", spec.posterior, spec.cells)
        head["specs"][name] = entry
    families = {name: column for name, column in house.facts.own.items() if name != "family"}
    texts = {
        "head": json.dumps(head),
        "combos": exact_text(house.facts.kinds),
        "families": exact_text(families, house.facts.own["family"].tolist()),
    }
    return arrays, texts


def _put(arrays: dict[str, Floats], key: str, posterior: Posterior, cells: Cells) -> dict[str, Any]:
    _put_cells(arrays, key, cells)
    arrays[f"{key}.sds"] = posterior.sds
    arrays[f"{key}.sigma"] = posterior.sigma
    design = posterior.gram.design
    return {
        "levels": {f: [str(x) for x in v] for f, v in cells.levels.items()},
        "columns": list(cells.columns),
        "terms": [[list(t.factors), t.covariate] for t in design.terms],
        "fixed": list(design.fixed),
        "anchors": [list(x) for x in posterior.gram.anchors],
        "ess": posterior.ess,
        "method": posterior.method,
    }


def _put_cells(arrays: dict[str, Floats], key: str, cells: Cells) -> None:
    arrays[f"{key}.moments"] = cells.moments
    arrays[f"{key}.counts"] = cells.counts
    arrays[f"{key}.weights"] = cells.weights
    arrays[f"{key}.log_weights"] = cells.log_weights


def _take_alone(arrays: dict[str, Floats], head: dict[str, Any], pair: Cells) -> tuple[Alone, ...]:
    """Sums of sheets that read less than both angles; their cells are those of the pair's links."""
    out = []
    for i, loading in enumerate(head.get("alone", [])):
        parts = [arrays[f"alone.{i}.{name}"] for name in ("moments", "counts", "weights", "log_weights")]
        out.append(Alone(np.array(loading), Cells(pair.levels, pair.columns, *parts)))
    return tuple(out)


def _take(arrays: dict[str, Floats], key: str, entry: dict[str, Any]) -> tuple[Posterior, Cells]:
    cells = Cells(
        {f: np.array(v, dtype=object) for f, v in entry["levels"].items()},
        tuple(entry["columns"]),
        arrays[f"{key}.moments"],
        arrays[f"{key}.counts"],
        arrays[f"{key}.weights"],
        arrays[f"{key}.log_weights"],
    )
    terms = [Term(tuple(factors), covariate) for factors, covariate in entry["terms"]]
    anchors = [Anchor(c, float(m), float(sd)) for c, m, sd in entry["anchors"]]
    gram: Gram = add_anchors(build_gram(cells, terms, entry["fixed"]), anchors)
    sds, sigma = arrays[f"{key}.sds"], arrays[f"{key}.sigma"]
    even = np.full(len(sigma), 1.0 / len(sigma))
    return Posterior(gram, sds, sigma, entry["ess"], sds, sigma, even, entry["method"]), cells


def from_parts(arrays: dict[str, Floats], texts: dict[str, str]) -> House:
    """The house that `to_parts` took apart.

    Raises
    ------
    FleetError
        If it was kept by a version of fleet that wrote its parts otherwise.
    """
    head = json.loads(texts["head"])
    if head["format"] not in (FORMAT, *OLDER):
        raise FleetError("the house model was kept by another version of fleet: run `fleet refit`")
    links = {}
    for name, entry in head["links"].items():
        posterior, cells = _take(arrays, f"link.{name}", entry)
        spread = VarianceFunction.of_list(entry["spread"] if "factors" not in entry else _older(entry))
        links[name] = LinkFit(
            _ALL_LINKS[name], cells, spread, posterior, entry["rows"], entry["cut"], entry["cut_size"]
        )
    specs = {}
    for name, entry in head["specs"].items():
        if entry["fitted"]:
            specs[name] = SpecLink(*_take(arrays, f"spec.{name}", entry), entry["shift"], name)
        else:
            specs[name] = SpecLink(None, None, entry["shift"], name)
    facts = FleetFacts(columns_of_text(texts["combos"]), columns_of_text(texts["families"], "family"), specs)
    faulty = {k: (float(a), float(b)) for k, (a, b) in head["faulty"].items()}
    return House(
        links,
        facts,
        head["noise"],
        _correlation(arrays["correlation"]),
        arrays["turn"],
        arrays["scale_s2"],
        faulty,
        head["revision"],
        head["last_intake"],
        (head["span"][0], head["span"][1]),
        tuple(head["notes"]),
        _take_alone(arrays, head, links[PAIR[0]].cells),
        head.get("now", {}),
    )


def _older(entry: dict[str, Any]) -> list[Any]:
    """The spread of a link as layouts 4 and 5 wrote it."""
    *first, between = entry["spread"]
    return [*first, entry["factors"], between]


def _correlation(kept: Floats) -> Floats:
    """Correlations of the judged links; links that an older layout did not know stand by themselves."""
    out = np.eye(len(JUDGED))
    out[: len(kept), : len(kept)] = kept
    return out
