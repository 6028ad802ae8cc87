"""Cells of results into values: numbers, limits, not-detected words, blanks, each by a stated rule.

Every distinct text is read once, and every rule that was applied is counted with an example. Text
that has no stated meaning is refused; a blank is neither zero nor below the limit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from studykit.core.numbertext import NumberFormat, parse_number, tidy_text, unwrapped
from studykit.intake.columns import Table, Texts, others
from studykit.intake.headwords import ABOVE, BELOW
from studykit.intake.signs import two_numbers
from studykit.intake.unitwords import RELATIVE, shown_unit, split_unit

KIND_NUMBER, KIND_LIMIT, KIND_UNKNOWN_LIMIT, KIND_BLANK, KIND_BAD = range(5)
#: Words for "looked for and below the limit" (common practice, no source); compared without blanks and dots.
BELOW_WORDS = frozenset({
    "nd", "notdetected", "nonedetected", "bdl", "bld", "bql", "bloq", "blq", "belowdetection", "belowdetectionlimit",
    "belowlimit", "belowloq", "belowlod", "<lod", "<loq", "<dl", "<mdl", "<rl", "<ql", "<bg", "trace", "traces", "tr",
})
_WIDTH = r"(?:±|\+/?-) ?([0-9][0-9.,]*)"
_UNCERTAINTY = re.compile(rf"(\()?([-\u2212]?[0-9][0-9.,]*) ?(?:{_WIDTH}|\({_WIDTH}\))(?: ?\(?k ?= ?[0-9][0-9.,]*\)?)?(?(1)\))")
_MARKED = re.compile(r"([<>≤≥]? ?[+-]?[0-9][0-9.,]*) ?([^\s0-9.,][^0-9]{0,20}|\(n ?= ?[0-9]{1,2}\))")
"""A number and a mark behind it: an asterisk, a letter, a word."""
_SAID = {"<": re.compile(rf"(?i)(?:{BELOW}) (?=[0-9])|‹ ?(?=[0-9])"),
         ">": re.compile(rf"(?i)(?:{ABOVE}) (?=[0-9])|› ?(?=[0-9])")}
"""A limit said in words, or with a quotation mark for its sign."""
_QUALIFIED = re.compile(r"(<=|>=|=<|=>|≤|≥|⩽|⩾|<|>|＜|＞)\s*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class CellValue:
    """One distinct text read: its kind, number, qualifier, or why it is refused."""

    kind: int
    number: float = float("nan")
    qualifier: str = ""
    reason: str = ""
    remedy: str = ""
    unit: str = ""
    rules: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleBook:
    """Every reading rule that was applied, with how often and one example."""

    counts: dict[str, int] = field(default_factory=dict)
    examples: dict[str, str] = field(default_factory=dict)

    def add(self, rule: str, count: int, example: str) -> None:
        """Count a rule ``count`` times; the first example is kept."""
        if count:
            self.counts[rule] = self.counts.get(rule, 0) + int(count)
            self.examples.setdefault(rule, example)

    def to_table(self) -> pd.DataFrame:
        """The rules with count and example, most frequent first."""
        rows = sorted(self.counts.items(), key=lambda item: (-item[1], item[0]))
        return pd.DataFrame([(rule, n, self.examples[rule]) for rule, n in rows],
                            columns=["rule", "count", "example"])


def parse_cell(text: str, form: NumberFormat, words: dict[str, str]) -> CellValue:
    """One cell of results: a number, a limit, a word with a meaning, a blank, or a refusal with its remedy.

    A number or a limit may have its unit behind it, or a mark that ``words`` gives a meaning.
    """
    shown = tidy_text(text)
    if shown not in words and (plain := unwrapped(shown)) != shown and plain:
        value = parse_cell(plain, form, words)
        return replace(value, rules=(*value.rules, "number stored as text, with a sign before it that says so"))
    value = _without_unit(text, form, words)
    if value.kind != KIND_BAD or shown in words:
        return value
    if relative := RELATIVE.fullmatch(shown):
        value = _without_unit(relative[1], form, words)
        return replace(value, rules=(*value.rules, "uncertainty in per cent of the result set aside"))
    number, unit = split_unit(shown)
    inside = _without_unit(number, form, words) if unit else value
    if inside.kind in (KIND_NUMBER, KIND_LIMIT):
        return replace(inside, unit=unit)
    found = _MARKED.fullmatch(shown)
    if not found or unit:
        return value
    mark = found[2]
    if shown_unit(mark):
        return replace(value, reason=f"has {mark!r} behind it, which looks like a unit and is not known",
                       remedy="ask the laboratory for the results in a unit such as mg/kg, or correct the cells in a copy")
    if words.get(mark) == "not measured":
        return value
    if mark in words:
        return _marked(found[1], mark, words[mark], form)
    return replace(value, remedy=f'correct the cell, or say what the mark means: [file.words] {mark!r} = "number" (the '
                   'result as it stands) or "below limit"')


def _marked(number: str, mark: str, meaning: str, form: NumberFormat) -> CellValue:
    """A number with a mark behind it, such as '9.8*' or '2.0 U', whose meaning the mapping gives."""
    if meaning == "number":
        value = parse_cell(number, form, {})
        return replace(value, rules=(*value.rules, f"mark {mark!r} set aside, as the mapping says"))
    value = _limit("<" if meaning == "below limit" else ">", number, form)
    return replace(value, rules=(*value.rules, f"mark {mark!r} behind a number read as {meaning}, as the mapping says"))


def _without_unit(text: str, form: NumberFormat, words: dict[str, str]) -> CellValue:
    shown = tidy_text(text)
    if not text.isprintable() and two_numbers(text) and shown not in words:
        return CellValue(kind=KIND_BAD, reason="holds two numbers",
                         remedy="ask the laboratory for one result per cell, each with its own replicate")
    if "  " in text and two_numbers(text):
        return CellValue(kind=KIND_BAD, reason="holds two numbers, or spaces within one",
                         remedy="ask the laboratory for one result per cell, each with its own replicate")
    spread = _UNCERTAINTY.fullmatch(shown)
    if spread and shown not in words:
        return _with_uncertainty(spread[2], spread[3] or spread[4], form)
    if shown[:1].isdigit() and shown not in words:
        number = parse_number(text, form)
        if number.value is not None:
            return CellValue(kind=KIND_NUMBER, number=number.value, rules=number.rules)
    if words.get(shown) == "number" and len(inside := re.findall(r"[0-9][0-9.,]*(?<![.,])", shown)) == 1:
        number = parse_number(inside[0], form)
        if number.value is not None and shown[0] not in "<>≤≥-" and not shown_unit(shown):
            rule = f"{shown!r} read as its number, as the mapping says"
            return CellValue(kind=KIND_NUMBER, number=number.value, rules=(rule,))
    if shown in words and words[shown] != "number":
        return _by_word(shown, words[shown], form)
    if not shown:
        return CellValue(kind=KIND_BLANK)
    if re.sub(r"[\s.]", "", shown).casefold() in BELOW_WORDS:
        return CellValue(kind=KIND_UNKNOWN_LIMIT, qualifier="<", rules=(f"{shown!r} read as below the limit",))
    found = _QUALIFIED.fullmatch(shown)
    if found:
        return _limit(found[1], found[2], form)
    for sign, said in _SAID.items():
        if before := said.match(shown):
            value = _limit(sign, shown[before.end():], form)
            return replace(value, rules=(f"{before[0].strip()!r} read as {sign!r}", *value.rules))
    if shown.startswith(("=", "#")):
        return CellValue(kind=KIND_BAD, reason="is a formula without a stored value, or an error cell",
                         remedy="let the spreadsheet program calculate and save it, or ask for the value")
    number = parse_number(text, form)
    if number.value is None:
        return CellValue(kind=KIND_BAD, reason=number.reason, remedy=number.remedy)
    return CellValue(kind=KIND_NUMBER, number=number.value, rules=number.rules)


def _with_uncertainty(text: str, half: str, form: NumberFormat) -> CellValue:
    """A cell such as '9.8 ± 0.4': the result, its uncertainty set aside."""
    number, width = parse_number(text, form), parse_number(half, form)
    if number.value is None or width.value is None or not (
            0 <= width.value < number.value or number.value < 0 <= width.value):
        return CellValue(kind=KIND_BAD, reason="is not a number with its uncertainty",
                         remedy="correct the cell with the laboratory")
    return CellValue(kind=KIND_NUMBER, number=number.value, rules=(*number.rules, "uncertainty behind ± set aside"))


def _by_word(shown: str, meaning: str, form: NumberFormat) -> CellValue:
    rule = f"{shown!r} read as {meaning}, as the mapping says"
    if meaning == "not measured":
        return CellValue(kind=KIND_BLANK, qualifier="not measured", rules=(rule,))
    numbers = re.findall(r"[0-9][0-9.,]*", shown)
    if shown == "".join(numbers):  # such as 0
        numbers = []
    if len(numbers) == 1 and not shown_unit(shown):
        value = _limit("<" if meaning == "below limit" else ">", numbers[0], form)
        return replace(value, rules=(*value.rules, rule))
    if numbers:
        return CellValue(kind=KIND_BAD, reason="has a number or a unit beside the word",
                         remedy="ask the laboratory for the limit alone, such as <4")
    return CellValue(kind=KIND_UNKNOWN_LIMIT, qualifier="<" if meaning == "below limit" else ">", rules=(rule,))


def _limit(sign: str, rest: str, form: NumberFormat) -> CellValue:
    """A cell such as '<1' or '≥ 10000'."""
    plain = "<" if sign in ("<", "<=", "=<", "≤", "⩽", "＜") else ">"
    rules = () if sign == plain else (f"{sign!r} read as {plain!r}",)
    number = parse_number(rest, form)
    if number.value is None:
        return CellValue(kind=KIND_BAD, reason=f"has {sign!r} before {rest!r}, which is not a number here: "
                         + number.reason, remedy=number.remedy)
    if number.value <= 0:
        return CellValue(kind=KIND_BAD, reason="has a negative limit, or one of zero",
                         remedy="correct the cell with the laboratory")
    return CellValue(kind=KIND_LIMIT, number=number.value, qualifier=plain,
                     rules=(*rules, f"{plain!r} kept as a qualifier with its limit", *number.rules))


@dataclass(frozen=True, slots=True, kw_only=True)
class Parsed:
    """Values of a column of cells: kind, number, qualifier, one a cell; ``why``: which refusal, -1 for none.

    ``unit``: the unit in the cell itself, '' for none.
    """

    kind: np.ndarray
    number: np.ndarray
    qualifier: np.ndarray
    unit: Texts
    why: np.ndarray
    reasons: list[tuple[str, str]]


def parse_values(cells: Table, form: NumberFormat, words: dict[str, str], book: RuleBook,
                 ungrouped: dict[str, str] | None = None) -> Parsed:
    """Every cell of a laid-out table, over its distinct texts; stored numbers are read with a point.

    ``ungrouped`` has the texts whose thousands sign was settled, without it.
    """
    column, numeric = cells["text"], cells["numeric"]
    codes, texts = column.codes, column.words
    read = _distinct(texts, form, words, ungrouped or {})
    if numeric.any():  # stored numbers have the second half of the texts
        codes = np.where(numeric, codes + len(texts), codes)
        stored = _distinct(texts, NumberFormat(), words, {})
        read = (np.concatenate([read[0], stored[0]]), read[1] | {k + len(texts): v for k, v in stored[1].items()})
        texts = texts + texts
    number, told = read
    counts = np.bincount(codes, minlength=len(texts))
    kind, why = np.full(len(texts), KIND_NUMBER, dtype=np.int8), np.full(len(texts), -1, dtype=np.int32)
    qualifier, unit = [""] * len(texts), [""] * len(texts)
    reasons: list[tuple[str, str]] = []
    for k, value in told.items():
        kind[k], number[k], qualifier[k], unit[k] = value.kind, value.number, value.qualifier, value.unit
        for rule in value.rules:
            book.add(rule, int(counts[k]), texts[k])
        if value.kind == KIND_BAD:
            why[k] = len(reasons)
            reasons.append((value.reason, value.remedy))
    return Parsed(kind=kind[codes], number=number[codes], why=why[codes], reasons=reasons,
                  unit=Texts(codes, unit).renamed(unit) if any(unit) else Texts.same("", len(codes)),
                  qualifier=np.asarray(Texts(codes, qualifier).objects() if any(qualifier) else np.full(len(codes), "", "O")))


def _distinct(texts: list[str], form: NumberFormat, words: dict[str, str],
              ungrouped: dict[str, str]) -> tuple[np.ndarray, dict[int, CellValue]]:
    """The numbers of plain texts, all at once, and by its place what `parse_cell` says of every other text."""
    odd = others(texts, "[0-9]{1,15}(?:[.][0-9]{1,15})?" if form.decimal == "." else "[0-9]{1,15}") | words.keys()
    number = np.array([np.nan if t in odd else float(t) for t in texts], dtype=np.float64)
    told = {}
    for k in np.flatnonzero(np.isnan(number)).tolist():
        text = texts[k]
        value = parse_cell(ungrouped.get(text, text), form, words)
        told[k] = value if text not in ungrouped else replace(
            value, rules=(*value.rules, "thousands sign, confirmed by the column"))
    return number, told


def apply_qualifier_column(parsed: Parsed, column: Texts, words: dict[str, str], book: RuleBook) -> None:
    """Join a separate qualifier column to the values, in place; contradictions become refusals."""
    for k, text in enumerate(column.words):
        shown = tidy_text(text)
        rows = column.codes == k
        found = _QUALIFIED.fullmatch(shown)
        meaning = words.get(shown, "")
        if shown in ("", "=") or meaning == "number":
            continue
        sign = ("<" if found[1][0] in "<≤⩽＜" or found[1] == "=<" else ">") if found and not found[2] else ""
        sign = sign or {"below limit": "<", "above limit": ">"}.get(meaning, "")
        if meaning == "not measured":
            _refuse(parsed, rows & (parsed.kind != KIND_BLANK), f"has a value beside the qualifier {shown!r}",
                    "correct the row with the laboratory")
            parsed.qualifier[rows & (parsed.kind == KIND_BLANK)] = "not measured"
        elif not sign:
            _refuse(parsed, rows, f"has the qualifier {shown!r}, which has no stated meaning",
                    "give it one under [file.words]: below limit, above limit, not measured or number")
        else:
            book.add(f"qualifier {shown!r} read as {sign!r}", int(rows.sum()), shown)
            clash = rows & np.isin(parsed.kind, (KIND_LIMIT, KIND_UNKNOWN_LIMIT)) & (parsed.qualifier != sign)
            _refuse(parsed, clash, f"contradicts the qualifier {shown!r} beside it",
                    "correct the row with the laboratory")
            parsed.kind[rows & (parsed.kind == KIND_NUMBER)] = KIND_LIMIT
            parsed.kind[rows & (parsed.kind == KIND_BLANK)] = KIND_UNKNOWN_LIMIT
            parsed.qualifier[rows & np.isin(parsed.kind, (KIND_LIMIT, KIND_UNKNOWN_LIMIT))] = sign


def _refuse(parsed: Parsed, rows: np.ndarray, reason: str, remedy: str) -> None:
    rows = rows & (parsed.kind != KIND_BAD)
    parsed.kind[rows] = KIND_BAD
    parsed.why[rows] = len(parsed.reasons)
    parsed.reasons.append((reason, remedy))
