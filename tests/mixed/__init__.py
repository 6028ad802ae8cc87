"""Tests of studykit.mixed."""
