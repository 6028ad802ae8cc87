"""What ``studykit new`` asks, in its order, how an answer is read, and what is taken where nobody answers.

Nothing is asked that an earlier answer already says: the kind of liquid where its name tells it, unit and precision where
the kit knows the method, stores and numbers only where there are several containers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from studykit.core.errors import BadInput, Fault, visible
from studykit.core.units import parse_unit
from studykit.study.amounts import amount, margin_of, one_side, signed
from studykit.study.definition import SAFE_NAME, Margin
from studykit.study.precision import Method, find_method
from studykit.study.reasons import says_nothing
from studykit.vessels.packages import PACKAGES, Package, own_package, package_in

Found = Mapping[str, Any]
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


MOST_ASSUMED = 30
"""The largest share of containers beyond a margin (per cent) that is taken without an answer; own judgement."""


LYING = "lying"


class Unclear(ValueError):
    """An answer that cannot be taken; its text says why and what to write."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the kit knows of an analyte: name, unit, kind and method, and where its precision is published."""

    label: str
    unit: str
    kind: str
    method: str
    published: Method | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question: its key in an answers file, its text, how an answer is read, what is taken without one (None: nothing)."""

    key: str
    text: str
    read: Callable[[str], Any]
    default: str | None = None


def known(key: str, liquid: str) -> Known | None:
    """What is known of an analyte in this kind of liquid; None for all that the kit has no method of."""
    if liquid == "oil" and key in ELEMENTS:
        return Known(label=ELEMENTS[key], unit="mg/kg", kind="element", method="ICP-OES after ASTM D5185-18",
                     published=find_method("ASTM D5185-18", key))
    if liquid == "oil" and key in ("KV40", "KV100"):
        name = f"viscosity at {key[2:]} °C"
        return Known(label=name, unit="mm²/s", kind="viscosity", method=f"kinematic {name}, ASTM D445-12",
                     published=find_method("ASTM D445-12 formulated oils", key))
    if liquid == "oil" and key == "Water":
        return Known(label="water", unit="mg/kg", kind="water", method="Karl Fischer, coulometric, ASTM D6304")
    return None


def questions(found: Found) -> Iterator[Question]:
    """The questions in order, as far as the answers so far tell what comes next."""
    yield Question(key="fluid", text="What stands there (for instance: gear oil 220)?", read=_text)
    if kind_of(found["fluid"]) is None:
        yield Question(key="kind", text=f"What kind of liquid is that ({', '.join(KINDS)})?", read=_kind)
    yield Question(key="package", text=f"In what ({', '.join(PACKAGES)}, or your own: can 10 L)?", read=_package)
    if found["package"].shape == "":
        yield Question(key="inside", text=f"The inside of one {found['package'].name} in mm: diameter x height, or length x "
                                          "width x height?", read=lambda t: _inside(t, found["package"]))
    many = f"{found['package'].name}s"
    if package_of(found).rolls or "posture" in found:
        yield Question(key="posture", text=f"Do the {many} stand or lie?", default="stand", read=_posture)
    if found.get("posture") == LYING:
        yield Question(key="opening", read=_opening, text="Is there an opening above the liquid, through which a tube reaches "
                                                          "the lowest point (yes or no)?")
    yield Question(key="count", text=f"How many {many} are there?", read=_whole)
    if found["count"] > 1:
        yield Question(key="opened", text="How many of them will be opened?", default=str(min(12, found["count"])),
                       read=lambda t: _at_most(_whole(t), found["count"], many))
        if (found["opened"] or 1) > 1:  # None: the answer had a fault
            n, best = found["opened"], 100 * (1 - 0.05 ** (1 / found["opened"]))
            yield Question(key="share", default=str(share(n)) if share(n) <= MOST_ASSUMED else None, read=_share,
                           text=f"How many of 100 {many} may at most lie beyond a margin, and all be used alike all the same "
                                f"({n} opened ones can show {best:.0f} at best)?")
        yield Question(key="from", text="Where do they stand? With several stores the number in each: north 20, "
                                          "south 20 (or, where a name ends in a number, bay 4: 20)",
                       default="store", read=lambda t: _stores(t, found["count"]))
    yield Question(key="filled", text="When were they filled (2026-01-31)?", default=UNKNOWN, read=_day)
    example = "Si, KV40, water" if liquid_of(found) == "oil" else "solids, density, pH"
    yield Question(key="analytes", text=f"What is measured (comma between; for instance: {example})?", read=_analytes)
    for key in found["analytes"]:
        yield from _about(key, found)
    yield Question(key="responsible", text="Who decides what happens then (a role, not a name)?", read=_said)


def _about(key: str, found: Found) -> Iterator[Question]:
    """The questions about one analyte."""
    has, alone = known(key, liquid_of(found)), found["count"] == 1
    if has is None:
        yield Question(key=f"unit.{key}", text=f"{key}: in which unit is it reported?", read=_unit,
                       default="pH" if key == "pH" else "mg/kg" if key in ELEMENTS else None)
        yield Question(key=f"method.{key}", text=f"{key}: by which method (with its standard and year)?", read=_said)
    published = has.published if has else None
    if published is not None and (published.r.power != 1 or published.r.shift):
        yield Question(key=f"level.{key}", text=f"{key}: about how much of it is there, in {published.unit}? Its repeatability "
                                                "follows from that", default=UNKNOWN,
                       read=lambda t: _level(t, published.unit))
    unit = unit_of(key, found)
    told = (f"published, {published.key}" if published is not None else UNKNOWN)
    yield Question(key=f"precision.{key}", text=f"{key}: how well does the laboratory repeat it (r 4 %, or s_r 2 {unit}; then "
                                                "a semicolon and who says so)?",
                   default=None if alone and published is None else told, read=lambda t: _precision(t, unit, told))
    example = "0.2 pH" if unit == "pH" else f"5 %, or 2 {unit}, or a factor of 2"
    yield Question(key=f"margin.{key}", read=lambda t: _margin(t, unit, alone),
                   text=f"{key}: {_hint(published, found.get(f'level.{key}'))}the largest difference between top and bottom "
                        f"that does not matter ({example}{'' if alone else '; where one side alone matters: 5 % below'})?")
    yield Question(key=f"reason.{key}", text=f"{key}: why does a smaller difference not matter?", read=_said)


def _hint(method: Method | None, level: float | None) -> str:
    """What single results can show by the published repeatability, where the level is known."""
    if method is None or (level is None and (method.r.power != 1 or method.r.shift)):
        return ""
    percent = 100 * method.r.at(level or 100.0) / (level or 100.0)
    return f"two results of one bottle may differ by {percent:.2g} % (r). What is "


def share(opened: int) -> int:
    """The share of containers beyond the margin to be offered, in per cent: 20, or what so few can show with some room.

    If none of n lies beyond, up to 1 - 0.05^(1/n) of the stock could (95 % bound); an eighth of it as room is own judgement.
    """
    return max(20, 10 * math.ceil(112.5 * (1 - 0.05 ** (1 / opened)) / 10)) if opened > 1 else 99


def kind_of(fluid: str) -> str | None:
    """The kind of liquid that its name tells; None where it tells none, or several."""
    told = [k for k, words in KINDS.items() if any(w in fluid.casefold() for w in words)]
    return told[0] if len(told) == 1 else None


def liquid_of(found: Found) -> str:
    """The kind of liquid, told by its name or answered."""
    return str(found.get("kind") or kind_of(found["fluid"]))


def package_of(found: Found) -> Package:
    """The package with its inside as answered, on its side where it lies."""
    made: Package = found.get("inside") or found["package"]
    return made.lying() if found.get("posture") == LYING and made.rolls else made


def unit_of(key: str, found: Found) -> str:
    """The unit of an analyte, known or answered."""
    has = known(key, liquid_of(found))
    return has.unit if has else str(found[f"unit.{key}"])


def answered(given: Mapping[str, str], ask: Callable[[Question], Any] | None) -> tuple[dict[str, Any], list[str]]:
    """All answers as read, and the keys for which the default was taken.

    ``given``: answers by key, as text; ``ask`` gets the rest from a person, None where there is nobody to ask. BadInput names
    every answer that cannot be taken, every key that is no question, and, without a person, each that is missing.
    """
    found: dict[str, Any] = {}
    taken: list[str] = []
    faults: list[Fault] = []
    while (question := _next(found)) is not None:
        text = given.get(question.key)
        if text is None and ask is not None and not faults:
            found[question.key] = ask(question)
            continue
        if text is None and question.default is not None:
            taken.append(question.key)
        try:
            found[question.key] = question.read(_needed(question, text))
        except Unclear as error:
            faults.append(Fault(file="answers", column=question.key, value=text or "", reason=str(error)))
            if question.key in ("fluid", "kind", "package", "inside", "posture", "count", "analytes"):
                raise BadInput(faults, title="The answers have faults") from None  # what is asked next hangs on it
            found[question.key] = None if not question.key.startswith("unit.") else "mg/kg"
    asked = {q.key for q in questions(found)}
    faults += [_not_asked(k, v, found, asked) for k, v in given.items() if k not in asked]
    if faults:
        raise BadInput(faults, title="The answers have faults")
    return found, taken


def _not_asked(key: str, value: str, found: Found, asked: Iterable[str]) -> Fault:
    """An answer to what nobody asks: of an analyte that the kit knows, what it takes and where another one is written."""
    what, _, analyte = key.partition(".")
    has = known(analyte, liquid_of(found)) if what in ("method", "unit") and analyte in found["analytes"] else None
    if has is not None:
        return Fault(file="answers", column=key, value=value, reason=f"is not asked of {has.label} in this liquid: the kit "
                     f"takes {has.method}, in {has.unit}, and the precision published for it",
                     remedy=f"leave it out here; the laboratory's own {what} is written into study.toml afterwards, with "
                            "its own repeatability")
    return Fault(file="answers", column=key, value=value, reason="nothing is asked under this key",
                 remedy=f"asked here: {', '.join(sorted(asked))}")


def _next(found: Found) -> Question | None:
    return next((q for q in questions(found) if q.key not in found), None)


def _needed(question: Question, text: str | None) -> str:
    """The answer, or the default; Unclear where neither is there."""
    chosen = question.default if text is None or not text.strip() else text
    if chosen is None:
        raise Unclear(f"an answer is needed: {question.text}")
    return chosen


# ---- how answers are read


def _text(text: str) -> str:
    plain = " ".join(text.split())
    if not 3 <= len(plain) <= 300 or visible(plain) != plain:
        raise Unclear("write it in 3 to 300 ordinary signs")
    return plain


def _said(text: str) -> str:
    if says_nothing(text):
        raise Unclear("that says nothing yet: write it in your own words")
    return _text(text)


def _kind(text: str) -> str:
    plain = text.strip().casefold()
    if plain not in KINDS:
        raise Unclear(f"write one of {', '.join(KINDS)}")
    return plain


def _package(text: str) -> Package:
    found = package_in(_text(text))
    if found is None:
        raise Unclear(f"write one of {', '.join(PACKAGES)}, or a word and its litres: can 10 L")
    return found


def _inside(text: str, package: Package) -> Package:
    numbers = [float(n.replace(",", ".")) for n in re.findall(r"\d+(?:[.,]\d+)?", text)]
    if len(numbers) not in (2, 3) or min(numbers) <= 0:
        raise Unclear("write two numbers in mm (diameter x height) or three (length x width x height)")
    made = own_package(package, numbers)
    if made.capacity_l < package.litres:
        raise Unclear(f"that holds {made.capacity_l:.3g} L, but {package.litres:g} L stand in it: measure in mm, inside")
    return made


def _posture(text: str) -> str:
    plain = text.strip().casefold()
    if plain not in ("stand", "standing", "upright", "lie", "lying"):
        raise Unclear("write stand or lie")
    return LYING if plain in ("lie", "lying") else "upright"


def _opening(text: str) -> bool:
    plain = text.strip().casefold()
    if plain not in ("yes", "y"):
        raise Unclear("nothing can be drawn from it as it lies: a bung below the level empties it. Ask those who store it; set "
                      "upright by trained people it is stirred, has to stand again, and is then a study of standing ones"
                      if plain in ("no", "n") else "write yes or no")
    return True


def _whole(text: str) -> int:
    plain = text.strip()
    if not re.fullmatch(r"[1-9][0-9]{0,5}", plain):
        raise Unclear("write a whole number, 1 or more")
    return int(plain)


def _at_most(number: int, most: int, what: str) -> int:
    if number > most:
        raise Unclear(f"there are {most} {what} only")
    return number


def _stores(text: str, count: int) -> dict[str, int]:
    """Stores with the number in each; behind a colon the number is told from a number that belongs to the name."""
    both = f"{count - count // 2}, south {count // 2}"
    parts = [_store(p) for p in text.split(",")]
    pairs = [(_text(name + "  ").strip() if len(name) > 2 else name, n) for name, n in parts]
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


def _day(text: str) -> str:
    plain = text.strip()
    if plain.casefold() in (UNKNOWN, "unknown", "?"):
        return ""
    try:
        day = date.fromisoformat(plain)
    except ValueError:
        raise Unclear(f"write the day as 2026-01-31, or: {UNKNOWN}") from None
    if day > date.today():
        raise Unclear("that day has not come yet")
    return day.isoformat()


def _analytes(text: str) -> tuple[str, ...]:
    keys = [WORDS.get(p.strip().casefold(), p.strip()) for p in text.split(",") if p.strip()]
    odd = [k for k in keys if not re.match(SAFE_NAME, k) or len(k) > 40]
    if odd or not keys:
        raise Unclear(f"write short names with letters and digits, comma between{': not ' + ', '.join(odd) if odd else ''}")
    if len({k.casefold() for k in keys}) < len(keys):
        raise Unclear("one of them is named twice")
    return tuple(keys)


def _unit(text: str) -> str:
    try:
        return parse_unit(text.strip())
    except ValueError as error:
        raise Unclear(str(error)) from None


def _level(text: str, unit: str) -> float | None:
    """A level in its unit, written or not; Unclear for another unit, and for a comma that may part thousands."""
    plain = text.strip()
    if plain.casefold() in (UNKNOWN, "unknown", "?"):
        return None
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*(\D.*)?", plain)
    if not found or re.fullmatch(r"[1-9]\d{0,2}[.,]\d{3}", found[1]) or (found[2] and _unit(found[2]) != unit):
        raise Unclear(f"write a number above 0 in {unit}, without a sign between thousands, or: {UNKNOWN}")
    value = float(found[1].replace(",", "."))
    if not 0 < value < 1e9:
        raise Unclear(f"write a number above 0, or: {UNKNOWN}")
    return value


def _share(text: str) -> int:
    value = _whole(text.strip().removesuffix("%"))
    if value > 99:
        raise Unclear("write a whole number from 1 to 99")
    return value


def _precision(text: str, unit: str, told: str) -> dict[str, Any] | None:
    """The laboratory's own statement as study.toml writes it; None where the published one is taken, or none is known."""
    if text.strip().casefold() in (told.casefold(), told.partition(",")[0].casefold()):
        return None
    stated, _, source = text.partition(";")
    shape = PRECISION.fullmatch(stated.strip())
    if shape is None:
        raise Unclear(f"write r (two results of one bottle) or s_r (its standard deviation) with its unit: r 4 %, "
                      f"or s_r 2 {unit}")
    key = "r" if shape[1].casefold() == "r" else "s_r"
    value, percent = _measured(shape[2], unit)
    return {f"{key}{'_percent' if percent else ''}": value,
            "source": _said(source) if source.strip() else "stated by the laboratory"}


def _measured(text: str, unit: str) -> tuple[float, bool]:
    """A number above 0 and whether it is in per cent; Unclear for another unit than the analyte's."""
    try:
        given = amount(text, "this")
    except BadInput as error:
        raise Unclear(f"{error.faults[0].reason}: {error.faults[0].remedy}") from None
    if given.value <= 0 or not (given.relative or given.unit == unit):
        raise Unclear(f"write a number above 0 in % or in {unit}")
    return given.value, given.relative


def _margin(text: str, unit: str, alone: bool = False) -> Margin:
    if sided := one_side(text):
        if alone:
            raise Unclear("a margin below or above only needs several containers: write it without that")
        if one_side(sided[0]):
            raise Unclear("a side is named twice: write it once, 5 % below")
        return _margin(sided[0], unit).model_copy(update={"side": sided[1]})
    if why := signed(text):
        raise Unclear("write it without the sign" if alone else why)
    try:
        return _two_sided(text, unit)
    except Unclear as error:
        one = "" if alone else f"; on one side alone: 5 {unit} below, 5 % above"
        raise Unclear(f"{error}. Understood are: 5 %, 5 {unit}, a factor of 2{one}") from None


def _two_sided(text: str, unit: str) -> Margin:
    ratio = "factor" in text
    value, percent = (0.0, True) if ratio else _measured(text, unit)
    if percent and unit == "pH":
        raise Unclear("pH is a logarithm already: write the margin as 0.2 pH")
    try:
        return margin_of(text if ratio else f"{value!r} {'%' if percent else unit}")[0]
    except BadInput as error:
        raise Unclear(f"{error.faults[0].reason}: {error.faults[0].remedy}") from None
