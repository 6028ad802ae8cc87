"""The safety profile of a study: what its safety data sheet says, and what the kit may therefore plan or advise.

The section ``[safety]`` of study.toml holds the answers.  What is not answered counts as the worse, and stirring,
heel draws and advice to mix stay barred until every answer is there.  The kit never permits anything: a cleared act
is one that the kit may plan; data sheet, law, permits and licensed people decide whether it is done.

Limits, all from memory (paid standards, check your copy): a mixture can give an explosive atmosphere from 15 °C
below its flash point (EN 1127-1 and national rules made from it; 5 °C for a pure liquid); liquids below 10 000 pS/m
charge up when they are stirred or hold a second phase, and a low-conductivity liquid is left to stand for 30 minutes
before a probe goes in (API RP 2003, IEC TS 60079-32-1).  That agitation charges, that a lowered probe can spark and
that charge needs time to go: DOE-HDBK-1015/2-93, Hazards of Chemicals and Gases, page 37 (text seen).
"""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from studykit.study.wording import named_in, order_in

Answer = Literal["yes", "no", "unknown"]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Act = Literal["heel draw", "stirring", "shaking"]
Material = Literal["metal", "plastic", "other", "unknown"]

BELOW_FLASH_C = 15.0  # from memory, see above
CHARGES_BELOW_PS_M = 10_000.0  # from memory, see above
HOT_C = 43.0  # skin that stays on something hotter burns in time (ISO 13732-1, from memory)
REST_MINUTES = {True: 30, False: 1}  # charging or not; the minute for still liquid: common practice, no source
RELAXATION_S_PS_M = 2.3 * 8.854  # relaxation time times conductivity: the permittivity of oils, 2.3 times that of empty space
RELAXATIONS = 3  # waited for after each draw: a twentieth of the charge is left; own practice, no source
WORST_FIRST: tuple[Material, ...] = ("unknown", "other", "plastic", "metal")
IN_WORDS = {"data_sheet": "safety data sheet", "flash_point_c": "flash point",
            "liquid_up_to_c": "highest temperature of the liquid", "conductivity_ps_m": "conductivity",
            "vessel_material": "material of the container",
            "pressure_or_gas": "pressure or gas", "free_water": "free water", "toxic_or_corrosive": "toxic or corrosive",
            "permit": "permit for opening"}
"""What each key asks for, as those read who do not write study.toml."""
NAMED = ("data_sheet", "permit", "mixing_procedure")

_ABSENT = (r"no(?!\.?\s*\d)|not|none|nil|null|nan|nobody|nothing|never|unknown|unclear|unsure|missing|lost|later|pending|lacks?"
           r"|without|lacking|forgotten|tb[acds]|to ?do|to be|to follow|follows|ask(?:ed)?|write|fill in|see (?:above|below)"
           r"|unbekannt|keine?[nrs]?|fehlt|ohne|nicht|nein|aucune?|inconnue?|sans|pas|ning[uú]n[ao]?|desconocid[ao]"
           r"|nessun[ao]?|sconosciut[ao]|geen|onbekend|brak|ukendt|ok[äa]nd"
           r"|who(?:m|so)?ever|whatever|whichever|some(?:one|body|how)"
           r"|any(?:one|body)|look(?:ed)?(?: it)? up"
           r"|will (?:be|look|ask|find|get|check|follow)|as (?:always|usual|ever|discussed)|the usual"
           r"|like always|we (?:just|always|roll|do|use|will)|just|wie (?:immer|besprochen|üblich)|siehe (?:oben|unten)"
           r"|folgt|irgendwer|irgendwie|wird (?:noch )?nachgereicht|comme d['’]habitude|comme convenu|à suivre|como siempre"
           r"|come (?:sempre|al solito)|zoals altijd")
_HOLLOW = re.compile(r"n\W?a|x{2,}|open|yes|y|ok|okay|true|false|done|given|any|ja|oui|s[ií]|test|example|void|empty", re.I)
_DOCUMENT = re.compile(r"\b(?:procedures?|instructions?|instruction sheet|method statement|manual|standard operating|document"
                       r"|work order|sops?|\w*anweisung(?:en)?|\w*vorschrift(?:en)?|verfahrensanweisung|procédures?"
                       r"|consignes?|mode opératoire|instrucci[oó]n(?:es)?|procedimientos?|istruzion[ei]|procedur[ae]"
                       r"|instructies?|voorschrift)\b", re.I)
_CODE = re.compile(r"\b(?!NO\b)[A-Z]{1,6}[-./ ]?\d")
_ITS_OWN = re.compile(r"\b(?:the|a|an|our|your|their|its|own|of|for|by|in|on|at|to|with|and|as|per|site|sites|works?|written"
                      r"|plant|company|usual|normal|standard|internal|safety|mix\w*|blend\w*|see|is|has|have|we|there|it"
                      r"|them|all|die|der|das|des|zum|für|le|la|les|de|du|el|los|il|het|een|s)\b", re.I)
_ABSENCE = re.compile(rf"(?<!\w)(?:{_ABSENT})(?!\w)", re.I)


def names_nothing(text: str) -> bool:
    """Whether the answer to who, what or by which procedure names none: empty, a mere yes, words of absence, an order.

    One rule for data_sheet, permit and mixing_procedure.  A number after "no" is a number ("permit no. 12").  An answer
    that is misread so leaves things barred, and the sheets say which words were read.
    """
    plain = text.strip(" \t.,;:!?…-–—_/()[]'\"")
    return not re.search(r"\w\w", plain) or _HOLLOW.fullmatch(plain) is not None or (
        _ABSENCE.search(plain) is not None or order_in(plain) != "")


def names_no_procedure(text: str) -> bool:
    """Whether a mixing_procedure names no procedure.

    As of ``names_nothing``; or it asks for what the cautions forbid; or it names a device or a way of mixing ("drum
    roller", "rolling for ten minutes") and no written document: a word such as instruction with what it is about or its
    number, or a code such as WI-7.
    """
    return names_nothing(text) or not named_in(text).keys() <= {"mixing", "floor draw"} or not _names_document(text)


def _names_document(text: str) -> bool:
    """Whether a text has the code of a document, or the word for one and more than that it is the site's for mixing."""
    if _CODE.search(text):
        return True
    rest, found = _DOCUMENT.subn(" ", text)
    return found > 0 and re.search(r"\w{2}|\d", _ITS_OWN.sub(" ", rest)) is not None


class SafetySettings(BaseModel):
    """Answers from the safety data sheet and the site; left out or "unknown" counts as the worse.

    Temperatures in °C, conductivity in pS/m.  ``flash_point_c`` is a number, "none" (the data sheet says that the
    liquid does not burn) or "unknown"; it is that of what lies in the container now, not of the fresh product.
    ``permit``: the role or permit under which containers are opened.  ``mixing_procedure``: the site's written
    procedure by which they may be mixed.
    ``vessel_material``: one answer, or one a vessel of ``[vessels]``; several vessels are all of metal only where each
    is said to be.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    data_sheet: str = ""
    flash_point_c: Number | Literal["none", "unknown"] = "unknown"
    liquid_up_to_c: Number | Literal["unknown"] = "unknown"
    conductivity_ps_m: Annotated[Number, Field(gt=0)] | Literal["unknown"] = "unknown"
    vessel_material: Material | dict[str, Material] = "unknown"
    pressure_or_gas: Answer = "unknown"
    free_water: Answer = "unknown"
    toxic_or_corrosive: Answer = "unknown"
    permit: str = ""
    mixing_procedure: str = ""

    @model_validator(mode="before")
    @classmethod
    def _said_beside_the_action(cls, told: Any) -> Any:
        if isinstance(told, dict) and "mixing_actions" in told:
            raise ValueError("mixing_actions is no longer read: take it out, and say beside each action of [actions] what it "
                             "asks for, as stratified = { do = \"...\", asks_for = \"mixing\" }")
        return told

    @property
    def ignitable(self) -> bool:
        """Whether the headspace must be taken for explosive: by the vapour, or by gas that is not ruled out.

        A liquid without a flash point can give off gas that burns, as water-based fluids do hydrogen on light metals (common
        practice, no source).
        """
        return self.pressure_or_gas != "no" or self.vapour_ignites

    @property
    def vapour_ignites(self) -> bool:
        """Whether its vapour must be taken to ignite: flash point near, below, or not known."""
        if self.flash_point_c == "none":
            return False
        if isinstance(self.flash_point_c, str) or isinstance(self.liquid_up_to_c, str):
            return True
        return not self.liquid_up_to_c <= self.flash_point_c - BELOW_FLASH_C

    @property
    def charging(self) -> bool:
        """Whether the liquid must be taken to charge up when it is moved."""
        return isinstance(self.conductivity_ps_m, str) or self.conductivity_ps_m < CHARGES_BELOW_PS_M

    @property
    def isolated(self) -> bool:
        """Whether the liquid's charge has no sure path to earth where a spark would matter: vessel not known to be of metal."""
        return self.ignitable and self.material != "metal"

    @property
    def hot(self) -> bool:
        """Whether the liquid must be taken to be hot enough to burn."""
        return isinstance(self.liquid_up_to_c, str) or self.liquid_up_to_c > HOT_C

    @property
    def rest_minutes(self) -> int:
        """How long the liquid stands still before anything is lowered into it, min."""
        return REST_MINUTES[self.charging or self.isolated]

    @property
    def pause_minutes(self) -> int:
        """How long after a draw the next tube may go in, min: a draw moves the liquid, and what moves charges up.

        Three relaxation times (permittivity over conductivity); at most, and where the conductivity is unknown or the charge
        has no path to earth, the rest.
        """
        if isinstance(self.conductivity_ps_m, str) or self.isolated:
            return self.rest_minutes
        return min(self.rest_minutes, math.ceil(RELAXATIONS * RELAXATION_S_PS_M / self.conductivity_ps_m / 60))

    @property
    def material(self) -> Material:
        """What the worst of the containers is made of."""
        told = self.vessel_material
        return told if isinstance(told, str) else min(told.values(), key=WORST_FIRST.index, default="unknown")

    def at(self, vessel: str) -> SafetySettings:
        """The profile for containers of one vessel: its own material, where each has its own answer."""
        told = self.vessel_material
        return self if isinstance(told, str) else self.model_copy(update={"vessel_material": told.get(vessel, "unknown")})

    @property
    def procedure(self) -> str:
        """The site's procedure for mixing; empty where what is written there names none."""
        return "" if names_no_procedure(self.mixing_procedure) else self.mixing_procedure

    def unanswered(self) -> tuple[str, ...]:
        """Keys without an answer; ``mixing_procedure`` is asked for only where something is to be mixed."""
        return tuple(k for k in type(self).model_fields if k != "mixing_procedure"
                     and (names_nothing(getattr(self, k)) if k in NAMED else
                          (self.material if k == "vessel_material" else getattr(self, k)) == "unknown"))

    def shown(self, key: str) -> str:
        """An answer as the sheets print it, with a word where it counts as none."""
        told = getattr(self, key)
        text = ", ".join(f"{k}: {v}" for k, v in told.items()) if isinstance(told, dict) else str(told)
        if key not in NAMED or not (names_no_procedure if key == "mixing_procedure" else names_nothing)(text):
            return text
        return f"\u201c{text}\u201d counts as not answered" if text else "not answered"

    def bars(self, act: Act, *, keys: bool = False) -> tuple[str, ...]:
        """Why the kit may not plan or advise this act, most general reason first; empty where it may.

        'shaking' is that of a bottle at the laboratory, which has its own procedure. ``keys``: what is not answered by its
        key in study.toml, for whoever has to write it there.
        """
        open_keys = self.unanswered()
        asked = [(k if keys else IN_WORDS[k])
                 + (f" (\u201c{getattr(self, k)}\u201d names nothing)" if k in NAMED and getattr(self, k) else "")
                 for k in open_keys]
        found = [f"not answered: {', '.join(asked)}"] if asked else []
        found += ["the container may be under pressure or give off gas"] * (self.pressure_or_gas == "yes")
        known_hot = self.hot and "liquid_up_to_c" not in open_keys
        found += [f"the liquid may be hotter than {HOT_C:g} °C"] * known_hot
        found += ["free water lies in it"] * (self.free_water == "yes")
        burns = self.vapour_ignites and not {"flash_point_c", "liquid_up_to_c"} & set(open_keys)
        if act == "heel draw":
            badly = burns and (self.charging or self.material != "metal")
            return (*found, *["vapour may ignite, and the liquid charges up or the vessel cannot be earthed"] * badly)
        found += ["vapour may ignite"] * burns
        found += ["it is toxic or corrosive"] * (self.toxic_or_corrosive == "yes")
        named = self.procedure or act == "shaking"
        read = f" (\u201c{self.mixing_procedure}\u201d names none)" if self.mixing_procedure else ""
        lacking = "mixing_procedure is not answered" if keys else "the site names no procedure for mixing"
        return (*found, *[f"{lacking}{read}"] * (not named))

    def clears(self, act: Act) -> bool:
        """Whether the kit may plan or advise this act."""
        return not self.bars(act)

    def facts(self) -> frozenset[str]:
        """The conditions that hold for this profile, in the words of templates/cautions.toml."""
        moves, told = self.ignitable or self.charging, self.vessel_material
        made = {told} if isinstance(told, str) else set(told.values())
        held = {"ignitable": self.ignitable, "not ignitable": not self.ignitable, "charging": self.charging,
                "isolated": self.isolated,
                "earth": moves and not made <= {"plastic", "other"}, "no earth": moves and bool(made & {"plastic", "other"}),
                "vapour, unknown vessel": self.ignitable and self.material == "unknown",
                "vapour, no earth": self.ignitable and self.material in ("plastic", "other"),
                "cake": self.clears("heel draw") and self.material == "metal", "pressure": self.pressure_or_gas != "no",
                "free water": self.free_water != "no", "toxic": self.toxic_or_corrosive != "no", "hot": self.hot,
                "heel cleared": self.clears("heel draw"), "heel barred": not self.clears("heel draw"),
                "stirring cleared": self.clears("stirring"), "stirring barred": not self.clears("stirring"),
                "no procedure": self.clears("shaking") and not self.clears("stirring"),
                "shaking cleared": self.clears("shaking"), "shaking barred": not self.clears("shaking")}
        return frozenset({"always"} | {name for name, holds in held.items() if holds})

