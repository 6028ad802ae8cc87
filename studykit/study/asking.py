"""What ``studykit new`` asks, in its order, how an answer is read, and what is taken where nobody answers.

Nothing is asked that an earlier answer already says: the kind of liquid where its name tells it, unit and precision where
the kit knows the method, stores and numbers only where there are several containers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from studykit.core.errors import BadInput, Fault
from studykit.study import readers
from studykit.study.definition import Margin
from studykit.study.precision import R_FACTOR, Method, find_method
from studykit.study.readers import ELEMENTS, KINDS, LYING, UNKNOWN, Unclear
from studykit.vessels.packages import PACKAGES, Package

Found = Mapping[str, Any]

MOST_ASSUMED = 30
"""The largest share of containers beyond a margin (per cent) that is taken without an answer; own judgement."""


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
    """One question: its key in an answers file, its text, how an answer is read, what is taken without one (None: nothing).

    ``remark``: what is to be said of an answer that is taken all the same; '' for most.
    """

    key: str
    text: str
    read: Callable[[str], Any]
    default: str | None = None
    remark: Callable[[Any], str] | None = None


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
    yield Question(key="fluid", text="What stands there (for instance: gear oil 220)?", read=readers.as_fluid)
    if kind_of(found["fluid"]) is None:
        yield Question(key="kind", text=f"What kind of liquid is that ({', '.join(KINDS)})?", read=readers.as_kind)
    yield Question(key="package", read=readers.as_package,
                   text=f"In what ({', '.join(PACKAGES)}, or your own: can 10 L, tank 8 m3)?")
    if found["package"].shape == "":
        yield Question(key="inside", text=f"The inside of one {found['package'].name} in mm: diameter x height, or length x "
                                          "width x height?", read=lambda t: readers.as_inside(t, found["package"]))
    many = f"{found['package'].name}s"
    if package_of(found).rolls or "posture" in found:
        yield Question(key="posture", text=f"Do the {many} stand or lie?", default="stand", read=readers.as_posture)
    if found.get("posture") == LYING:
        yield Question(key="opening", read=readers.as_opening,
                       text="Is there an opening above the liquid, through which a tube reaches the lowest point (yes or no)?")
    yield Question(key="count", text=f"How many {many} are there?", read=readers.as_whole)
    if found["count"] > 1:
        yield Question(key="opened", text="How many of them will be opened?", default=str(min(12, found["count"])),
                       read=lambda t: readers.as_at_most(readers.as_whole(t), found["count"], many))
        if (found["opened"] or 1) > 1:  # None: the answer had a fault
            n = found["opened"]
            yield Question(key="share", default=str(share(n)) if share(n) <= MOST_ASSUMED else None, read=readers.as_share,
                           text=f"Up to how many {many} in 100 may differ by more than the margins that you will give, and all "
                                f"still be used? ({n} opened, all in order, show that no more than {least_share(n)} in 100 do)",
                           remark=lambda given: share_remark(n, given, found["count"], many))
        yield Question(key="from", text="Where do they stand? With several stores the number in each: north 20, "
                                          "south 20 (or, where a name ends in a number, bay 4: 20)",
                       default="store", read=lambda t: readers.as_stores(t, found["count"]))
    yield Question(key="filled", text="When were they filled (2026-01-31)?", default=UNKNOWN, read=readers.as_day)
    example = "Si, KV40, water" if liquid_of(found) == "oil" else "solids, density, pH"
    yield Question(key="analytes", text=f"What is measured (comma between; for instance: {example})?",
                   read=readers.as_analytes)
    for key in found["analytes"]:
        yield from _about(key, found)
    yield Question(key="responsible", text="Who decides what happens then (a role, not a name)?", read=readers.as_role)


def _about(key: str, found: Found) -> Iterator[Question]:
    """The questions about one analyte."""
    has, alone = known(key, liquid_of(found)), found["count"] == 1
    if has is None:
        yield Question(key=f"unit.{key}", text=f"{key}: in which unit is it reported?", read=readers.as_unit,
                       default="pH" if key == "pH" else "mg/kg" if key in ELEMENTS else None)
        yield Question(key=f"method.{key}", text=f"{key}: by which method (with its standard and year)?",
                       read=readers.as_method)
    published = has.published if has else None
    if published is not None and (published.r.power != 1 or published.r.shift):
        yield Question(key=f"level.{key}", text=f"{key}: about how much of it is there, in {published.unit}? Its repeatability "
                                                "follows from that", default=UNKNOWN,
                       read=lambda t: readers.as_level(t, published.unit))
    unit = unit_of(key, found)
    told = (f"published, {published.key}" if published is not None else UNKNOWN)
    leave = f"; or: {UNKNOWN}" if alone and published is None else ""
    yield Question(key=f"precision.{key}", text=f"{key}: how well does the laboratory repeat it ({readers.repeats(unit)}; then "
                                                f"a semicolon and who says so{leave})?",
                   default=None if alone and published is None else told,
                   read=lambda t: readers.as_precision(t, unit, told))
    side = f"; where one side alone matters: {readers.side_of(unit)} below"
    yield Question(key=f"margin.{key}", read=lambda t: readers.as_margin(t, unit, alone),
                   remark=lambda given: _below(given, key, found, alone),
                   text=f"{key}: {_hint(published, found.get(f'level.{key}'))}the largest difference between top and bottom "
                        f"that does not matter ({readers.example_of(unit)}{'' if alone else side})?")
    yield Question(key=f"reason.{key}", text=f"{key}: why does a smaller difference not matter?", read=readers.as_said)


def _hint(method: Method | None, level: float | None) -> str:
    """What single results can show by the published repeatability, where the level is known."""
    percent = _r_percent(method, level)
    return "" if percent is None else f"two results of one bottle may differ by {percent:.2g} % (r). What is "


def _r_percent(method: Method | None, level: float | None) -> float | None:
    """r in per cent of the level by a published precision; None where none is, or it hangs on a level that is not known."""
    if method is None or (level is None and (method.r.power != 1 or method.r.shift)):
        return None
    return 100 * method.r.at(level or 100.0) / (level or 100.0)


def least_share(opened: int) -> int:
    """The smallest whole share, in per cent, that so many opened containers can show: all in order, 95 % bound."""
    return math.ceil(100 * (1 - float(0.05 ** (1 / opened))))


def share_remark(opened: int, given: int, count: int, many: str) -> str:
    """That no result of so many opened containers can show the share that was asked, and how many could; '' where one can."""
    if given >= least_share(opened):
        return ""
    needed = opened_for(given)
    could = f"{needed} would have to be opened" if needed <= count else (
        f"{needed} would have to be opened, and there are {count}")
    return (f"no result of {opened} opened {many} can show that no more than {given} in 100 differ: at best it shows "
            f"{least_share(opened)} in 100, and the answer for the stock then is inconclusive. For {given} in 100 {could}")


def opened_for(percent: float, alpha: float = 0.05) -> int:
    """How many containers, all in order, show that no more than ``percent`` of the stock are not (1 - alpha bound)."""
    return math.ceil(math.log(alpha) / math.log1p(-percent / 100) - 1e-9)


def _below(margin: Margin, key: str, found: Found, alone: bool) -> str:
    """That a margin lies below the repeatability, where both are on one scale; else ''."""
    stated, has = found.get(f"precision.{key}"), known(key, liquid_of(found))
    if stated:
        name = next(k for k in stated if k != "source")
        value = float(stated[name])
        r, percent = value * (R_FACTOR if name.startswith("s_r") else 1), name.endswith("percent")
    else:
        told, percent = _r_percent(has.published if has else None, found.get(f"level.{key}")), True
        r = told or 0.0
    least = margin.percent if percent else margin.absolute
    if least is None or least >= r:
        return ""
    unit = "%" if percent else unit_of(key, found)
    cure = "several determinations of each bottle" if alone else "averages over many containers"
    return (f"taken, but two results of one bottle may differ by {r:.2g} {unit} (r), more than this margin: only {cure} could "
            "show it, and check says whether they can")


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
    answers = _by_key(given)
    found: dict[str, Any] = {}
    asked: list[str] = []
    taken: list[str] = []
    faults: list[Fault] = []
    while (question := _next(found)) is not None:
        told = answers.get(_plain(question.key))
        text = told[1] if told else None
        if text is None and ask is not None and not faults:
            try:
                found[question.key] = ask(question)
                asked.append(question.key)
            except readers.Back:
                _one_back(found, asked)
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
    all_asked = {_plain(q.key): q.key for q in questions(found)}
    faults += [_not_asked(k, v, found, all_asked.values()) for plain, (k, v) in answers.items() if plain not in all_asked]
    if faults:
        raise BadInput(faults, title="The answers have faults")
    return found, list(dict.fromkeys(taken))


def _by_key(given: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Answers with their keys as written, by the key in one case and with one word for an analyte; BadInput for two of one."""
    out: dict[str, tuple[str, str]] = {}
    for key, value in given.items():
        if (same := out.get(_plain(key))) is not None:
            raise BadInput([Fault(file="answers", column=key, value=value, reason=f"asks the same as {same[0]}",
                                  remedy="answer it once")], title="The answers have faults")
        out[_plain(key)] = key, value
    return out


def _plain(key: str) -> str:
    """A key in lower case, an analyte by the key that the kit has for its word: margin.water and margin.Water are one."""
    what, dot, analyte = key.partition(".")
    word = analyte.strip().casefold()
    return f"{what.strip()}{dot}{readers.WORDS.get(word, word)}".casefold()


def _one_back(found: dict[str, Any], asked: list[str]) -> None:
    """Take back the answer that a person gave last, and all that was read after it."""
    if asked:
        keys = list(found)
        for key in keys[keys.index(asked.pop()):]:
            del found[key]


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
