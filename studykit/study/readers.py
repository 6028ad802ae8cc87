"""How an answer to a question of ``studykit new`` is read, or refused with what to write."""

from __future__ import annotations

import re
from datetime import date
from typing import Any

from studykit.core.errors import BadInput, visible
from studykit.core.units import parse_unit
from studykit.study.amounts import BARE, SHARES, margin_in, measured, one_side, signed, ways
from studykit.study.definition import SAFE_NAME, Margin
from studykit.study.reasons import says_nothing
from studykit.vessels.packages import PACKAGES, Package, own_package, package_in

UNKNOWN = "not known"
KINDS = {"oil": ("oil", "lubric", "grease", "ester", "hydraulic"), "water-based": ("coolant", "glycol", "antifreeze", "water"),
         "suspension": ("suspension", "slurry", "dispersion", "paint", "glaze", "pigment"), "other": ()}
"""Kinds of liquid, and the words in its name that tell them."""
ELEMENTS = {"Al": "aluminium", "Ba": "barium", "B": "boron", "Ca": "calcium", "Cr": "chromium", "Cu": "copper", "Fe": "iron",
            "Pb": "lead", "Mg": "magnesium", "Mn": "manganese", "Mo": "molybdenum", "Ni": "nickel", "P": "phosphorus",
            "K": "potassium", "Si": "silicon", "Ag": "silver", "Na": "sodium", "S": "sulphur", "Sn": "tin", "Ti": "titanium",
            "V": "vanadium", "Zn": "zinc"}
WORDS = {"water": "Water", "viscosity": "KV40", "kv40": "KV40", "kv100": "KV100", "ph": "pH",
         **{k.casefold(): k for k in ELEMENTS}, **{name: k for k, name in ELEMENTS.items()}}
PRECISION = re.compile(r"(s_?r|r)\s*[=: ]\s*(.+)", re.I)


OPEN = (UNKNOWN, "unknown", "?", "don't know", "dont know", "do not know", "i don't know", "no idea")
EXAMPLES = {"pH": "0.2 pH", "1": "5 %, or 0.2, or a factor of 2", "1/mL": "a factor of 2, or 30 %, or 500 1/mL",
            "g/mL": "0.5 %, or 0.002 g/mL", "kg/m³": "0.5 %, or 2 kg/m³",
            **dict.fromkeys(SHARES, "5 % of the value, or 2 points (50 to 48), or a factor of 2")}
"""How a margin may be written beside a unit, where the usual example does not fit."""
LYING = "lying"


BACK = "back"
"""The word that leads back to the question before."""


class Back(Exception):
    """A person wants the question before once more."""


class Unclear(ValueError):
    """An answer that cannot be taken; its text says why and what to write."""


def as_text(text: str, short: str = "that is short: write it out, in 3 signs or more") -> str:
    """The answer in one line; Unclear where it is too short, too long or holds signs that nobody sees."""
    plain = " ".join(text.split())
    if len(plain) < 3:
        raise Unclear(short)
    if len(plain) > 300 or visible(plain) != plain:
        raise Unclear("write it in ordinary signs, 300 at most")
    return plain


def as_fluid(text: str) -> str:
    """What stands there; Unclear for a word that says nothing."""
    if says_nothing(text):
        raise Unclear("write what is known of it, from the label or the delivery note: oil, drained coolant, white slurry")
    return as_text(text)


def as_role(text: str) -> str:
    """The role that decides; Unclear for initials and 'me'."""
    plain = text.strip()
    if re.fullmatch(r"me|i|myself|us|we", plain, re.I) or re.fullmatch(r"(?:[A-Z]\.? ?){1,3}", plain):
        raise Unclear(f"“{plain}” tells others nothing, and names of people are kept out: write the role, such as "
                      "maintenance planner or quality manager")
    return as_said(text)


def as_method(text: str) -> str:
    """The method of an analyte; Unclear for a sign or two."""
    return as_text(as_said(text) if len(text.strip()) > 2 else text, "that is short: write it out, with its standard and year "
                   "or the laboratory's own number, such as: Karl Fischer, in-house 12, 2026")


def as_said(text: str) -> str:
    """The answer; Unclear where it says nothing."""
    if says_nothing(text):
        raise Unclear("that says nothing yet: write it in your own words")
    return as_text(text)


def as_kind(text: str) -> str:
    """The kind of liquid, one of ``KINDS``."""
    plain = text.strip().casefold()
    if plain not in KINDS:
        raise Unclear(f"write one of {', '.join(KINDS)}")
    return plain


def as_package(text: str) -> Package:
    """The package with its litres; Unclear where it is none, or its volume could be two."""
    try:
        found = package_in(as_text(text))
    except ValueError as error:
        raise Unclear(str(error)) from None
    if found is None:
        raise Unclear(f"write one of {', '.join(PACKAGES)}, or a word and what one holds: can 10 L, tank 8 m3")
    return found


def as_inside(text: str, package: Package) -> Package:
    """The package with its own inside in mm; Unclear where that holds less than stands in it."""
    numbers = [float(n.replace(",", ".")) for n in re.findall(r"\d+(?:[.,]\d+)?", text)]
    if len(numbers) not in (2, 3) or min(numbers) <= 0:
        raise Unclear("write two numbers in mm (diameter x height) or three (length x width x height)")
    made = own_package(package, numbers)
    if made.capacity_l < package.litres:
        raise Unclear(f"that holds {made.capacity_l:.3g} L, but {package.litres:g} L stand in it: measure in mm, inside")
    return made


def as_posture(text: str) -> str:
    """Whether they stand or lie."""
    plain = text.strip().casefold()
    if plain not in ("stand", "standing", "upright", "lie", "lying"):
        raise Unclear("write stand or lie")
    return LYING if plain in ("lie", "lying") else "upright"


def as_opening(text: str) -> bool:
    """True for an opening above the liquid; Unclear for none, with why nothing can be drawn."""
    plain = text.strip().casefold()
    if plain not in ("yes", "y"):
        raise Unclear("nothing can be drawn from it as it lies: a bung below the level empties it. Ask those who store it; set "
                      "upright by trained people it is stirred, has to stand again, and is then a study of standing ones"
                      if plain in ("no", "n") else "write yes or no")
    return True


def as_whole(text: str) -> int:
    """A whole number of 1 or more."""
    plain = text.strip()
    if not re.fullmatch(r"[1-9][0-9]{0,5}", plain):
        raise Unclear("write a whole number, 1 or more")
    return int(plain)


def as_at_most(number: int, most: int, what: str) -> int:
    """The number; Unclear where there are not so many."""
    if number > most:
        raise Unclear(f"there are {most} {what} only")
    return number


def as_stores(text: str, count: int) -> dict[str, int]:
    """Stores with the number in each; behind a colon the number is told from a number that belongs to the name."""
    both = f"{count - count // 2}, south {count // 2}"
    parts = [_store(p) for p in text.split(",")]
    pairs = [(as_text(name + "  ").strip() if len(name) > 2 else name, n) for name, n in parts]
    if len(pairs) == 1 and pairs[0][1] is None:
        pairs = [(pairs[0][0], str(count))]
    if any(n is None for _, n in pairs) or len({s for s, _ in pairs}) < len(pairs) or not all(s for s, _ in pairs):
        raise Unclear(f"write each store once and its number: north {both}")
    if (total := sum(int(n) for _, n in pairs if n)) != count:
        raise Unclear(f"that is {total} in all, but there are {count}; a name that ends in a number needs a colon and the "
                      f"number of containers behind it: bay 4: {count}")
    return {store: int(n) for store, n in pairs if n}


def _store(text: str) -> tuple[str, str | None]:
    """A store's name and the number written with it, if any."""
    found = re.fullmatch(r"\s*([^:]*\S)\s*:\s*(\d+)\s*", text) or re.fullmatch(r"\s*([^:]*?[^:\s\d])\s*(\d+)?\s*", text)
    if found is None:
        raise Unclear("write each store and its number: north 20, south 20; behind a name that ends in a number: bay 4: 20")
    return found[1], found[2]


def as_day(text: str) -> str:
    """The day as 2026-01-31, '' where it is not known; Unclear for one that has not come."""
    plain = text.strip()
    if plain.casefold() in OPEN:
        return ""
    try:
        day = date.fromisoformat(plain)
    except ValueError:
        raise Unclear(f"write the day as 2026-01-31, or: {UNKNOWN}") from None
    if day > date.today():
        raise Unclear("that day has not come yet")
    return day.isoformat()


def as_analytes(text: str) -> tuple[str, ...]:
    """The keys of the analytes, by the kit's own word where it has one."""
    keys = [WORDS.get(p.strip().casefold(), p.strip()) for p in text.split(",") if p.strip()]
    odd = [k for k in keys if not re.match(SAFE_NAME, k) or len(k) > 40]
    if odd or not keys:
        raise Unclear(f"write short names with letters and digits, comma between{': not ' + ', '.join(odd) if odd else ''}")
    if len({k.casefold() for k in keys}) < len(keys):
        raise Unclear("one of them is named twice")
    return tuple(keys)


def as_unit(text: str) -> str:
    """The canonical text of a unit."""
    try:
        return parse_unit(text.strip())
    except ValueError as error:
        raise Unclear(str(error)) from None


def as_level(text: str, unit: str) -> float | None:
    """A level in its unit, written or not; Unclear for another unit, and for a comma that may part thousands."""
    plain = text.strip()
    if plain.casefold() in OPEN:
        return None
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?)\s*(\D.*)?", plain)
    if not found or re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", found[1]) or (found[2] and as_unit(found[2]) != unit):
        raise Unclear(f"write a number above 0 in {unit}, without a sign between thousands, or: {UNKNOWN}")
    value = float(found[1].replace(",", "."))
    if not 0 < value <= (1e6 if unit == "mg/kg" else 1e9):
        raise Unclear(f"{value:g} {unit} cannot be: write the usual level, above 0{' and up to 1000000' * (unit == 'mg/kg')} "
                      f"{unit}, or: {UNKNOWN}")
    return value


def as_share(text: str) -> int:
    """A share in per cent, 1 to 99."""
    value = as_whole(text.strip().removesuffix("%"))
    if value > 99:
        raise Unclear("write a whole number from 1 to 99")
    return value


def repeats(unit: str) -> str:
    """How a repeatability is written beside a unit, for an example."""
    if unit in SHARES:
        return "r 4 % of the value, or s_r 0.5 points"
    return {"pH": "r 0.1 pH", "1": "r 4 %, or s_r 0.01"}.get(unit, f"r 4 %, or s_r 2 {unit}")


def as_precision(text: str, unit: str, told: str) -> dict[str, Any] | None:
    """The laboratory's own statement as study.toml writes it; None where the published one is taken, or none is known."""
    if text.strip().casefold() in (told.casefold(), told.partition(",")[0].casefold(), *(OPEN if told == UNKNOWN else ())):
        return None
    stated, _, source = text.partition(";")
    shape = PRECISION.fullmatch(stated.strip())
    if shape is None:
        raise Unclear("write r (how far two results of one bottle may differ) or s_r (their standard deviation) with its unit: "
                      f"{repeats(unit)}{f'; or: {UNKNOWN}' if told == UNKNOWN else ''}")
    key = "r" if shape[1].casefold() == "r" else "s_r"
    value, percent = _measured(shape[2], unit)
    return {f"{key}{'_percent' if percent else ''}": value,
            "source": as_said(source) if source.strip() else "stated by the laboratory"}


def _measured(text: str, unit: str) -> tuple[float, bool]:
    """A number above 0 and whether it is in per cent of the value; Unclear for what could be either, and another unit."""
    try:
        return measured(text, "this", unit)
    except BadInput as error:
        raise Unclear(f"{error.faults[0].reason}: {error.faults[0].remedy}") from None


def as_margin(text: str, unit: str, alone: bool = False) -> Margin:
    """The margin of an analyte in ``unit``; Unclear for what could be read in two ways, with both."""
    if text.strip().casefold() in OPEN or (says_nothing(text) and not re.search(r"\d", text)):
        raise Unclear("nothing can be judged without it: ask whoever uses the liquid which difference would change nothing, or "
                      f"take a part of the specification's width; {ways(unit)}")
    if alone and (one_side(text) or signed(text)):
        raise Unclear("a margin below or above only needs several containers: write it without that" if one_side(text) else
                      "write it without the sign")
    try:
        found = margin_in(text, unit)
    except BadInput as error:
        fault = error.faults[0]
        read = "" if "side" in fault.reason or unit in SHARES else f". Understood are: {understood(unit, alone)}"
        raise Unclear(f"{fault.reason}: {fault.remedy}{read}") from None
    if found.relative and unit == "pH":
        raise Unclear("pH is a logarithm already: write the margin as 0.2 pH")
    return found


def example_of(unit: str) -> str:
    """How a margin may be written beside a unit."""
    return EXAMPLES.get(unit, f"5 %, or 2 {unit}, or a factor of 2")


def understood(unit: str, alone: bool) -> str:
    """What is read as a margin beside a unit that is no share."""
    if unit in BARE:
        return EXAMPLES[unit] + ("" if alone else f"; on one side alone: {side_of(unit)} below")
    return f"5 %, 5 {unit}, a factor of 2" + ("" if alone else f"; on one side alone: 5 {unit} below, 5 % above")


def side_of(unit: str) -> str:
    """An amount beside a unit for the example of one side; on both sides of pH, which is a logarithm, in its own unit."""
    return "0.2 pH" if unit == "pH" else "5 % of the value" if unit in SHARES else "5 %"
