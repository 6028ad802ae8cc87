"""Mutants that change no result, each with its reason: ``module|function|kind|before|after|nth``."""

EQUIVALENT: dict[str, str] = {}
