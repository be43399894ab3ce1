"""One owner of every name, number and caution that a person reads."""

from __future__ import annotations

import ast
import contextlib
import datetime as dt
import io
import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from dashboards.sentences import what_if_answer
from fleet import words
from fleet.charts import tables
from fleet.cli.week.quote import show_quotes
from fleet.columns import COLUMNS, ENQUIRY_COLUMNS
from fleet.faults.sentences import explain, plain
from fleet.faults.signatures import FAULTS
from fleet.house_model.chain import JUDGED, LINKS
from fleet.numerals import NOT_KNOWN, figure, number, p_value, percent, percent_span, span, unknown, with_sign
from fleet.output import write_frame
from fleet.policy.policy import Policy
from fleet.quotes.outcomes import FORECAST
from fleet.quotes.quote import CHANCES as CHANCE_NAMES
from fleet.quotes.quote import sentence
from fleet.report.page import html
from fleet.report.paper import Headline, Paper, Section, Table

ROOT = Path(__file__).resolve().parents[1]
OWNERS = {ROOT / "fleet" / "words.py", ROOT / "fleet" / "numerals.py"}
CHANCES = {
    0.0: "0 %",
    0.0039: "<1 %",
    0.007: "<1 %",
    0.5: "50 %",
    0.993: ">99 %",
    0.9999: ">99 %",
    1.0: "100 %",
}


def sources() -> Iterator[Path]:
    for package in ("fleet", "dashboards"):
        yield from (p for p in sorted((ROOT / package).rglob("*.py")) if p not in OWNERS)


@pytest.mark.parametrize(("chance", "said"), CHANCES.items())
def test_no_chance_is_a_certainty_that_it_is_not(chance: float, said: str) -> None:
    """0 % and 100 % stand for exactly that; what rounds to them is said to lie below or above."""
    assert percent(chance) == said
    assert percent(np.float64(chance)) == said


def quoted(chance: float) -> dict[str, object]:
    """A quote's row in which every chance is this one."""
    row: dict[str, object] = {"enquiry_id": "E1", "price_quoted": float("nan"), "basis": "nothing told"}
    row["wedge_deg"] = 1.0
    for name in FORECAST:
        row |= dict.fromkeys([f"{name}_q05", f"{name}_q25", f"{name}_q50", f"{name}_q75", f"{name}_q95"], 1.0)
    return row | dict.fromkeys(CHANCE_NAMES, chance)


def in_a_table(row: dict[str, object]) -> str:
    """What the terminal prints of four quotes, one line each."""
    table = pd.DataFrame([row] * 4)
    quotes = SimpleNamespace(table=table, columns=table.to_dict("series"), sentences=(), notes=())
    with contextlib.redirect_stdout(io.StringIO()) as out:
        show_quotes(quotes, {})  # type: ignore[arg-type]
    return out.getvalue()


def on_a_page(row: dict[str, object]) -> str:
    """The page's headline figure, its table of chances, and the sentence of its what-if."""
    whole = pd.DataFrame({"rate": [row["p_both_met"]], "rate_other": 0.25, "n": 9, "gained": 0, "lost": 0})
    own = pd.Series(row)
    figures = {tables.headline(own, Policy())[0][1], *tables.chances(own)["chance"]}
    assert len(figures) == 1
    return f"{figures.pop()} {what_if_answer(whole, 'both')}"


def on_paper(row: dict[str, object]) -> str:
    """The text of a printed paper with that headline and a table of the chances."""
    own = pd.Series(row)
    shown = Section("chances", tables=(Table("", tables.chances(own)),))
    top = (Headline(*tables.headline(own, Policy())[0]),)
    printed = html([Paper("quote", "one", "What?", "This.", dt.date(2025, 1, 1), top, (shown,))])
    return unescape(re.sub(r"<[^>]+>", " ", printed[printed.index("<body") :]))


def in_a_note(chance: float, path: Path) -> str:
    """The sentence that a JSON file of suspects carries of a unit that is sound with this chance."""
    links = len(JUDGED)
    resid = SimpleNamespace(
        value=np.zeros((1, links)),
        expected=np.zeros((1, links)),
        covariance=np.eye(links)[None],
        seen=pd.DataFrame({"family": [True]}),
    )
    faults = np.full((1, len(FAULTS)), (1.0 - chance) / len(FAULTS)) + 1e-9
    scores = SimpleNamespace(score=np.ones(1), healthy=np.array([chance]), faults=faults)
    why = explain(None, resid, scores, 0, flagged=False)  # type: ignore[arg-type]
    write_frame(pd.DataFrame({"why": [why]}), path)
    return str(json.loads(path.read_text(encoding="utf-8"))[0]["why"])


@pytest.mark.parametrize(("chance", "said"), CHANCES.items())
def test_a_chance_reads_alike_wherever_it_is_read(chance: float, said: str, tmp_path: Path) -> None:
    """Terminal table, sentence, page, paper and the note of a JSON file print one chance with one text."""
    row = quoted(chance)
    places = {
        "terminal": in_a_table(row),
        "sentence": sentence(row),
        "page": on_a_page(row),
        "paper": on_paper(row),
        "JSON": in_a_note(chance, tmp_path / "suspects.json"),
    }
    printed = re.compile(r"(?<![\d.<>])[<>]?\d+ ?%")
    for place, text in places.items():
        found = set(printed.findall(text)) - {"25 %", "9 %"}
        assert said in found, (place, text)
        if place != "JSON":
            assert found == {said}, (place, text)


def test_the_list_of_the_sound_is_never_surer_than_its_chance() -> None:
    """Sentences made many at once are grouped by chance without rounding one up to a certainty."""
    scores = SimpleNamespace(score=np.ones(2), healthy=np.array([0.99997, 0.75]), farthest=np.zeros(2))
    said = plain(scores, np.zeros(2, dtype=bool))  # type: ignore[arg-type]
    assert said.tolist() == ["Normal for its kind (>99 % sure).", "Normal for its kind (75 % sure)."]


def test_the_thresholds_go_with_the_digits() -> None:
    """With one digit the same holds a tenth nearer to the ends; the ends of a span follow."""
    assert [percent(p, 1) for p in (0.0005, 0.001, 0.9992, 0.9990)] == [
        "<0.1 %",
        "0.1 %",
        ">99.9 %",
        "99.9 %",
    ]
    assert percent_span(0.0004, 0.71) == "<1 to 71 %"
    assert percent_span(0.4, 0.996) == "40 to >99 %"
    assert [percent(p) for p in (0.01, 0.99, -0.031)] == ["1 %", "99 %", "-3 %"]


@pytest.mark.parametrize("nothing", [None, float("nan"), np.nan, pd.NA, pd.NaT, np.float32("nan")])
def test_what_is_not_known_has_one_sign(nothing: object) -> None:
    """Whatever kind of nothing a value is, and whoever prints it, the same dash stands for it."""
    assert unknown(nothing)
    told = [
        percent(nothing),
        number(nothing),
        figure(nothing, "°"),
        with_sign(nothing, "°"),
        p_value(nothing),
    ]  # type: ignore[arg-type]
    assert {*told, span(nothing, 1.0), percent_span(0.1, nothing)} == {NOT_KNOWN}


def test_numbers_have_no_minus_nought_and_their_unit_once() -> None:
    """A degree sign stands close, other units after a blank; an interval tells its unit once."""
    assert (number(-0.001), with_sign(-0.001, "°"), with_sign(0.2, "dB", 1)) == ("0.00", "0.00°", "+0.2 dB")
    assert (figure(91.25, "°", 1), figure(45.0, "min", 0), figure(3.0, "%", 0)) == ("91.2°", "45 min", "3 %")
    assert span(-0.004, 2.0, "°") == "0.00 to 2.00°"


def test_everything_that_is_read_has_its_names() -> None:
    """Every column of sheet and enquiry, every link and every fault is named; units are the contract's."""
    for name, column in {**ENQUIRY_COLUMNS, **COLUMNS}.items():
        assert words.QUANTITIES[name].unit == column.unit
    assert all(words.quantity(link.name).long for link in LINKS)
    assert set(words.FAULT_WORDS) == set(FAULTS)
    names = [q.long for q in words.QUANTITIES.values()]
    assert len(set(names)) == len(names)
    shorts = [q.short for q in words.QUANTITIES.values()]
    assert len(set(shorts)) == len(shorts)


NAMED = {
    *words.QUANTITIES,
    *(link.name for link in LINKS),
    *words.FAULT_WORDS,
    *words.REMEDIES,
    *words.TARGETS,
    *words.STATES,
    *words.OUTCOMES,
    *(f"{target}_{state}" for target in words.TARGETS for state in words.STATES),
}
NO_LABELS = {
    ("fleet/house_model/chain.py", "RESPONSES"): "formulas",
    ("fleet/tallies/queries.py", "LABELS"): "formulas",
    ("fleet/report/plain_quote.py", "NEEDS"): "what an owner is asked to send, not what a fact is called",
    ("fleet/intake/guides/spellings.py", "_PHRASES"): "how other benches spell them",
    ("fleet/intake/guides/questions.py", "SIGNS"): "what + means, as a question",
}
"""Dictionaries that give a name something else than a label."""


def said_by(node: ast.expr) -> bool:
    """Whether a value of a dictionary is text for a reader, or begins with it; a column's name is none."""
    if isinstance(node, ast.Tuple | ast.List) and node.elts:
        return said_by(node.elts[0])
    if isinstance(node, ast.Call) and node.args:
        node = node.args[0]
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value not in NAMED
    return isinstance(node, ast.JoinedStr)


def dictionaries(tree: ast.AST) -> Iterator[tuple[str, ast.Dict]]:
    """Every dictionary of a module, with the name that it is given first."""
    named = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            named[id(node.value)] = node.targets[0].id
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            named[id(node.value)] = node.target.id
    for node in ast.walk(tree):
        if isinstance(node, ast.Dict):
            yield named.get(id(node), ""), node


def label_tables(path: Path) -> list[str]:
    """Dictionaries of three or more known names with text for each."""
    found = []
    where = str(path.relative_to(ROOT)) if path.is_relative_to(ROOT) else path.name
    for name, table in dictionaries(ast.parse(path.read_text(encoding="utf-8"))):
        pairs = zip(table.keys, table.values, strict=True)
        keys = {k.value for k, v in pairs if isinstance(k, ast.Constant) and said_by(v)}
        if len(keys & NAMED) >= 3 and (where, name) not in NO_LABELS:
            found.append(f"{where}:{table.lineno} {name}")
    return found


def percent_formats(path: Path) -> list[str]:
    """Lines that print a share by themselves, close up a per cent sign, or let a picture do it."""
    by_hand = re.compile(
        r"""\.\d%[}"']|\d f?\}\s?%|:[^{}"']*f\}\s?%|format="%"|\d%(?=[ ).,;:"'])|\{[^{}]*\}%"""
    )
    lines = path.read_text(encoding="utf-8").splitlines()
    found = [(i, line.strip()) for i, line in enumerate(lines, 1) if by_hand.search(line)]
    return [f"{path.name}:{i} {line}" for i, line in found if "width: 100%;" not in line]


def test_the_searches_find_what_they_look_for(tmp_path: Path) -> None:
    """Planted label tables and percent formats are found, a table of other things isn't."""
    planted = tmp_path / "planted.py"
    planted.write_text(
        'A = {"sra_static_deg": "a", "vtf_mn": ("b", 1), "zenith": Read("c")}\n'
        'B = {"sra_static_deg": 1.0, "vtf_mn": 2.0, "zenith": 3.0}\n'
        'c = f"{p:.0%}" + f"{100 * p:.1f} %" + f"{p}%" + "95% interval"\n'
        'd = f"{low:.2f} to {high:.2f}" + "95 % of them" + f"{day:%Y-%m-%d}"\n',
        encoding="utf-8",
    )
    assert label_tables(planted) == ["planted.py:1 A"]
    assert [line.split(":")[1][0] for line in percent_formats(planted)] == ["3"]


def test_no_dictionary_of_labels_stands_elsewhere() -> None:
    """Quantities, links, faults, remedies, targets and outcomes are named in one module alone."""
    assert [table for path in sources() for table in label_tables(path)] == []


def test_no_share_is_printed_by_hand() -> None:
    """Every per cent of the package and the pages is printed by `fleet.numerals`, with its blank."""
    assert [line for path in sources() for line in percent_formats(path)] == []


CAUTIONS = {
    "no repair of a": words.NO_REPAIR,
    "break at a touch": words.HANDLING,
    "not a measurement": words.BENCH_DECIDES,
    "nearer the record: check": words.CLEARANCE,
    "channels again on a record": words.PLAY_AGAIN,
    "local privacy law": words.PRIVACY,
}


@pytest.mark.parametrize("part", CAUTIONS)
def test_a_caution_is_written_once(part: str) -> None:
    """No module but the owner of words writes a caution out."""
    assert part in CAUTIONS[part]
    assert [p.name for p in sources() if part in p.read_text(encoding="utf-8")] == []
