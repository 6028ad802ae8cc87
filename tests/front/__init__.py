"""Tests of studykit.front and of ``import studykit as sk``."""
