"""Tests of studykit.demos.shipped."""
