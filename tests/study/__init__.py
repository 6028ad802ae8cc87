"""Tests of studykit.study.definition."""
