"""Words that laboratories use: for headings, for elements, for results that do not count."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from studykit.core.numbertext import tidy_text
from studykit.study.definition import Study
from studykit.study.naming import ELEMENTS

#: Words that take a result back, in a remark, a sheet's name or a line of text (common practice, no source).
VOID = re.compile(
    r"(?i)\b(invalid|not valid|void|withdrawn|cancel+ed|do not (use|report)|not to be used|wrong|mistake|error|spilt|"
    r"spilled|leak\w*|broken|contaminat\w*|swapped|mixed up|exchanged|doubtful|suspect|questionable|repeat (ordered|"
    r"needed|follows)|to be repeated|superseded|replaced by|corrected|code changed|draft|preliminary|provisional|old|"
    r"copy|ung[uü]ltig|verworfen|falsch|storniert|vertauscht|invalide|annul[eé]\w*|nul|reject\w*|outliers?|failed|"
    r"not (yet )?((?!detect|accredit)\w+ed|reliable|final|complete)|unreliable|mix-up|mixup|delete\w*|ignored?|"
    r"disregard\w*|pending|estimated?|"
    r"outside (the )?(calibration|range|limits)|out of (control|cal\w*|limits|range)|ooc|nok|air bubbles?|interchanged|"
    r"verwechselt|nicht verwenden|fehlerhaft|ne pas utiliser|fail(s|ure)?|not validated|unvalidated|extrapolat\w*|"
    r"to be confirmed|do(es)? not count|replaces|supersedes|uncertain|"
    r"for information only|test data|entwurf|vorl(ä|ae)ufig\w*|provisoires?|voorlopige?|brouillon|ongeldig|no v[aá]lido|"
    r"zur(ü|ue)ckgezogen|ersetzt|remplace|(noch )?nicht freigegeben|kontamin\w*|unsicher|undicht|(glas)?bruch|zerbrochen|"
    r"nur zur information|mix(ed)?-?up|swap|lost|spill|re-?run|retest|n\. ?i\. ?o\.?)(?!\w)")
#: Words of `VOID` that also stand in the head of a sound report.
WEAK = re.compile(r"(?i)\b(old|copy|corrected|code changed|ignored?|estimated?|fail(ed|s|ure)?|uncertain|lost|spill|swap)\b")
#: Names of sheets whose results may not count, beside the words of `VOID` (common practice, no source).
SHEET_NAMES = re.compile(r"(?i)\b(alt|roh\w*|raw|test ?run|muster|example|demo|trial|backup)\b")
SHEARED = re.compile(r"(?i)\b(rotation(al|s)\w*|shear (rate|stress)|scherrate|schergef(ä|ae)lle|cone.(and.)?plate|kegel.platte|"
                     r"dynami(c|sche) visc?k?osit\w*)")
"""Words of a viscosity that is measured by turning (common practice, no source)."""
#: Words that change a result, in a remark or a line of text (common practice, no source).
CHANGES = re.compile(
    r"(?i)\b(multipl\w*|divided?|factors?|corrections?|actually|instead|should (be|read)|to be read as|value is|"
    r"see (report|line|bottle|sample|letter)|times \d+|mal \d+|"
    r"(below|under|unter) (the |der )?(loq|lod|limits?|detection|\w*grenze)|underlined|unterstrichen|"
    r"(values?|results?|figures?|numbers?|werte|ergebnisse|zahlen) marked|dilut\w*|dil\.|df ?\d|"
    r"verd(ü|ue)nn\w*|fa[ck]teurs?|faktor(en)?|not (yet )?(taken|subtracted|deducted|corrected|applied)|uncorrected|"
    r"nicht (ber(ü|ue)cksichtigt|abgezogen)|ohne blindwert\w*|blank (values? )?not|rohwerte|raw (values?|readings?|counts?)|"
    r"expressed as|oxides|as oxide|als oxid\w*|oxydes|normali[sz]ed|normiert\w*|normalis(é|e)\w*|calculated as|"
    r"(berechnet|angegeben|ausgedr(ü|ue)ckt) als|exprim(é|e)\w* (en|comme)|as [A-Z][a-z]?2?O[2-5]?|"
    r"(als|as) [A-Z][a-z]?2O[1-5]|trockenmasse|dry (basis|matter|mass|weight)|volume basis|sum given|"
    r"order of (the )?samples|exchanged|recte|corr\.|(red|grey|gray|yellow|bold|italics?|hatched|marked|rot|grau|gelb|"
    r"fett|kursiv)\w*( cells?| values?)?( ?[:=]| means?| are)|"
    r"(in|on|with)( an?)? (red|green|blue|orange|gr[ea]y|yellow|bold|italics?|colou?r\w*|shad\w*|brackets|parenthes[ei]s)|"
    r"(durch|by) \d+ (teilen|geteilt|dividiert)|log10|log(arithm\w*)? ?(values?|werte)|per ?mille?|pro ?mille?|ppt|"
    r"per 100 ?m?[gl]|recover(y|ies)|wiederfindung\w*|relative to|relativ zu|differences? (to|from|between)|differenz\w*|"
    r"ratios?|verh(ä|ae)ltnis\w*|per ?cent of|"
    r"0(\.0)? (means|=|stands)|half (the )?volume|[x×*] ?[2-9]|[x×*] ?10+|is [gmµ]+/[kmg]+|in %)(?!\w)|[×*] ?[0-9]|"
    r"[<>≤≥] ?[0-9]|^= ?\w|% (of|de[rs]?)\b|\bln ?\(|\b1 ?(:|\+) ?[0-9]+\b|\bread by \d")
#: Lines below a table that say nothing about single results, in most reports (common practice, no source).
HARMLESS = re.compile(
    r"(?i)^\W*end\W*$|\b(end of|page|report|printed|approved|authori[sz]ed|signed|signatures?|checked|released|"
    r"reviewed|laborator(y|ies)|"
    r"analysts?|phone|tel|e-?mail|copyright|accredit\w*|reproduced|uncertaint\w*|as received|relate only|apply (only )?to|"
    r"according to|methods?|iso|astm|din|en|ip|iec|detected|detection|quantification|limit|sampled|received|date|legend|"
    r"abbreviations?|duplicates?|determinations?|thank|regards)\b|@|www\.|©")


BELOW = r"less than|below|under|unter|kleiner(?: als)?|weniger als|moins de|inf(?:é|e)rieur (?:à|a)"
ABOVE = r"more than|greater than|above|over|(?:ü|ue)ber|gr(?:ö|oe)(?:ß|ss)er(?: als)?|mehr als|plus de|sup(?:é|e)rieur (?:à|a)"
"""Words before the number of a limit (common practice, no source)."""
DITTO = re.compile("[\"\u201c\u201d\u201e\u2033\u3003\u00bb]|''|-\\s?[\"\u201d\u3003]\\s?-|"
                   "(?i:ditto|di?to\\.?|idem|id\\.|s\\. ?o\\.|"
                   "(see|as) above|wie oben)")
"""Marks that say: as above (common practice, no source)."""
#: Headings under which laboratories write our columns (common practice, no source); compared without case and marks.
HEADINGS: dict[str, tuple[str, ...]] = {
    "sample": ("sample", "samplecode", "sampleid", "samplename", "sampleno", "samplenumber", "code", "bottle",
               "bottleid", "bottlecode", "specimen", "label", "id", "yoursample", "clientsample", "clientid"),
    "analyte": ("analyte", "test", "parameter", "determination", "element", "property", "measurand", "component",
                "name"),
    "value": ("result", "value", "reading", "measured", "concentration", "content", "finalresult", "reportedresult"),
    "unit": ("unit", "units", "uom", "dimension"),
    "qualifier": ("qualifier", "flag", "sign", "prefix", "qual"),
    "limit": ("limit", "loq", "lod", "mdl", "rl", "reportinglimit", "detectionlimit", "quantificationlimit"),
    "replicate": ("replicate", "rep", "repeat", "replicateno", "repetition"),
    "run": ("run", "batch", "runno", "labbatch", "series", "runid", "batchno"),
    "run_order": ("position", "pos", "runorder", "sequence", "order", "seq", "runposition"),
    "method": ("method", "procedure", "testmethod", "standard"),
    "reported_on": ("reported", "date", "reportdate", "dateofreport", "reportedon", "datereported", "dateofissue"),
    "revision": ("revision", "rev", "version", "revisionno"),
}


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.casefold())


def stem_of(heading: str) -> str:
    """A heading without capitals and what stands in brackets behind it."""
    return re.sub(r"\s*[\[(].*$", "", tidy_text(heading)).casefold()


def column_of(heading: str) -> str | None:
    """Our column for which a heading plainly stands; None for none."""
    bare = _bare(heading)
    return next((name for name, words in HEADINGS.items() if bare in words), None)


def likely_analyte(name: str, study: Study) -> str | None:
    """The study's analyte that a name in a file plainly stands for: its key, label, element name; else None."""
    if re.search(r"\w\(\w+\)[0-9]", name):  # a formula such as Si(OH)4
        return None
    stem = re.sub(r"\s*[\[(].*$", "", tidy_text(name))
    short = re.sub(r"(?i)[\s,]*\b(content|concentration|total)\b[\s,]*", " ", stem).strip()
    for text in (tidy_text(name), stem, short):
        if text in study.analytes:
            return text
        found = [a for a in study.analytes
                 if _bare(text) and _bare(text) in (_bare(a), _bare(study.analytes[a].label or a))]
        symbol = ELEMENTS.get(_bare(text))
        if symbol in study.analytes:
            found.append(str(symbol))
        if len(set(found)) == 1:
            return found[0]
    return None


_COMPOUND = re.compile(
    r"(?<![A-Za-z0-9])(?=[A-Za-z]*[0-9(]|[A-Z][a-z]?O(?![A-Za-z0-9]))((?:[A-Z][a-z]?[0-9]{0,2}){2,})(?![A-Za-z0-9])")
_COMPOUNDS = re.compile(
    r"(?i)\b(di|tri|tetra|pent|hydr)?(oxide?s?|phosph?at\w*|sul(ph|f)at\w*|nitrat\w*|carbonat\w*|silicat\w*|silica|"
    r"ammoni\w*|borat\w*|boric)\b")
"""Compounds by formula (with a figure, or a metal's oxide) and by name."""
_DERIVED = re.compile(
    r"(?i)(?<!\w)(log(10)?|ln|delta|Δ|diff\w*|ratio|recover\w*|r?sd|cv|std\w*|s\.d\.|scatter|uncertain\w*|messunsicherheit|"
    r"bias|max|min|spec\w*|target|soll\w*|limit|lo[qd]|mdl|previous|former|old|alt|vorher|blank|blindwert|un-?corrected|"
    r"unkorrigiert|raw|roh\w*|k?cps|counts?|intensit\w*|absorbance|area|"
    r"sums?|summe|somme|versus|vs|against|gegen|relativ\w*|reference|referenz\w*|r(é|e)f(é|e)rence|minus|increase|"
    r"verh(ä|ae)ltnis\w*|quotient|rapport|change|(ä|ae)nderung|(é|e)cart)(?!\w)|±|(?<!\w)u ?\(|"
    r"(?-i:^[A-Z][a-z]? ?/ ?[A-Z][a-z]?)(?!\w)")
"""Words of headings for what is made of a result, or stands beside it (common practice, no source)."""
NOT_THE_STOCK = re.compile(
    r"(?i)(?<![^\W_])(filtered|filtrates?|filtrat|filtriert\w*|gefiltert\w*|filtr[ée]e?s?|gefiltreerd\w*|filtrado|dissolved|"
    r"gel(ö|oe)ste?\w*|dissoute?s?|dissous|opgeloste?|disuelt\w+|supernatants?|(ü|ue)berst(a|ä|ae)nd\w*|surnageant|centrifuged?|"
    r"zentrifugiert\w*|centrifugée?s?|decanted|dekantiert\w*|dry (basis|weight|mass|matter)|(on|auf|in|i\.) ?(dry|d\.?b\.?|"
    r"t[msr]|tr\.)|trockenmasse|trockensubstanz|soluble|l(ö|oe)slich\w*)(?![^\W_])|[<≤] ?[0-9][0-9.,]* ?[uµμ]m(?!\w)")
"""Words for a part of a sample, or another basis (common practice, no source): what is measured is not the stock itself."""
PREPARED = re.compile(
    NOT_THE_STOCK.pattern + r"|(?<![^\W_])(unfilter\w*|filt|filtration|undissolved|ungel(ö|oe)st\w*|digest(ed|ion)|"
    r"aufgeschlossen\w*|aufschluss|mikrowelle\w*|microwaved?|leach(ed|able|ate)|eluate?|extract(ed|able)|extrahier\w*|insoluble|"
    r"particulate|partikul(ä|ae)r\w*|suspended|sieved|gesiebt|free|frei|bound|gebunden|acid.soluble|spiked?|dotiert|aufgestockt|"
    r"dry|dried|wet|trocken|getrocknet|feucht|nass)(?![^\W_])|[<>≤≥] ?[0-9][0-9.,]* ?[uµμ]m(?!\w)|[0-9][0-9.,]* ?[uµμ]m(?!\w)")
"""Words for the way a sample was prepared, those of `NOT_THE_STOCK` among them (common practice, no source)."""
_MADE_OF = re.compile(r"(?i)(?<![^\W_])(mean|average|avg|median|mittel(wert)?|mw|moyenne|gemiddelde|promedio|ø|total|gesamt|"
                      r"sum)(?![^\W_])|x̄")
"""Words of headings that stand beside single determinations (common practice, no source)."""
_JOINED = re.compile(
    r"(?<![^\W\d_])(?=([^\W\d_]+)\s*(?:[-+/:&,;−–÷]|(?i:and|und|et|plus|to|zu|over|minus|oder|or|incl\.?|inkl\.?))"
    r"\s*([^\W\d_]+))")
"""Two words of a heading joined by a sign, or by a word for it."""
_DEGREES = re.compile(r"(?i)\b(?:kv|vk|v|visc\w*|visk\w*)[\s._-]*([0-9]{2,3})\b|([0-9]{2,3}) ?°")


def degrees_of(text: str) -> set[str]:
    """The temperatures that the name of a viscosity or a text with degrees has ('KV40', '100 °C')."""
    return {a or b for a, b in _DEGREES.findall(text)}


def stands_for_another(name: str, analyte: str, label: str) -> str:
    """Why a name in a file may be something else than an analyte: a compound, a scatter, another temperature; '' if not.

    ``label``: how the study calls the analyte, beside its key.
    """
    plain, own = unicodedata.normalize("NFKC", name), f"{analyte} {label}"
    for found in _COMPOUND.finditer(plain):
        parts = re.findall("[A-Z][a-z]?", found[1])
        if analyte in parts and len(set(parts)) > 1 and {"O", "H"} & set(parts) and found[1] not in own:
            return f"names the compound {found[1]}, which is more than {analyte}"
    word = _COMPOUNDS.search(plain)
    if word and analyte in ELEMENTS.values() and word[0].casefold() not in own.casefold():
        return f"names the compound {word[0]!r}, which is more than {analyte}"
    joined = _joined_with(plain, analyte)
    if joined and not joined <= set(_tokens(own)):
        return f"names {' and '.join(sorted(joined))} beside {analyte}: a sum, a ratio or a difference?"
    derived = _DERIVED.search(plain)
    if derived and derived[0].casefold() not in own.casefold():
        return f"has {derived[0].strip()!r} beside the analyte: is it {analyte} itself?"
    prepared = PREPARED.search(plain)
    if prepared and prepared[0].casefold() not in own.casefold():
        return f"has {prepared[0].strip()!r} beside the analyte: is it {analyte} as the study means it?"
    degrees, known = degrees_of(plain), degrees_of(own)
    if degrees and known and not degrees & known:
        return f"names {min(degrees)} °, and {analyte} is at {min(known)} °"
    return ""


def _tokens(text: str) -> list[str]:
    """The words of a text, those for an element by its symbol."""
    symbols = set(ELEMENTS.values())
    return [w if w in symbols else ELEMENTS.get(_bare(w), w) for w in re.findall(r"[^\W\d_]+", text)]


def _joined_with(name: str, analyte: str) -> set[str]:
    """The other elements that a heading joins with its own by a sign or a word ('Ca + Mg', 'Ca/P', 'calcium and magnesium')."""
    stem, symbols = re.sub(r"[\[(][^\[(]*[/%‰][^\[(]*[\])]\s*$", "", name), set(ELEMENTS.values())
    out: set[str] = set()
    for pair in _JOINED.finditer(stem):
        found = [s for w in (pair[1], pair[2]) for s in _tokens(w)]
        out |= set(found) - {analyte} if len(found) == 2 and set(found) <= symbols and len(set(found)) == 2 else set()
    return out


def stands_beside(name: str, others: Iterable[str]) -> str:
    """The word by which a name is another quantity than the ``others`` of its analyte ('Mean', 'total'); '' for none."""
    found, rest = _MADE_OF.search(name), list(others)
    return found[0] if found and rest and not all(_MADE_OF.search(o) for o in rest) else ""


def symbol_of(name: str) -> str:
    """The symbol of the element that a name such as 'Potassium (K)' begins with; '' for none."""
    return ELEMENTS.get(_bare(re.sub(r"\s*[\[(].*$", "", name)), "")
