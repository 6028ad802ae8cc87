"""Tests of studykit.quality.assess."""
