"""Tests of studykit.report.page."""
