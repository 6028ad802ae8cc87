"""Seeded makers of the invented demo studies; ``python -m studykit.demogen`` writes them all again."""

from __future__ import annotations

from studykit.demogen.common import Bundle, PlantedFault

__all__ = ["Bundle", "PlantedFault"]
