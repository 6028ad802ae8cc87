"""Tests of studykit.plot."""
