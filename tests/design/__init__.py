"""Tests of studykit.design.assumptions."""
