"""Tests of studykit.notebook.stage."""
