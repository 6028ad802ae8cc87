"""Tests of studykit.intake.take."""
