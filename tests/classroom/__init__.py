"""Tests of studykit.classroom."""
