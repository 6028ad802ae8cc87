"""Tests of studykit.sampling.order."""
