"""Tests of studykit.verdict.rule."""
