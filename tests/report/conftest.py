"""Fixtures of the report's tests."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.report.filed import filed_tote


@pytest.fixture(scope="session")
def filed() -> Path:
    """A filed study that no test may change."""
    return filed_tote()


@pytest.fixture
def root(filed: Path, tmp_path: Path) -> Path:
    """A copy of it, free to be tampered with."""
    return Path(shutil.copytree(filed, tmp_path / "study"))
