"""Columns and sheets that the mapping passes over although they look as if they said something about the results."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import replace

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.apart import (
    LIMIT_HEAD,
    LIMIT_TEXT,
    STATISTIC,
    another_temperature,
    kinds_of_determinations,
    no_determination,
    other_units,
    tells_apart,
)
from studykit.intake.columns import Texts, keys
from studykit.intake.delimited import Grid
from studykit.intake.header import expected_heads
from studykit.intake.headwords import CHANGES, PREPARED, SHEET_NAMES, VOID, WEAK, column_of, likely_analyte, stem_of
from studykit.intake.layouts import pointed
from studykit.intake.mapping import FileMapping
from studykit.intake.rows import NO_DETERMINATION
from studykit.intake.textlines import Block, line_fault, used_units
from studykit.study.definition import Study

_MOVED = "its cells may have moved by a decimal comma"
_REMARK = re.compile(r"(?i)remark|note|comment|observ|status|info|bemerk|anmerk|kommentar|hinweis|message|condition")
_LOOKS = (r"(?:clear|bright|(?:light |dark )?(?:amber|brown|yellow)|colou?rless|(?:bottle )?full(?: bottle)?|sealed|intact|"
          r"klar|(?:hell|dunkel)?(?:braun|gelb)|bernstein|farblos|(?:flasche )?voll|versiegelt|limpide|incolore|ambr(?:é|e)e?)")
"""How a sound sample looks (common practice, no source)."""
_CALM = re.compile(
    r"(?i)o\.?k\.?|okay|none|nil|n/?a|no remarks?|clear|good|normal|pass(ed)?|yes|no|repeat(ed)?|duplicate|released|valid|"
    r"final|reported|done|" + rf"{_LOOKS}(?:( ?[,;/+] ?| (and|und|et) ){_LOOKS})*")
_NEUTRAL = re.compile(
    r"(?i)analyst|operator|instrument|device|apparatus|lab\b|lab\.|laborator|order|customer|client|project|job|tray|vial|"
    r"receiv|date|time|day|page|location|site|store|lot\b|priorit|urgen|dringlich|turnaround|descr|name\b|weigh|einwaage|\bno\.?$|number|"
    r"nummer|anzahl|^n$|^no\. of|serial")
"""Headings of columns in which one row may differ from all others without a word about its result."""
_VALID = re.compile(r"(?i)\W*(?:(?:samples?|results?|tests?|values?|probe|ergebnis) )?(?:is )?"
                    r"(valid|g(ü|ue)ltig|accepted|acceptable|reportable|released|freigabe|approved|use|ok|o\.k\.|"
                    r"pass|passed|conform\w*)\b.*|\W*✓\W*")
_FACTOR = re.compile(r"(?i)(?<!\w)(df|dil(ution|\.)?|verd(ü|ue)nnung\w*|verd\.?|fa[ck]t(eu|o)rs?|faktor)(?!\w)")
_TIMES = re.compile(r"(?i)multipl|\bdivided?\b|\btimes\b|malnehmen|mal zu nehmen|^\W*[x\u00d7*]\W*$|"
                    r"^\W*(corr\w*|umrechnungs-?|korrektur-?)?\W*(factor|faktor|facteur)s?\W*$")
"""Headings of what results are to be multiplied by: other than 1 it is a question even where all rows have it."""
_LATER = re.compile(r"(?i)corr|nachtrag|\brev|\bnew\b|\bneu|final|updat|amend|addend|repeat|wiederhol|re-?run|retest|replace")
_VERSION = re.compile(r"(?i)\bv(ersion)? ?\.?[0-9]+\b")
"""Names of sheets that may take back what another sheet says (common practice, no source)."""
_UNCERTAIN = re.compile(r"(?i)^\W*u\W*$|^[U\u00b1]?\s*\(?k ?= ?2\)?|^U ?95|uncertaint|messunsicherheit|^\u00b1|\+/-|"
                        r"^incertitude")
_WHO = re.compile(r"(?i)^(?!.*(flag|qual|zeichen|sign\b)).*(analy(st|ste|tiker|zed by)|operator|technician|chemist|"
                  r"bearbeiter|pr(ü|ue)fer|initials|k(ü|ue)rzel|op(é|e)rateur|laborant)")
"""Headings under which a letter is somebody's initial."""
_PARTNER = re.compile(r"(?i)\W*(paired?( with| bottle| sample| code)?|partner|neighbou?r|companion|nachbar(flasche|probe)?)\W*")
"""Headings under which another sample's code says nothing about the result."""
_NO = re.compile(r"(?i)|no|n|false|0|not .*|fail.*|✗|✘|-|nein|non|rejected")
_DAY = re.compile(r"[0-9]{1,4}[-./ ](?:[0-9]{1,2}|[A-Za-z]{3,9})[-./ ][0-9]{1,4}(?:[ T].*)?")
_REPORTED_FROM = re.compile(r"(?i)\W*(rl|mrl|lo[qd]|mdl|pql|bg|ng|nwg|lq|(reporting|detection|quantitation) limit|"
                            r"bestimmungsgrenze|nachweisgrenze)(\W.*)?")
"""Headings of the least that a laboratory reports."""
MOST_NAMES = 2_000
"""So many different texts of a column are looked through for the names of analytes."""
MOST = 0.7
"""A column in which so many rows say the same has few that say something else."""
_PLACES = ("run", "run_order", "reported_on", "replicate")
_FLAGS = {"U", "J", "UJ", "B", "E", "R", "D", "ND", "N", "H", "L", "below", "above", "u", "j", "*", "T", "Q"}
_BELOW = {"U", "UJ", "ND", "u", "below", "above"}
_WHOLE = re.compile(r"-?[0-9]+[*\u2020\u2021a-z]?")
_BEGUN = re.compile(r"[<>]?-?[0-9]+(\s*[^\s\d.,]\S*)?")
_TELLING = ("analyte", "value", "unit", "qualifier", "limit", "replicate", "revision")
_SIGN = re.compile(r"<|>|<=|>=|≤|≥|<>|=<|=>")
_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?")


def column_faults(grid: Grid, block: Block, mapping: FileMapping, study: Study, codes: Sequence[str],
                  file: str) -> list[Fault]:
    """Columns ignored by "*" that look like results, their unit or their sign; refused until named one by one."""
    if "*" not in mapping.ignore_columns or mapping.layout == "wide-samples":
        return []
    mapped = expected_heads(mapping)
    own = set(codes)
    out = []
    for k, head in block.heads.items():
        if not head or head in mapped or head in mapping.ignore_columns or head in study.analytes:
            continue
        filled = {t.strip() for t in grid.cells[k].at(block.rows).distinct() if t.strip()}
        why = _why(head, filled, mapped, mapping, study, own)
        if why:
            out.append(Fault(file=file, row=int(grid.lines[block.header_at]), column=head,
                             reason=f"{why}, and ignore_columns = [\"*\"] would leave it out",
                             remedy="map it; once it is settled that it does not count, name it in ignore_columns"))
    return out


def _why(head: str, filled: set[str], mapped: set[str], mapping: FileMapping, study: Study, codes: set[str]) -> str:
    telling = column_of(head)
    if telling in _TELLING and telling not in mapping.columns and filled:
        return f"is a heading of the kind {telling!r}"
    if mapping.layout == "wide" and likely_analyte(head, study):
        return f"looks like results of {likely_analyte(head, study)}"
    lacking = set(study.analytes) - {t.analyte for t in map(mapping.target, mapping.analytes) if t} - mapped
    numbers = sum(bool(_NUMBER.fullmatch(t.lstrip("<>≤≥ "))) for t in filled)
    if mapping.layout == "wide" and lacking and telling is None and 2 * numbers > len(filled):
        return f"holds numbers, and nothing is read for {sorted(lacking)[0]}"
    stems, own = {m: stem_of(m) for m in mapped if stem_of(m)}, stem_of(head)
    later = [m for m, s in stems.items() if _LATER.search(head) and re.search(rf"\b{re.escape(s)}\b", own)]
    if later and any(_NUMBER.fullmatch(t) for t in filled):
        return f"looks like a newer {later[0]!r}"
    near = [m for m, s in stems.items() if re.match(rf"{re.escape(s)}\b", own) and filled]
    if near and any(_NUMBER.fullmatch(t) for t in filled):
        return f"looks like a second column of {near[0]!r}"
    return _holds(filled, codes)


def told_by(head: str, filled: set[str], codes: set[str]) -> str:
    """What a column that a proposal leaves out holds and says about results; '' for a remark or a place in a run.

    ``filled``: its texts; ``codes``: the study's sample codes.
    """
    telling = column_of(head)
    if telling in _TELLING and filled:
        return f"is a heading of the kind {telling!r}"
    if _UNCERTAIN.search(head):
        return ""
    if telling is None and any(_NUMBER.fullmatch(t.lstrip("<>≤≥ ")) for t in filled):
        return "holds numbers"
    if len(filled) > 0 and all(len(t) <= 2 for t in filled):
        return f"holds signs or letters such as {sorted(filled)[0]!r}"
    return _holds(filled, codes)


def _holds(filled: set[str], codes: set[str]) -> str:
    if any(_SIGN.fullmatch(t) for t in filled):
        return "holds signs such as '<'"
    if filled and filled <= _FLAGS:
        return f"holds letters such as {sorted(filled)[0]!r}, which may be flags"
    if len(filled & codes) > len(filled) / 2:
        return "holds sample codes"
    return ""


def row_doubts(grid: Grid, block: Block, mapping: FileMapping, known: set[str],
               codes: Set[str] = frozenset()) -> dict[int, str]:
    """Rows (positions) with a doubt told by a column that is not read: words about a result, split decimals.

    ``known``: the study's analytes; ``codes``: its sample codes. In a column of remarks that half of the rows leave
    empty any remark is a doubt that stands in two rows, or in a twentieth of them.
    """
    mapped = expected_heads(mapping) | (known if mapping.layout == "wide" else set())
    places = {k: h for k, h in block.heads.items() if h and h not in mapped}
    if mapping.layout == "wide-samples":
        places = {k: h for k, h in places.items() if h in mapping.ignore_columns}
    out: dict[int, str] = {}
    whose = _whose(grid, block, mapping) if places else None
    meant = mapping.analytes_meant() | (known & {*block.heads.values(), *_names_below(grid, block, mapping)})
    used = used_units(mapping, [block], grid) if places else set()
    for k, head in places.items():
        column = grid.cells[k].at(block.rows)
        out |= dict.fromkeys(block.rows.tolist(), why) if (why := another_temperature(head, column, meant)) else {}
        counts = np.bincount(column.codes, minlength=len(column.words))
        strange, apart, few = judged(head, column, counts)
        strange |= other_units(column, counts.tolist(), used)
        if whose is not None and not _NEUTRAL.search(head) and column_of(head) not in _PLACES:
            strange |= kinds_of_determinations(column, whose, column_of(head) == "revision")
        limits = bool(LIMIT_HEAD.fullmatch(head)) and column.flags(str.strip).all()
        for n, text in enumerate(column.words):
            if limits and LIMIT_TEXT.fullmatch(text.strip()):
                continue
            if (_WHO.search(head) and len(text.strip()) <= 2) or (_PARTNER.fullmatch(head) and text.strip() in codes):
                continue
            named = _names(text, codes)
            rare = n in strange or n in few
            if named or n in strange or says_doubt(text, rare):
                for i in block.rows[column.codes == n].tolist():
                    if n in strange or says_doubt(text, rare) or not named <= set(grid.row(i)) - {text.strip()}:
                        what = NO_DETERMINATION if n in apart and no_determination(text.strip()) else "its row says"
                        out[i] = f"{what} {text.strip()[:60]!r} under {head!r}"
        out |= _split_decimals(grid, block, k, column)
        out |= _at_the_limit(grid, block, mapping, head, column)
    if 2 * len(moved := {i for i, why in out.items() if why.startswith(_MOVED)}) >= len(block.rows) > 0:
        out |= {int(i): f"{_MOVED}, as those of most lines" for i in block.rows if int(i) not in moved}
    return out


def _at_the_limit(grid: Grid, block: Block, mapping: FileMapping, head: str, column: Texts) -> dict[int, str]:
    """Rows of a long table whose result is written like the limit of reporting beside it, two of them and more.

    A laboratory may write the limit where it found less, and leave the sign to the reader.
    """
    at = block.columns(mapping.columns.get("value")) if mapping.layout == "long" else []
    if not at or not _REPORTED_FROM.fullmatch(head):
        return {}
    own = grid.cells[at[0]].at(block.rows).tolist()
    same = [int(i) for i, a, b in zip(block.rows, own, column.tolist(), strict=True) if a.strip() and a.strip() == b.strip()]
    return dict.fromkeys(same, f"is written like its limit under {head!r}: found less?") if len(same) > 1 else {}


def judged(head: str, column: Texts, counts: np.ndarray) -> tuple[set[int], set[int], set[int]]:
    """Words (their places) of what is not read under a heading or a name, by which results are a question.

    Those that are strange among the others, those of them that tell what was measured, and rare remarks. ``counts``: of
    each word.
    """
    total = int(counts.sum())
    sparse = bool(_REMARK.search(head)) and 2 * int(np.count_nonzero(column.flags(_says))) <= total
    apart = tells_apart(head, column, counts.tolist())
    few = {n for n in range(len(counts)) if sparse and int(counts[n]) <= max(2, total // 20)}
    return _strange(head, column, counts) | apart, apart, few


def a_factor(head: str) -> bool:
    """Whether a heading, or a name, is that of a factor, or says whether results count."""
    return bool(_FACTOR.search(head) or _TIMES.search(head) or _VALID.fullmatch(head))


def _names_below(grid: Grid, block: Block, mapping: FileMapping) -> list[str]:
    """The names in the column of analytes; none in a wide table."""
    at = block.columns(mapping.columns.get("analyte"))
    return [t.strip() for t in grid.cells[at[0]].at(block.rows).distinct()[:MOST_NAMES]] if at else []


def _whose(grid: Grid, block: Block, mapping: FileMapping) -> np.ndarray | None:
    """Whose determination each line is, where lines of one sample are numbered in the order of the file; else None."""
    if mapping.replicates is None or "replicate" in mapping.columns or mapping.layout == "wide-samples" or not len(block.rows):
        return None
    own = block.columns(mapping.columns.get("sample"), mapping.columns.get("analyte"))
    return keys([grid.cells[k].at(block.rows) for k in own])


def _strange(head: str, column: Texts, counts: np.ndarray) -> set[int]:
    """Words of a column that few rows have while nearly all others say one and the same ('fail' among 'pass').

    Few are two, or one in twenty: what stands in more rows is a group of its own.
    Columns of days, places in a run and the like, where a row may differ, have none, and a blank cell is none. Under a
    heading such as 'Valid' every 'no' is one, and every blank beside others that are filled.
    """
    there = {n: text.strip() for n, text in enumerate(column.words) if counts[n]}
    no = {n for n, text in there.items() if _VALID.fullmatch(head) and _NO.fullmatch(text) and any(there.values())}
    if _TIMES.search(head) or (len(there) > 1 and _FACTOR.search(head)):  # a dilution of 2 among 1, of however many lines
        no |= {n for n, text in there.items() if text and not re.fullmatch(r"(1 ?: ?)?1([.,]0*)?", text)}
    own = column_of(head) in (*_PLACES, "method")
    if own or len(there) < 2 or _NEUTRAL.search(head) or _UNCERTAIN.search(head) or _near(there.values()):
        return no
    total = sum(int(counts[n]) for n in there)
    most = max(int(counts[n]) for n in there)
    if total < 4 or most < MOST * total or any(_DAY.fullmatch(t) for t in there.values()):
        return no
    few = max(2, total // 20)
    return no | {n for n in there if counts[n] <= few and there[n] and not _CALM.fullmatch(there[n])}


def _near(texts: Iterable[str]) -> bool:
    """Whether a column holds measured numbers that differ by a tenth of the largest at most, such as weights."""
    numbers = [float(t.replace(",", ".")) if _NUMBER.fullmatch(t) else math.nan for t in texts]
    return min(numbers) > 0 and max(numbers) - min(numbers) <= 0.1 * max(numbers)


def says_doubt(text: str, rare: bool) -> bool:
    """Whether a text that is not read is a doubt: a sign, a word that takes a result back or changes it, any if ``rare``."""
    sign = bool(_SIGN.fullmatch(text.strip())) or text.strip() in _BELOW
    return sign or (_says(text) and bool(rare or VOID.search(text) or CHANGES.search(text)))


def _says(text: str) -> bool:
    """Whether a remark says more than that all is well."""
    return bool(re.search(r"[^\W\d_].*[^\W\d_]|[<>=×*?]|\b[xX] ?[0-9]|[0-9] ?[:+] ?[0-9]", text)) and not (
        _CALM.fullmatch(text.strip()) or _DAY.fullmatch(text.strip()))


def _names(text: str, codes: Set[str]) -> set[str]:
    """The sample codes, of letters and figures, that a remark names beside other words."""
    words = set(re.findall(r"[^\s,;:()\[\]\"'=]+", text))
    return {w for w in words & codes if re.search(r"(?=.*[A-Za-z])(?=.*[0-9])", w)}


def _split_decimals(grid: Grid, block: Block, k: int, column: Texts) -> dict[int, str]:
    """Rows of a comma file whose cells may have moved to the right by a decimal comma.

    They have a whole number in the last column, which is not read and elsewhere holds text or nothing; or every row
    has one, and no cell of the file has a decimal sign. Where most rows have one beside decimals of their own it is sound.
    """
    head, last = block.heads[k], max(j for j, h in block.heads.items() if h)
    if grid.kind != "text" or grid.delimiter != "," or k != last:
        return {}
    point = pointed(grid, block)
    whole = column.flags(lambda t: (_WHOLE if point else _BEGUN).fullmatch(t.strip()))
    if not whole.any() or (point and (LIMIT_HEAD.fullmatch(head) or STATISTIC.fullmatch(head))):
        return {}
    if whole.all() and (point or column_of(head) in ("run", "run_order", "replicate", "revision")):
        return {}
    if point and 2 * int(np.count_nonzero(whole)) > len(block.rows):
        own = np.zeros(len(block.rows), dtype=bool)
        for j in block.heads:
            own |= grid.cells[j].at(block.rows).flags(lambda t: re.fullmatch(r"[<>]?\s*[0-9]+[.,][0-9]+", t.strip()))
        if (own & whole).any():
            return {}
    return {int(i): f"{_MOVED}: {head!r} holds a number" for i in block.rows[whole]}


def sheet_faults(grids: Sequence[Grid], read: Sequence[Grid], mapping: FileMapping, others: set[str],
                 codes: Sequence[str], study: Study, file: str) -> list[Fault]:
    """Sheets that nobody reads although they hold sample codes or analytes, and sheets read that are marked.

    ``others``: sheets that other entries read.
    """
    out: list[Fault] = []
    named = mapping.sheet not in (None, "*")
    for grid in grids:
        if grid in read:
            word = (VOID.search(grid.sheet) or _copy(grid.sheet, read)) if len(read) > 1 else (
                VOID.search(WEAK.sub("", grid.sheet)) or SHEET_NAMES.search(grid.sheet))
            word = word or PREPARED.search(grid.sheet)
            if (grid.hidden or word) and not named:
                what = "is hidden" if grid.hidden else f"is named {grid.sheet!r}"
                out.append(_sheet(file, grid, f"{what}: do its results count?"))
            units = used_units(mapping, []) | {study.unit_of(a) for a in study.analytes}
            told = line_fault(grid.sheet, set(), units, mapping, below=True)
            if told and ("the unit" in told.reason or not VOID.search(grid.sheet)):
                out.append(Fault(file=file, row=int(grid.lines[0]), column="sheet", value=grid.sheet, remedy=told.remedy,
                                 reason=told.reason.replace("is a line of text", "is the name of a sheet")))
            out += _of_another(grid, mapping, study, file)
        elif grid.sheet not in others and grid.sheet not in mapping.ignore_sheets:
            marked = grid.hidden or _LATER.search(grid.sheet) or _VERSION.search(grid.sheet) or _copy(grid.sheet, read)
            if holds_results(grid, codes) and (not named or marked or _has_more(grid, read, codes, study)):
                why = "" if named else ": its headings are others"
                what = "is hidden, holds" if grid.hidden else "holds"
                out.append(_sheet(file, grid, f"{what} sample codes and is not read{why}"))
            elif not holds_results(grid, codes) and (told := _told(grid, mapping, set(codes), study)):
                out.append(_sheet(file, grid, f"is not read: line {told.row} {told.reason}"))
    return out


def _of_another(grid: Grid, mapping: FileMapping, study: Study, file: str) -> Iterator[Fault]:
    """The fault of a sheet that is named after an analyte of which the mapping reads nothing in it."""
    own = likely_analyte(grid.sheet, study)
    if not own or mapping.layout == "long" or mapping.reasoned():
        return
    texts = {t.strip() for column in grid.cells for t in column.distinct()[:MOST_NAMES]} & set(study.analytes)
    meant = mapping.analytes_meant() - {""}
    if own not in meant | texts:
        yield Fault(file=file, row=int(grid.lines[0]), column="sheet", value=grid.sheet,
                    reason=f"is named after {own}, and its results would be read as {' and '.join(sorted(meant))}",
                    remedy=f'write an entry of its own for it: sheet = {grid.sheet!r}, with {own} under [file.analytes]; if '
                    'the name misleads, say who said so: { analyte = ..., reason = "who said so" }')


def _copy(name: str, read: Sequence[Grid]) -> bool:
    """Whether a sheet is named like a spreadsheet's copy of another one that is read: 'Results (2)'."""
    found = re.fullmatch(r"(.+?) ?\([0-9]+\)", name)
    return bool(found) and found[1] in {g.sheet for g in read}  # type: ignore[index]


def _sheet(file: str, grid: Grid, reason: str) -> Fault:
    return Fault(file=file, row=int(grid.lines[0]) if len(grid.lines) else None, column="sheet", value=grid.sheet,
                 reason=reason, remedy=f"name the sheet to read (sheet = ...), add an entry for {grid.sheet!r}, or write "
                        f"ignore_sheets = [{grid.sheet!r}]")


def _has_more(grid: Grid, read: Sequence[Grid], codes: Sequence[str], study: Study) -> bool:
    """Whether a sheet has a sample code or an analyte that none of the sheets read has."""
    def named(sheet: Grid) -> set[str]:
        texts = {t.strip() for column in sheet.cells for t in column.distinct()}
        return (texts & set(codes)) | {a for t in list(texts)[:2_000] if t and (a := likely_analyte(t, study))}
    return not named(grid) <= set().union(*map(named, read))


def _told(grid: Grid, mapping: FileMapping, codes: set[str], study: Study) -> Fault | None:
    """The first line of a sheet that says something about results."""
    units = used_units(mapping, []) or {study.unit_of(a) for a in study.analytes}
    for i in range(min(len(grid.lines), 500)):
        text = grid.text(i)
        found = line_fault(text, codes, units, mapping, below=True) if text else None
        if found:
            return replace(found, row=int(grid.lines[i]))
    return None


def holds_results(grid: Grid, codes: Sequence[str]) -> bool:
    """Whether a sheet has a sample code of the study and a number."""
    texts = {t.strip() for column in grid.cells for t in column.distinct()}
    return bool(texts & set(codes)) and any(_NUMBER.fullmatch(t) for t in texts)
