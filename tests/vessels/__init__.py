"""Tests of studykit.vessels."""
