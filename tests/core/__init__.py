"""Tests of studykit.core."""
