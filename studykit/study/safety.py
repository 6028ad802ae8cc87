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

import re
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Answer = Literal["yes", "no", "unknown"]
Act = Literal["heel draw", "stirring"]

BELOW_FLASH_C = 15.0  # from memory, see above
CHARGES_BELOW_PS_M = 10_000.0  # from memory, see above
HOT_C = 43.0  # skin that stays on something hotter burns in time (ISO 13732-1, from memory)
REST_MINUTES = {True: 30, False: 1}  # charging or not; the minute for still liquid: common practice, no source

_VERBS = (r"(?:re-?)?(?:mix|stir|shak|roll|tumbl|agitat|circulat|homogeni[sz]|swirl|churn|whisk|invert|upend|sparg|slosh|spin"
          r"|rock)\w*|(?:re-?)?blend(?:s|ed|ing)?\b|turn\w* (?:it|them|each|every|the \w+|\w+s)? ?(?:over|upside)|bubbl\w*")
MIXING = re.compile(rf"\b(?:{_VERBS})", re.I)
NOT_MIXING = re.compile(rf"\b(without|never|not|no)( to be| be)? (?:{_VERBS})", re.I)
ENGLISH = re.compile(r"\b(the|it|them|each|every|then|before|with|and|use|open|more|pour|pump|keep|leave|set|ask|sample)\b",
                     re.I)
HEEL_DRAW = re.compile(r"\bdraw\w*\b[^.;]*\b(heel|floor)\b|\bheel draws?\b|\bwith a rod\b", re.I)


class SafetySettings(BaseModel):
    """Answers from the safety data sheet and the site; left out or "unknown" counts as the worse.

    Temperatures in °C, conductivity in pS/m.  ``flash_point_c`` is a number, "none" (the data sheet says that the
    liquid does not burn) or "unknown"; it is that of what lies in the container now, not of the fresh product.
    ``permit``: the role or permit under which containers are opened.  ``mixing_procedure``: the site's written
    procedure by which they may be mixed.  ``mixing_actions``: the words of [actions] whose action mixes the liquid in
    any way; left out, actions are read by English verbs, and one that cannot be read so counts as the worse.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)

    data_sheet: str = ""
    flash_point_c: float | Literal["none", "unknown"] = "unknown"
    liquid_up_to_c: float | Literal["unknown"] = "unknown"
    conductivity_ps_m: Annotated[float, Field(gt=0, allow_inf_nan=False)] | Literal["unknown"] = "unknown"
    vessel_material: Literal["metal", "plastic", "other", "unknown"] = "unknown"
    pressure_or_gas: Answer = "unknown"
    free_water: Answer = "unknown"
    toxic_or_corrosive: Answer = "unknown"
    permit: str = ""
    mixing_procedure: str = ""
    mixing_actions: tuple[Literal["homogeneous", "uneven", "stratified", "inconclusive"], ...] | None = None

    @property
    def ignitable(self) -> bool:
        """Whether the headspace must be taken for explosive: flash point near, below, or not known."""
        if self.flash_point_c == "none":
            return False
        if isinstance(self.flash_point_c, str) or isinstance(self.liquid_up_to_c, str):
            return True
        return self.liquid_up_to_c > self.flash_point_c - BELOW_FLASH_C

    @property
    def charging(self) -> bool:
        """Whether the liquid must be taken to charge up when it is moved."""
        return isinstance(self.conductivity_ps_m, str) or self.conductivity_ps_m < CHARGES_BELOW_PS_M

    @property
    def hot(self) -> bool:
        """Whether the liquid must be taken to be hot enough to burn."""
        return isinstance(self.liquid_up_to_c, str) or self.liquid_up_to_c > HOT_C

    @property
    def rest_minutes(self) -> int:
        """How long the liquid stands still before anything is lowered into it, min."""
        return REST_MINUTES[self.charging]

    def unanswered(self) -> tuple[str, ...]:
        """Keys without an answer; ``mixing_procedure`` is asked for only where something is to be mixed."""
        return tuple(k for k in type(self).model_fields
                     if k != "mixing_procedure" and getattr(self, k) in ("unknown", ""))

    def bars(self, act: Act) -> tuple[str, ...]:
        """Why the kit may not plan or advise this act, most general reason first; empty where it may."""
        open_keys = self.unanswered()
        found = [f"not answered: {', '.join(open_keys)}"] if open_keys else []
        found += ["the container may be under pressure or give off gas"] * (self.pressure_or_gas == "yes")
        known_hot = self.hot and "liquid_up_to_c" not in open_keys
        found += [f"the liquid may be hotter than {HOT_C:g} °C"] * known_hot
        burns = self.ignitable and not {"flash_point_c", "liquid_up_to_c"} & set(open_keys)
        if act == "heel draw":
            badly = burns and (self.charging or self.vessel_material != "metal")
            return (*found, *["vapour may ignite, and the liquid charges up or the vessel cannot be earthed"] * badly)
        found += ["vapour may ignite"] * burns
        found += ["it is toxic or corrosive"] * (self.toxic_or_corrosive == "yes")
        found += ["free water lies in it"] * (self.free_water == "yes")
        return (*found, *["no mixing_procedure of the site is named"] * (not self.mixing_procedure))

    def clears(self, act: Act) -> bool:
        """Whether the kit may plan or advise this act."""
        return not self.bars(act)

    def facts(self) -> frozenset[str]:
        """The conditions that hold for this profile, in the words of templates/cautions.toml."""
        held = {"ignitable": self.ignitable, "not ignitable": not self.ignitable, "charging": self.charging,
                "no metal": self.vessel_material != "metal", "pressure": self.pressure_or_gas != "no",
                "free water": self.free_water != "no", "toxic": self.toxic_or_corrosive != "no", "hot": self.hot,
                "heel cleared": self.clears("heel draw"), "heel barred": not self.clears("heel draw"),
                "stirring cleared": self.clears("stirring"), "stirring barred": not self.clears("stirring")}
        return frozenset({"always"} | {name for name, holds in held.items() if holds})


def acts_in(text: str) -> tuple[Act, ...]:
    """What a sentence tells somebody to do of the acts that may be barred: to mix in any way, to draw the floor."""
    acts: list[Act] = []
    if HEEL_DRAW.search(text):
        acts.append("heel draw")
    if MIXING.search(NOT_MIXING.sub("", text)):
        acts.append("stirring")
    return tuple(acts)


def why_barred(safety: SafetySettings, acts: tuple[Act, ...]) -> str:
    """The reasons against these acts in one phrase, each once; empty where all are cleared."""
    return "; ".join(dict.fromkeys(reason for act in acts for reason in safety.bars(act)))


def readable(text: str) -> bool:
    """Whether the verbs of a text can be looked for: English words, in letters without marks."""
    return text.isascii() and ENGLISH.search(text) is not None


def acts_of(safety: SafetySettings, action: str, word: str) -> tuple[Act, ...]:
    """What the action declared for ``word`` asks for: by its verbs, by [safety] mixing_actions, and all where neither tells."""
    declared = safety.mixing_actions
    if declared is None and action and not readable(action):
        return ("heel draw", "stirring")
    acts = acts_in(action)
    return (*acts, "stirring") if word in (declared or ()) and "stirring" not in acts else acts


def obeyed(safety: SafetySettings, action: str, word: str = "") -> str:
    """A declared action as it may be printed: with its precondition where it asks to mix, withheld where that is barred."""
    acts = acts_of(safety, action, word)
    reasons = why_barred(safety, acts)
    if reasons and safety.mixing_actions is None and not readable(action):
        reasons += "; what it asks for cannot be read: name in [safety] mixing_actions the answers whose action mixes"
    if reasons:
        return (f"The declared action is withheld, because the section safety of study.toml does not clear it "
                f"({reasons}). Leave the containers shut as they stand, and ask those who answer for safety.")
    if "stirring" in acts:
        action += f" (To be mixed only by the site's procedure \u201c{safety.mixing_procedure}\u201d.)"
    return action
