"""Tests of studykit.inference."""
