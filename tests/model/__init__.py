"""Tests of studykit.model.fit."""
