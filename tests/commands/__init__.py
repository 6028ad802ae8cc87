"""Tests of studykit.commands."""
