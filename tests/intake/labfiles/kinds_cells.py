"""What stands in one cell: number conventions, words, limits, two values, slips."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from tests.intake.labfiles.build import POOL, SPREAD, TEXT, Builder, Det
from tests.intake.labfiles.model import Cell
from tests.intake.labfiles.registry import ALL, LAYOUTS, add

Write = Callable[[Builder, Det, str], str]
Mean = Callable[[Builder, Det], None]


def _same(b: Builder, det: Det) -> None:
    """The cell still means the number."""


def _none(b: Builder, det: Det) -> None:
    b.not_result(det)


def below(b: Builder, det: Det) -> None:
    """The cell means less than the rounded value."""
    det.truth.qualifier = "<"


def above(b: Builder, det: Det) -> None:
    """The cell means more than the value."""
    det.truth.qualifier = ">"


def cell(
    name: str,
    family: str,
    agree: bool,
    write: Write,
    mean: Mean = _same,
    *,
    scale: str = "",
    spread: str = "one",
    containers: tuple[str, ...] = ALL,
    layouts: tuple[str, ...] = LAYOUTS,
    also: Callable[[Builder], None] | None = None,
    quote: bool = True,
    slots: str = "cell",
) -> None:
    """A kind that writes its text in one cell, in two, or in a whole column."""

    def apply(b: Builder) -> None:
        if spread == "column":
            dets = b.column(scale)
        else:
            dets = [b.pick(scale) for _ in range(1 if spread == "one" else 2)]
        for det in dets:
            if scale and POOL[det.analyte].scale != scale:
                continue
            text = write(b, det, b.number(det.value))
            b.text(det, text)
            det.cell.raw = not quote
            if family == "missing codes" and not b.is_text and b.rng.random() < 0.6:
                det.cell.value = Decimal(text)
            mean(b, det)
            if not agree:
                b.doubt(det)
        if also:
            also(b)

    add(
        name,
        family,
        agree,
        "dets",
        apply,
        containers=containers,
        layouts=layouts,
        slots=slots,
        scales=(scale,) if scale else (),
    )


def second(b: Builder, det: Det) -> str:
    """Another value near the first, as written."""
    step = Decimal(1).scaleb(-POOL[det.analyte].places)
    return b.number(det.value + step * b.rng.randint(1, 4))


def grouped(text: str, sign: str, indian: bool = False) -> str:
    """Thousands signs in a number as written."""
    head, mark, tail = text, "", ""
    for sep in ".,":
        if sep in text:
            head, mark, tail = text.partition(sep)
    if indian:
        groups = [head[-3:]]
        head = head[:-3]
        while head:
            groups.insert(0, head[-2:])
            head = head[:-2]
        return sign.join(g for g in groups if g) + mark + tail
    groups = []
    while head:
        groups.insert(0, head[-3:])
        head = head[:-3]
    return sign.join(groups) + mark + tail


# --- two values in a cell

for _name, _sign in (
    ("newline", "\n"),
    ("space", " "),
    ("two spaces", "  "),
    ("semicolon", "; "),
    ("slash", " / "),
    ("slash without spaces", "/"),
    ("bar", " | "),
    ("and", " and "),
    ("comma and space", ", "),
    ("no-break space", "\u00a0"),
    ("apostrophe", "'"),
    ("tab", "\t"),
):
    for _scale in ("hundreds", "ones"):
        if _name in ("apostrophe", "no-break space", "two spaces", "tab", "bar") and _scale == "ones":
            continue
        cell(
            f"two values, {_name}, {_scale}",
            "two values",
            False,
            lambda b, d, n, s=_sign: f"{n}{s}{second(b, d)}",
            _none,
            scale=_scale,
            containers=SPREAD if _sign == "\t" else ALL,
        )
cell(
    "two values as whole numbers, newline",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)}\n{int(d.value) + b.rng.randint(1, 3)}",
    _none,
    scale="hundreds",
)
cell(
    "two values as whole numbers, space",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)} {int(d.value) + b.rng.randint(1, 3)}",
    _none,
    scale="hundreds",
)
cell(
    "two values as whole numbers, column, space",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)} {int(d.value) + b.rng.randint(1, 3)}",
    _none,
    scale="hundreds",
    spread="column",
)
cell(
    "two values as whole numbers, column, newline",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)}\n{int(d.value) + b.rng.randint(1, 3)}",
    _none,
    scale="hundreds",
    spread="column",
)
cell(
    "three values as whole numbers, commas",
    "two values",
    False,
    lambda b, d, n: ",".join(str(int(d.value) + i) for i in (0, 2, 4)),
    _none,
    scale="hundreds",
)
cell(
    "two values as whole numbers, comma",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)},{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell(
    "two values as whole numbers, point",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)}.{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell(
    "two values as whole numbers, apostrophe",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)}'{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell(
    "value and mean of two", "two values", False, lambda b, d, n: f"{n}; {second(b, d)} (mean {n})", scale="hundreds"
)

# --- numbers of many nations


def _say_thousands(b: Builder, sign: str) -> None:
    """Who declares the decimal sign mostly declares the thousands sign too."""
    if "decimal" in b.entry and sign != "_" and b.rng.random() < 0.7:
        b.entry["thousands"] = "'" if sign in "'\u2019" else " "


for _name, _sign, _agree in (
    ("apostrophe", "'", True),
    ("curly apostrophe", "\u2019", True),
    ("space", " ", True),
    ("no-break space", "\u00a0", True),
    ("thin space", "\u2009", True),
    ("narrow no-break space", "\u202f", True),
    ("underscore", "_", False),
):
    for _scale in ("thousands", "lakhs"):
        cell(
            f"thousands {_name}, column of {_scale}",
            "grouping",
            _agree and _name != "space",
            lambda b, d, n, s=_sign: grouped(n, s),
            scale=_scale,
            spread="column",
            also=lambda b, s=_sign: b.later("map", lambda x: _say_thousands(x, s)),
        )


def _other(b: Builder) -> str:
    return "," if b.style.decimal == "." else "."


cell(
    "thousands by the other sign, with decimals",
    "grouping",
    True,
    lambda b, d, n: grouped(f"{d.value:.1f}".replace(".", b.style.decimal), _other(b)),
    scale="thousands",
    spread="column",
)
cell(
    "thousands by the other sign, whole, declared",
    "grouping",
    False,
    lambda b, d, n: grouped(str(int(d.value)), _other(b)),
    lambda b, d: _whole(d),
    scale="lakhs",
    spread="column",
    also=lambda b: b.style.declare.add("decimal"),
)
cell(
    "thousands by the other sign, whole, undeclared",
    "grouping",
    False,
    lambda b, d, n: grouped(str(int(d.value)), _other(b)),
    lambda b, d: _whole(d),
    scale="thousands",
    spread="column",
    also=lambda b: b.style.declare.discard("decimal"),
)
cell(
    "thousands by the decimal sign, one cell",
    "grouping",
    False,
    lambda b, d, n: grouped(str(int(d.value)), b.style.decimal),
    lambda b, d: _whole(d),
    scale="thousands",
)
cell(
    "Indian grouping, whole",
    "grouping",
    False,
    lambda b, d, n: grouped(str(int(d.value)), _other(b), indian=True),
    lambda b, d: _whole(d),
    scale="lakhs",
    spread="column",
)
cell(
    "Indian grouping, with decimals",
    "grouping",
    False,
    lambda b, d, n: grouped(f"{int(d.value)}{b.style.decimal}5", _other(b), indian=True),
    lambda b, d: setattr(d.truth, "value", Decimal(int(d.value)) + Decimal("0.5")),
    scale="lakhs",
    spread="column",
)
cell(
    "the other decimal sign in one cell",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value:f}".replace(".", _other(b)),
    scale="ones",
)
cell(
    "the other decimal sign in a column",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value:f}".replace(".", _other(b)),
    scale="ones",
    spread="column",
)
cell(
    "the other decimal sign, three places, one cell",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value + Decimal('0.023'):.3f}".replace(".", _other(b)),
    lambda b, d: setattr(d.truth, "value", (d.value + Decimal("0.023")).quantize(Decimal("0.001"))),
    scale="ones",
)
cell(
    "three places, the usual sign, one cell",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value + Decimal('0.023'):.3f}".replace(".", b.style.decimal),
    lambda b, d: setattr(d.truth, "value", (d.value + Decimal("0.023")).quantize(Decimal("0.001"))),
    scale="ones",
)
cell(
    "middle dot for decimal point",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value:f}".replace(".", "\u00b7"),
    scale="ones",
)
cell(
    "apostrophe for decimal sign",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value:f}".replace(".", "'"),
    scale="ones",
)
cell("hyphen for decimal sign", "decimal sign", False, lambda b, d, n: f"{d.value:f}".replace(".", "-"), scale="ones")
cell(
    "space after the decimal sign",
    "decimal sign",
    False,
    lambda b, d, n: f"{d.value:f}".replace(".", b.style.decimal + " "),
    scale="ones",
)
cell(
    "Arabic decimal sign", "decimal sign", False, lambda b, d, n: f"{d.value:f}".replace(".", "\u066b"), scale="ones"
)
cell(
    "two decimal signs",
    "decimal sign",
    False,
    lambda b, d, n: n.replace(b.style.decimal, b.style.decimal * 2),
    scale="ones",
)


def _whole(det: Det) -> None:
    det.truth.value = Decimal(int(det.value))


def _digits(text: str, zero: int) -> str:
    return "".join(chr(zero + int(c)) if c.isdigit() else c for c in text)


cell(
    "digit point nothing",
    "number writing",
    True,
    lambda b, d, n: f"{int(d.value)}{b.style.decimal}",
    lambda b, d: _whole(d),
    scale="hundreds",
)
cell(
    "no digit before the point",
    "number writing",
    True,
    lambda b, d, n: n.removeprefix("0"),
    scale="below one",
    spread="column",
)
cell("exponent, small e", "number writing", True, lambda b, d, n: _exponent(b, d, "e"), scale="thousands")
cell("exponent, E+03", "number writing", True, lambda b, d, n: _exponent(b, d, "E+0"), scale="thousands")
cell(
    "exponent, column",
    "number writing",
    True,
    lambda b, d, n: _exponent(b, d, "E+0"),
    scale="thousands",
    spread="column",
)
cell(
    "exponent, times ten superscript",
    "number writing",
    False,
    lambda b, d, n: _exponent(b, d, "·10") + "\u00b3",
    scale="thousands",
)
cell("exponent, x10 and plain 3", "number writing", False, lambda b, d, n: _exponent(b, d, "x10"), scale="thousands")
cell("exponent, *10^3", "number writing", False, lambda b, d, n: _exponent(b, d, "*10^"), scale="thousands")
cell(
    "exponent with Unicode minus",
    "number writing",
    False,
    lambda b, d, n: f"{d.value * 10:f}".rstrip("0").rstrip(".").replace(".", b.style.decimal) + "E\u22121",
    scale="below one",
)
cell("plus sign", "number writing", True, lambda b, d, n: f"+{n}", scale="ones")
cell("fullwidth digits", "number writing", False, lambda b, d, n: _digits(n, 0xFF10), scale="ones")
cell("Arabic digits", "number writing", False, lambda b, d, n: _digits(n, 0x0660), scale="ones")
cell("Devanagari digits", "number writing", False, lambda b, d, n: _digits(n, 0x0966), scale="ones")
cell("superscript digits", "number writing", False, lambda b, d, n: n + "\u00b9", scale="ones")
cell("letter O for zero", "number writing", False, lambda b, d, n: _slip(b, d, "0", "O"), scale="thousands")
cell("letter l for one", "number writing", False, lambda b, d, n: _slip(b, d, "1", "l"), scale="thousands")
cell("hexadecimal look", "number writing", False, lambda b, d, n: f"0x{int(d.value):x}", _none, scale="hundreds")
cell(
    "fraction sign",
    "number writing",
    False,
    lambda b, d, n: f"{int(d.value)}\u00bd",
    lambda b, d: setattr(d.truth, "value", Decimal(int(d.value)) + Decimal("0.5")),
    scale="ones",
)
cell(
    "soft hyphen and zero-width space within",
    "number writing",
    False,
    lambda b, d, n: n[:1] + "\u200b" + n[1:],
    scale="hundreds",
)
cell("space within the number", "number writing", False, lambda b, d, n: n[:1] + " " + n[1:], scale="hundreds")
cell("minus sign before the number", "number writing", False, lambda b, d, n: f"-{n}", _none, scale="hundreds")
cell(
    "Unicode minus before the number", "number writing", False, lambda b, d, n: f"\u2212{n}", _none, scale="hundreds"
)
cell("en dash before the number", "number writing", False, lambda b, d, n: f"\u2013{n}", _none, scale="hundreds")
cell("number in brackets", "number writing", False, lambda b, d, n: f"({n})", _none, scale="hundreds")
cell("number in square brackets", "number writing", False, lambda b, d, n: f"[{n}]", _none, scale="hundreds")
cell("k for thousand", "number writing", False, lambda b, d, n: f"{_exponent(b, d, 'k')[:-1]}", scale="thousands")
cell("dilution 1:20", "number writing", False, lambda b, d, n: "1:20", _none, scale="ones")
cell(
    "ten times too large by a lost point",
    "number writing",
    False,
    lambda b, d, n: n.replace(b.style.decimal, ""),
    _none,
    scale="ones",
)
cell(
    "thousand times too large, unit slip",
    "number writing",
    False,
    lambda b, d, n: b.number(d.value * 1000 if d.value < 100 else d.value / 1000),
    _none,
    scale="",
)


def _exponent(b: Builder, det: Det, mark: str) -> str:
    mantissa = det.value / 1000
    if "decimal" not in b.style.declare:
        b.doubt(det)  # 2.801e3 with no sign declared: the docs promise a question
    det.truth.value = mantissa * 1000
    text = f"{mantissa:f}".rstrip("0").rstrip(".").replace(".", b.style.decimal)
    return f"{text}{mark}3"


def _slip(b: Builder, det: Det, digit: str, letter: str) -> str:
    text = b.number(det.value)
    if digit not in text:
        det.truth.value = Decimal(f"{det.value:f}"[:-1] + digit)
        text = b.number(det.truth.value)
    place = text.rindex(digit)
    return text[:place] + letter + text[place + 1 :]


# --- uncertainty, ranges, remarks in the cell

cell(
    "uncertainty ±",
    "more than a number",
    True,
    lambda b, d, n: f"{n} \u00b1 {b.number(Decimal('0.4'))}",
    scale="ones",
)
cell(
    "uncertainty +/-",
    "more than a number",
    False,
    lambda b, d, n: f"{n} +/- {b.number(Decimal('0.4'))}",
    scale="ones",
)
cell(
    "uncertainty ± without spaces",
    "more than a number",
    False,
    lambda b, d, n: f"{n}\u00b1{b.number(Decimal('0.4'))}",
    scale="ones",
)
cell("uncertainty in brackets (4)", "more than a number", False, lambda b, d, n: f"{n}(4)", scale="ones")
cell(
    "range with hyphen",
    "more than a number",
    False,
    lambda b, d, n: f"{int(d.value)}-{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell(
    "range with en dash",
    "more than a number",
    False,
    lambda b, d, n: f"{int(d.value)}\u2013{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell(
    "range with two points",
    "more than a number",
    False,
    lambda b, d, n: f"{int(d.value)}..{int(d.value) + 2}",
    _none,
    scale="hundreds",
)
cell("approximately ~", "more than a number", False, lambda b, d, n: f"~{n}", scale="ones")
cell("approximately ca.", "more than a number", False, lambda b, d, n: f"ca. {n}", scale="ones")
cell("footnote star", "more than a number", False, lambda b, d, n: f"{n}*", scale="ones")
cell("footnote letter a", "more than a number", False, lambda b, d, n: f"{n}a", scale="ones")
cell("footnote 1) after the number", "more than a number", False, lambda b, d, n: f"{n} 1)", scale="ones")
cell("footnote 1) close to the number", "more than a number", False, lambda b, d, n: f"{n}1)", scale="ones")
cell("invalid before the number", "more than a number", False, lambda b, d, n: f"invalid {n}", _none, scale="ones")
cell("question mark after the number", "more than a number", False, lambda b, d, n: f"{n}?", scale="ones")
cell("exclamation mark after the number", "more than a number", False, lambda b, d, n: f"{n}!", scale="ones")
cell("repeat in brackets", "more than a number", False, lambda b, d, n: f"{n} (repeat)", scale="ones")
cell(
    "the unit in the cell, same as declared", "unit in the cell", False, lambda b, d, n: f"{n} {d.unit}", scale="ones"
)
cell(
    "the unit in the cell, column, same as declared",
    "unit in the cell",
    False,
    lambda b, d, n: f"{n} {d.unit}",
    scale="hundreds",
    spread="column",
    slots="cell unit",
)
cell(
    "per cent in the cell, column in mg/kg",
    "unit in the cell",
    False,
    lambda b, d, n: b.number(d.value / 10000) + " %",
    scale="hundreds",
)
cell(
    "per cent in the cell, no space",
    "unit in the cell",
    False,
    lambda b, d, n: b.number(d.value / 10000) + "%",
    scale="hundreds",
    spread="column",
)
cell(
    "g/kg in the cell, column in mg/kg",
    "unit in the cell",
    False,
    lambda b, d, n: b.number(d.value / 1000) + " g/kg",
    scale="hundreds",
)
cell(
    "ppm in the cell, column in per cent",
    "unit in the cell",
    False,
    lambda b, d, n: f"{int(d.value * 10000)} ppm",
    lambda b, d: setattr(d.truth, "value", Decimal(int(d.value * 10000)) / 10000),
    scale="percent",
)
cell(
    "per cent sign in a per cent column",
    "unit in the cell",
    False,
    lambda b, d, n: f"{n} %",
    scale="percent",
    spread="column",
)
cell(
    "value of another unit without a word",
    "unit in the cell",
    False,
    lambda b, d, n: b.number(d.value / 10000),
    scale="hundreds",
)

# --- limits and words

_LT = ("<{}", "< {}", "\u2264{}")
for _i, _form in enumerate(_LT):
    cell(
        f"below, {_form.format('2')}",
        "limits",
        True,
        lambda b, d, n, f=_form: f.format(n),
        below,
        scale="ones",
        spread="two",
    )
cell("below, number then <", "limits", False, lambda b, d, n: f"{n}<", below, scale="ones")
cell("below, HTML &lt;", "limits", False, lambda b, d, n: f"&lt;{n}", below, scale="ones")
cell("below, LT 2", "limits", False, lambda b, d, n: f"LT {n}", below, scale="ones")
cell("below, fullwidth sign", "limits", False, lambda b, d, n: f"\uff1c{n}", below, scale="ones")
cell("below, <LOQ with number in brackets", "limits", False, lambda b, d, n: f"<LOQ ({n})", below, scale="ones")
cell("below, <2 (1.3)", "limits", False, lambda b, d, n: f"<{n} ({b.number(d.value / 2)})", below, scale="ones")
cell("below, <2 with a star", "limits", False, lambda b, d, n: f"<{n}*", below, scale="ones")
cell("below, double sign <<", "limits", False, lambda b, d, n: f"<<{n}", below, scale="ones")
cell("below, < 2 with unit", "limits", False, lambda b, d, n: f"<{n} {d.unit}", below, scale="ones")
cell("above, >", "limits", True, lambda b, d, n: f">{n}", above, scale="hundreds")
cell("above, > and a space", "limits", True, lambda b, d, n: f"> {n}", above, scale="hundreds")
cell("above, \u2265", "limits", True, lambda b, d, n: f"\u2265{n}", above, scale="hundreds")
cell("above with thousands space", "limits", False, lambda b, d, n: ">" + grouped(n, " "), above, scale="thousands")
cell(
    "above with thousands by the decimal sign",
    "limits",
    False,
    lambda b, d, n: ">" + grouped(str(int(d.value)), b.style.decimal),
    lambda b, d: (above(b, d), _whole(d))[0],
    scale="thousands",
)
cell("between, >1 <3", "limits", False, lambda b, d, n: f">{int(d.value)} <{int(d.value) + 2}", _none, scale="ones")
cell("below zero, <0", "limits", False, lambda b, d, n: "<0", _none, scale="ones")
cell("0 for not detected", "limits", False, lambda b, d, n: "0", _none, scale="hundreds")
cell("0.0 for not detected", "limits", False, lambda b, d, n: f"0{b.style.decimal}0", _none, scale="ones")


def _limit(factor: str, declared: str) -> Mean:
    def mean(b: Builder, det: Det) -> None:
        limit = (POOL[det.analyte].nominal * Decimal(factor)).quantize(Decimal("0.01")).normalize()
        det.truth.value, det.truth.qualifier = Decimal(f"{limit:f}"), "<"
        b.later("map", lambda x: _declare(x, det, limit, declared))

    return mean


def _declare(b: Builder, det: Det, limit: Decimal, declared: str) -> None:
    if declared == "study":
        b.study[det.analyte]["limit"] = float(limit)
    elif declared == "file":
        name = b.head_of(det.analyte) if b.style.layout == "wide" else b.heads[det.analyte]
        b.maps["limits"][name] = float(limit)


for _word in ("n.d.", "ND", "not detected", "BDL", "<LOD", "trace"):
    cell(
        f"{_word}, limit in the mapping",
        "words",
        _word not in ("trace",),
        lambda b, d, n, w=_word: w,
        _limit("0.5", "file"),
        scale="ones",
    )
    cell(
        f"{_word}, limit in study.toml",
        "words",
        _word not in ("trace",),
        lambda b, d, n, w=_word: w,
        _limit("0.5", "study"),
        scale="ones",
    )
cell("n.d., no limit stated", "words", False, lambda b, d, n: "n.d.", _none, scale="ones")
cell("n.d. (<2)", "words", False, lambda b, d, n: f"n.d. (<{n})", below, scale="ones")
cell(
    "nd for not determined",
    "words",
    False,
    lambda b, d, n: "nd",
    lambda b, d: (_limit("0.5", "study")(b, d), _none(b, d))[0],
    scale="ones",
    also=lambda b: b.later("grid", lambda x: _note(x, "nd = not determined")),
)


def _note(b: Builder, text: str) -> None:
    from tests.intake.labfiles.model import text_cells

    if b.style.footer:
        b.sheet.rows.append(text_cells(text))
    else:
        b.sheet.rows += [text_cells(""), text_cells(text)]


def _above_word(word: str) -> Callable[[Builder], None]:
    def also(b: Builder) -> None:
        b.later("map", lambda x: x.maps["words"].__setitem__(word, "above limit"))

    return also


def _over(b: Builder, det: Det) -> None:
    b.not_result(det)
    lower = (POOL[det.analyte].nominal / 2).quantize(Decimal("0.01"))
    b.later("map", lambda x: _declare(x, det, lower, b.rng.choice(["file", "study"])))


for _word in ("OVR", "OVER", "TNTC", "saturated"):
    cell(
        f"{_word}, declared above the limit, only a lower limit known",
        "words",
        False,
        lambda b, d, n, w=_word: w,
        _over,
        scale="hundreds",
        also=_above_word(_word),
    )
    cell(f"{_word}, undeclared", "words", False, lambda b, d, n, w=_word: w, _none, scale="hundreds")
for _word in (
    "-",
    "\u2014",
    "n/a",
    "see remark",
    "insufficient sample",
    "#N/A",
    "NaN",
    "nan",
    "inf",
    "Infinity",
    "-inf",
    "1e400",
    "TRUE",
    "NULL",
    "None",
    "--",
    "x",
    "?",
    "ok",
    "###",
    "follows",
    "&nbsp;",
    "\u2713",
):
    cell(f"word {_word!r}", "words", False, lambda b, d, n, w=_word: w, _none, scale="ones")
for _code in ("-999", "9999", "-1", "99999", "-99.9", "-9999"):
    cell(
        f"missing code {_code}",
        "missing codes",
        False,
        lambda b, d, n, w=_code: w.replace(".", b.style.decimal),
        _none,
        scale="hundreds",
        spread="two",
    )


def _stored(b: Builder, text: str) -> Cell:
    return Cell(text) if b.is_text else Cell(text, value=Decimal(text))


def _missing_number(b: Builder) -> None:
    det = b.pick("hundreds")
    det.cell = Cell("-999", value=Decimal(-999), truth=[det.truth])
    b.not_result(det)
    b.doubt(det)


add(
    "missing code -999 as a number",
    "missing codes",
    False,
    "dets",
    _missing_number,
    containers=SPREAD,
    scales=("hundreds",),
)
cell(
    "blank cell, declared not measured",
    "blank",
    True,
    lambda b, d, n: "",
    _none,
    scale="ones",
    layouts=("wide", "wide-samples"),
    also=lambda b: b.style.declare.add("blank"),
)
cell(
    "blank cell, undeclared",
    "blank",
    False,
    lambda b, d, n: "",
    _none,
    scale="ones",
    also=lambda b: b.style.declare.discard("blank"),
)
cell(
    "blank cell that meant below limit, declared not measured",
    "blank",
    False,
    lambda b, d, n: " ",
    _none,
    scale="ones",
    also=lambda b: b.style.declare.add("blank"),
)

# --- what spreadsheets did to a number on the way to a text file

cell(
    "date for a number, 9.Aug", "coerced", False, lambda b, d, n: f"{b.rng.randint(1, 28)}. Aug", _none, scale="ones"
)
cell("date for a number, Aug-09", "coerced", False, lambda b, d, n: "Aug-09", _none, scale="ones")
cell("date for a number, ISO", "coerced", False, lambda b, d, n: "2026-08-09", _none, scale="ones")
cell(
    "date for a number, serial day",
    "coerced",
    False,
    lambda b, d, n: str(46240 + b.rng.randint(0, 300)),
    _none,
    scale="ones",
)
cell("date for a number, d.m", "coerced", False, lambda b, d, n: "09.08.2026", _none, scale="ones")
cell("time for a number, 9:48", "coerced", False, lambda b, d, n: "09:48", _none, scale="ones")
cell("formula text", "coerced", False, lambda b, d, n: f"={n}*1", _none, scale="ones")
cell("leading apostrophe", "coerced", False, lambda b, d, n: f"'{n}", scale="ones")
cell("leading zeros", "coerced", False, lambda b, d, n: f"00{n}", scale="ones")
cell(
    "cut by a narrow column, 1.2E+0",
    "coerced",
    False,
    lambda b, d, n: "1.2E+0".replace(".", b.style.decimal),
    _none,
    scale="hundreds",
)
cell(
    "control character in the cell",
    "coerced",
    False,
    lambda b, d, n: n[:1] + "\x07" + n[1:],
    containers=TEXT,
    scale="ones",
)
cell("right-to-left mark", "coerced", False, lambda b, d, n: "\u200f" + n, scale="ones")
cell(
    "vertical tab between two values",
    "two values",
    False,
    lambda b, d, n: f"{int(d.value)}\x0b{int(d.value) + 2}",
    _none,
    scale="hundreds",
    containers=TEXT,
)
