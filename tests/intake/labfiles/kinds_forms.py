"""Ways to write one result in one cell: a table of texts, what each means, and whether two people read it alike.

From two generators by people who had the promise alone.
"""

from __future__ import annotations

from decimal import Decimal

from tests.intake.labfiles.build import POOL, Builder
from tests.intake.labfiles.registry import add

#: {n} the number, {m} another near it, {u} the unit, {h} a small half-width; '' number, '<' or '>' limit, '?' no result
ALIKE = (
    ("{n}\u00a0", ""), ("  {n} ", ""), ("+{n}", ""), ("{n} {u}", ""), ("{n}{u}", ""), ("<{n} {u}", "<"),
    ("< {n}", "<"), ("≤{n}", "<"), ("<={n}", "<"), ("\uff1c{n}", "<"), ("<\u2009{n}", "<"), (">{n}", ">"),
    ("≥ {n}", ">"), ("({n} ± {h}) {u}", ""), ("{n} ± {h}", ""), ("{n} +/- {h}", ""), ("{n} ± {h} {u}", ""),
)
ASKED = (
    ("ca. {n}", ""), ("~{n}", ""), ("≈{n}", ""), ("{n} ({m})", "?"), ("{n} / {m}", "?"), ("{n}; {m}", "?"),
    ("{n}\n{m}", "?"), ("{n}-{m}", "?"), ("{n} \u2013 {m}", "?"), ("{n}...{m}", "?"), ("{n} bis {m}", "?"),
    ("{n} -> {m}", "?"), ("{n} statt {m}", "?"), ("{n}*", ""), ("{n} a)", ""), ("{n} J", ""), ("{n}H", ""),
    ("{n}¹", ""), ("({n})", ""), ("[{n}]", ""), ("{n}?", "?"), ("{n}!", ""), ("{n}-", "?"), ("-{n}", "?"),
    ("\u2212{n}", "?"), ("~~{n}~~", "?"), ("{n}\u0336", "?"), ("max. {n}", "?"), ("min. {n}", "?"),
    ("not < {n}", "?"), ("<<{n}", "?"), ("{n} (n=2)", ""), ("{n}(4)", ""), ("{n} corr.", "?"), ("{n} invalid", "?"),
    ("{n} U", "<"), ("{n}<", "<"), ("lt {n}", "<"), ("less than {n}", "<"), ("{n}k", "?"), ("{n} x10", "?"),
    ("{n}·10^1", "?"), ("=\"{n}\"", ""), ("{n} mg/l", "?"), ("{n} kg/t soil", "?"), ("{n} cP", "?"),
    ("{n} (repeat)", ""), ("see note 2", "?"), ("{n} {m} corr.", "?"), ("{n}+{m}", "?"), ("{n} & {m}", "?"),
    ("{n}|{m}", "?"), ("Ø {n}", ""), ("{n} ↑", ""), ("↑{n}", ""),
)


def _form(text: str, meaning: str, alike: bool):  # type: ignore[no-untyped-def]
    def apply(b: Builder) -> None:
        det = b.pick("ones")
        step = Decimal(1).scaleb(-POOL[det.analyte].places)
        other = {"n": b.number(det.value), "m": b.number(det.value + 3 * step), "h": b.number(4 * step), "u": det.unit}
        b.text(det, text.format(**other))
        if meaning == "?":
            b.not_result(det)
        else:
            det.truth.qualifier = meaning
        if not alike:
            b.doubt(det)

    return apply


for _texts, _alike in ((ALIKE, True), (ASKED, False)):
    for _text, _meaning in dict.fromkeys(_texts):
        add(f"written {_text!r}", "forms of a cell", _alike, "dets", _form(_text, _meaning, _alike), scales=("ones",))
