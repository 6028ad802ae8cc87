"""Tests of studykit.physics."""
