"""The unit of a result: in its heading, its column, its own cell, or the mapping; these must agree, and none is assumed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from studykit.core.numbertext import tidy_text
from studykit.core.units import Conversion, conversion, parse_unit
from studykit.intake.headwords import symbol_of
from studykit.intake.mapping import FileMapping

#: Units that are known when written in capitals alone: mass in mass, mass in volume, viscosity.
_CAPITALS = r"PP[MB]|[MUKD]?G/(?:K?G|M?L|DM3)|G/T|CST|MM[2²]/S|MG ?KOH/G"
_WITH_UNIT = re.compile(
    r"([<>≤≥=]* ?\(?[+\u2212-]?[0-9.,][0-9.,'\u2019]*(?:[eE][+-]?[0-9]+)?(?: ?(?:±|\+/?-) ?[0-9.,]+)?\)?) ?([^\W\d].*|[%‰].*)")


def bracketed_unit(name: str) -> str:
    """A unit in brackets at the end of a name, such as 'Si [mg/kg]' or 'Water (% (m/m))'; '' if there is none."""
    found = re.search(r"\[([^\[\]]+)\]$", name) or re.search(r"\(((?:[^()]|\([^()]*\))+)\)$", name)
    if not found or found[1].strip().isdigit() or symbol_of(name) == found[1].strip():
        return ""
    return found[1].strip() if unit_or_nothing(found[1].strip()) else ""


_UNIT_LIKE = re.compile(
    r"(?i)(?:(?:gew|vol|wt|mass)[.-]*[- ]?)?[%‰](?:[ -]?\(?[mv]/[mv]\)?)?|[µμumknd]?g ?/ ?[µμumkd]?(?:g|l)\b|\bpp[mb]\b|"
    r"\bmg kg-1|"
    r"\bmm[2²] ?/ ?s\b|\bcst\b|\b(?:per|pro|pour) ?(?:mill?e?|cent)\b|\bpro(?:mille|zent)\b|\bper(?:mille?|cent)\b|"
    r"\bpp(?:t|th|q|hm)\b|"
    r"[\[(]\s*[µμumkn]?(?:g|mol|eq|val)\s*[\])]")


_SHARES = {"%": "% (m/m)", "‰": "g/kg"}
"""Signs that do not say of what they are a share, with what they mean where it is mass."""
_NO_UNIT = re.compile(
    r"(?i)^\W*(?:[0-9]+|[ivx]+|[a-e])?\W*$|(?<![^\W_])(?:icp\w*|aes|oes|aas|ms|xrf|rfa|kf|titr\w*|astm|iso|din|en|ip|nn|methods?|"
    r"methode|no|nr|run|rep\w*|dup\w*|first|second|third|result\w*|total|mean)(?![^\W_])")
"""Texts in square brackets that are no unit: a number, a method, a replicate (common practice, no source)."""
_FACTOR = re.compile(
    rf"(?:^|[\s(\[)\]])[x×*÷/]\s*[0-9]|10\s*\^|/\s*10\b|10[\u2212\u207b]|/\s*[0-9]+\s*(?:k?g|m?[lL])\b|\b1 ?: ?[0-9]+\b|"
    rf"[\[(]\s*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?\s*(?:{_UNIT_LIKE.pattern.removeprefix('(?i)').rstrip('|')})")
"""A factor in a heading: 'x 10', '10^-1', '(÷10)', '[10 mg/kg]', '[mg/100 g]', '1:10'."""


RELATIVE = re.compile(r"([0-9][0-9.,' ]*?) ?(?:±|\+/?-) ?(?:[1-9]|[1-4][0-9]|50) ?%(?: ?rel\.?)?")
"""A number with its uncertainty in whole per cent of itself."""


def shown_unit(name: str) -> str:
    """What stands for a unit in a name: brackets whose text is no unit that is read, or a unit without brackets.

    In square brackets any text is one that does not plainly say something else.
    """
    found = re.search(r"[\[(]([^\[\]]*)[\])]\s*$", name)
    if found and (_UNIT_LIKE.search(f"({found[1]})") or re.search(r"/", found[1])):
        return found[1].strip()
    if found and found[0].startswith("[") and not _NO_UNIT.search(found[1]) and symbol_of(name) != found[1].strip():
        return found[1].strip()
    bare = _UNIT_LIKE.search(name)
    return bare[0].strip() if bare else ""


def read_unit(text: str, words: Mapping[str, str] | None = None) -> str:
    """The canonical text of a unit in a file: by ``words``, with a negative power ('mg kg-1'), or all in capitals ('MG/KG').

    Capitals count in units, but a mass in a mass, or in a volume, that is written in capitals alone can be one thing
    only. ValueError where the text is no unit.
    """
    plain = (words or {}).get(text, _with_stroke(text))
    try:
        return parse_unit(plain)
    except ValueError:
        if text != text.upper() or not re.fullmatch(_CAPITALS, text.replace(" ", "")):
            raise
        return parse_unit(plain.lower().replace("/l", "/L").replace("cst", "cSt"))


def unit_or_nothing(text: str) -> str:
    """As `read_unit`, '' where the text is no unit."""
    try:
        return read_unit(text)
    except ValueError:
        return ""


def _with_stroke(unit: str) -> str:
    """A unit written with a negative power ('mg kg-1') in the form with a stroke ('mg/kg')."""
    found = re.fullmatch(r"([^\W\d]+)[ \u00a0·.]([^\W\d]+)(?:[-\u2212]1|\u207b\u00b9|\^-1)", unit)
    return f"{found[1]}/{found[2]}" if found else unit


def split_unit(text: str) -> tuple[str, str]:
    """A cell such as '12.3 mg/kg', '<5 ppm' or '(9.8 ± 0.4) mg/kg' as its number and its unit; the unit '' for none.

    One letter alone is no unit here ('9.8 h' may be a flag). Of '17.6 ± 5 %' the per cent are those of the uncertainty.
    """
    if relative := RELATIVE.fullmatch(text):
        return relative[1], ""
    found = _WITH_UNIT.fullmatch(text)
    if not found or (len(found[2]) < 2 and found[2] not in "%‰") or not unit_or_nothing(found[2]):
        return text, ""
    return found[1].strip(), found[2]


def _plain_unit(text: str, mapping: FileMapping) -> str:
    """A unit of a row of units without the brackets or the 'in' that it is written with."""
    found = re.fullmatch(r"\(((?:[^()]|\([^()]*\))+)\)|in (.+)", text)
    return text if not found or text in mapping.unit_words else (found[1] or found[2]).strip()


def _other_unit(said: str, stated: str, direct: bool) -> str:
    """A unit in a heading that is not read, where it may be another one than the mapping's; '' where both are per cent.

    ``direct``: the mapping gives its unit to this very heading, not to the analyte.
    """
    return "" if (direct or ("%" in said and "%" in stated)) and not unit_or_nothing(said) else said


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitRule:
    """How the unit of one name was settled: the file's unit, the factor, or the reason why not."""

    rule: Conversion | None = None
    reason: str = ""
    remedy: str = ""
    rules: tuple[str, ...] = ()


def _stated(name: str, analyte: str, mapping: FileMapping) -> str:
    """The unit that the mapping gives to a name, to its analyte, or to the whole file; '' for none."""
    entry = mapping.target(name)
    return (entry.unit if entry else None) or mapping.units.get(name) or mapping.units.get(analyte) or str(
        mapping.constants.get("unit", ""))


def _heading_unit(head: str, name: str, analyte: str, mapping: FileMapping, stated: str) -> str:
    """The unit of a heading, read or not; '' for none, or where the ``stated`` one settles what is not read."""
    if known := bracketed_unit(head):
        return known
    said, entry = shown_unit(head), mapping.target(name)
    if not said or said.casefold() == analyte.casefold():
        return ""
    direct = bool((entry and entry.unit) or mapping.units.get(name))
    return said if said in mapping.unit_words or not stated else _other_unit(said, stated, direct)


def _agreed(shown: str, above: str, name: str, analyte: str, mapping: FileMapping) -> tuple[str, UnitRule | None]:
    """The unit that a column, a row of units or a heading names, or why it is none; a heading ``above`` must agree."""
    entry = mapping.target(name)
    units = {}
    for text in filter(None, (shown, above)):
        try:
            units[text] = read_unit(text, mapping.unit_words)
        except ValueError as error:
            return "", UnitRule(reason=f"has the unit {text!r}: {error}",
                                remedy=f"give this spelling a meaning: [file.unit_words] {text!r} = ..., or correct the unit")
    own, other = units.get(shown, ""), units.get(above, "")
    if not other or _alike(own, other):
        return other or own, None
    if own != other and not (entry and entry.unit) and not _alike(other, own):
        return "", UnitRule(reason=f"has the unit {shown!r} beside it, but {above!r} in its heading",
                            remedy="ask the laboratory which is right: is the one beside it that of a limit? Then take its "
                            f"column out of [file.columns]; else write {name!r} = {{ analyte = {analyte!r}, unit = {own!r} }}")
    return own, None


def _alike(cell: str, column: str) -> bool:
    """Whether a unit in a cell is that of its column; a bare per cent sign is any kind of per cent, a bare ‰ the g/kg."""
    return cell == column or (cell == "%" and column.startswith("%")) or (cell == "‰" and column == "g/kg")


def settle_unit(name: str, written: str, analyte: str, target: str, mapping: FileMapping, cell: str = "") -> UnitRule:
    """The conversion into the study's unit for one name in the file with one written unit.

    The file's own unit (its column, its unit row, or brackets in the heading), the one in the ``cell`` and the mapping's
    must agree; where none is given, nothing is assumed.
    """
    entry = mapping.target(name)
    stated = _stated(name, analyte, mapping)
    shown = _plain_unit(tidy_text(written), mapping)
    if shown == str(mapping.constants.get("unit", "")) and mapping.unit_row is None and "unit" not in mapping.columns:
        shown = ""
    heads = [name, *(mapping.columns[c] for c in ("value", "analyte") if c in mapping.columns)]
    above = next((u for h in heads if (u := _heading_unit(h, name, analyte, mapping, shown or stated))), "")
    origin, shown = ("the file", shown) if shown else ("the heading", above)
    own, refused = _agreed(shown, above, name, analyte, mapping)
    if not refused and any(map(_FACTOR.search, heads)) and not (entry and entry.unit):
        refused = UnitRule(reason="has a factor in its heading", remedy="ask the laboratory; if the numbers are in the unit "
                           f"as they stand, write {name!r} = {{ analyte = {analyte!r}, unit = ... }}")
    if not refused and own and stated and parse_unit(stated) != own:
        share = f"; if it is a share of mass, write [file.unit_words] {shown!r} = {_SHARES[own]!r}" if own in _SHARES else ""
        refused = UnitRule(reason=f"has the unit {shown!r} in {origin}, but the mapping says {stated!r}",
                           remedy="ask the laboratory which is right, and correct intake.toml" + share)
    if refused:
        return refused
    unit = own or stated
    if cell and unit and not _alike(read_unit(cell), parse_unit(unit)):
        return UnitRule(reason=f"has the unit {cell!r} in its cell, but its column is in {unit!r}",
                        remedy="ask the laboratory which is right, and correct the cell in a copy")
    unit = unit or (read_unit(cell) if cell else "")
    if not unit:
        return UnitRule(reason="has no unit, neither in the file nor in the mapping",
                        remedy=f"write it under [file.units], such as {analyte!r} = {target!r}")
    try:
        rule = conversion(unit, target, mapping.density_kg_m3)
    except ValueError as error:
        return UnitRule(reason=str(error), remedy="write density_kg_m3 in this entry of intake.toml"
                        if "density" in str(error) else "correct the unit in intake.toml or in study.toml")
    return UnitRule(rule=rule, rules=tuple(_told(rule, shown, own, stated, unit, cell, origin, analyte, mapping)))


def _told(rule: Conversion, shown: str, own: str, stated: str, unit: str, cell: str, origin: str, analyte: str,
          mapping: FileMapping) -> Iterator[str]:
    """How a unit was settled, in words."""
    if shown.isupper() and shown not in mapping.unit_words and len(shown) > 1 and shown != own:
        yield f"{shown!r} in capitals read as {own}"
    if shown.casefold() in ("ppm", "ppb"):
        yield f"{shown!r} read as parts by mass ({own})"
    if cell:
        yield f"{analyte}: unit {cell} in the cell" + ("" if own or stated else ", and nowhere else")
    elif not own:
        yield f"{analyte}: unit {unit} from the mapping"
    elif origin == "the heading":
        yield f"{analyte}: unit {own} from the heading"
    if rule.multiply != rule.divide or rule.add or parse_unit(unit) != parse_unit(rule.to_unit):
        yield f"{analyte}: {rule.sentence()}"
