"""Seeded makers of the invented demo studies; ``python -m tests.demogen`` writes them all again."""

from __future__ import annotations

from tests.demogen.common import Bundle, PlantedFault

__all__ = ["Bundle", "PlantedFault"]
