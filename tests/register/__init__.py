"""Tests of what looks at several studies."""
