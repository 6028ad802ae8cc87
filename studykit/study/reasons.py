"""Reasons that say nothing: what the templates print for a person to write over, and words such as 'why'."""

from __future__ import annotations

import re
from collections.abc import Iterator

from studykit.core.errors import Fault
from studykit.study.definition import Study

_PHRASES = r"""
    (write|type|put|say|fill\ in|give)\b.*\b(here|this)\b.*
  | (the\ |a\ |some\ )?(good\ |changed\ |new\ |same\ |other\ )?(reasons?|source|role)(\ (why|here|follows|to\ follow|changed))?
  | (i\ |we\ )?(don'?t|do\ not)\ know(\ yet)? | no\ (idea|reason)(\ yet)? | nothing | not\ (yet|known|decided)
  | (write\ )?why(\ (not|a\ smaller\ difference\ does\ not\ matter))? | because(\ .{0,6})?
  | see\ (above|below|mail|file|notes?)
  | (to\ follow|follows|later|pending|soon|placeholder|dummy|asdf.*|qwert.*|blah.*|lorem.*|test(ing)?|foo|bar|example)
  | to\ ?do\b.* | tb[adcs]\b.* | to\ be\ (done|decided|added|written|named|filled\ in|discussed|confirmed)
  | (?P<one>\w)(?P=one)+ | n\.?/?a\.? | none
  | as\ (discussed|agreed|usual|always|before|said|above|requested|told)(\ .{0,30})? | (the\ )?usual
  | (ok|okay|yes|fine|whatever|any)
  | the\ (role|person)\ (that|who)\ (answers\ for\ the\ decision|decides)
  | (siehe|s\.)\ ?(oben|unten|mail|anhang|o\.|u\.) | wie\ (besprochen|oben|immer|üblich|vereinbart|gehabt)
  | ((die\ )?(begründung|grund|gründe|quelle)(\ (folgt|hier|fehlt|kommt\ noch|wird\ nachgereicht))?)
  | folgt(\ noch)? | später | offen
  | (hier\ )?(begründung|grund)\ (hier\ )?(eintragen|einfügen|schreiben) | warum | weil | darum
  | keine?(\ (angabe|ahnung|begründung))?
  | voir\ (ci-)?(dessus|dessous|plus\ haut|plus\ bas) | (à|a)\ (suivre|compléter|définir|préciser)
  | comme\ (convenu|discuté|d.habitude)
  | (la\ )?(raison|justification)(\ (ici|à\ suivre|suit))? | pourquoi | parce\ que | aucune? | plus\ tard
  | v[ée]ase\ (arriba|abajo) | ver\ (arriba|abajo) | por\ (definir|determinar|completar|qu[ée]) | pendiente
  | como\ (siempre|acordado)
  | (la\ )?(raz[óo]n|justificaci[óo]n)(\ (aqu[íi]|pendiente))? | porque | ninguna?
  | vedi\ (sopra|sotto) | da\ (definire|completare|scrivere) | come\ (concordato|discusso|sempre)
  | (la\ )?(ragione|motivo)(\ qui)? | perch[ée]
  | zie\ (boven|onder) | volgt(\ nog)? | (de\ )?reden(\ volgt)? | zoals\ (besproken|altijd) | waarom
  | nog\ in\ te\ vullen
  | ver\ (acima|abaixo) | a\ definir | conforme\ (combinado|discutido) | se\ (ovan|nedan) | jf\. | zob\.
  | do\ uzupe[łl]nienia | jw\.?
"""
_HOLLOW = re.compile(_PHRASES, re.I | re.X)


def says_nothing(text: str) -> bool:
    """Whether a text is a placeholder, or holds no word at all."""
    plain = re.sub(r"\s+", " ", text).strip(" .,:;!?…-–—_/()[]<>'\"")
    return not re.search(r"\w\w", plain) or _HOLLOW.fullmatch(plain) is not None


def placeholder_faults(study: Study) -> list[Fault]:
    """Reasons, sources and roles of study.toml that nobody has written yet; the lock refuses them."""
    return [Fault(file="study.toml", column=where, value=text, reason="is a placeholder: nobody has written this yet",
                  remedy="write it in your own words before the lock") for where, text in _asked(study) if says_nothing(text)]


def _asked(study: Study) -> Iterator[tuple[str, str]]:
    """Place and text of everything that a person gives a reason, a source or a name for."""
    yield "responsible", study.responsible
    for name, a in study.analytes.items():
        yield f"analytes.{name}.margin_reason", a.margin_reason
        if a.repeatability is not None:
            yield f"analytes.{name}.repeatability.source", a.repeatability.source
    if study.factors.across_depths != "unstructured":
        yield "factors.across_depths_reason", study.factors.across_depths_reason
    yield from ((f"unusual.{place}", text) for place, text in study.unusual.items())
    yield from ((f"exclusion_rules[{i}]", rule) for i, rule in enumerate(study.exclusion_rules, start=1))
