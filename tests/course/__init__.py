"""Tests of studykit.course, and the one source of the course: lessons with solutions and teacher's notes."""
