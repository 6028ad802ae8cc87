"""Fixtures of the deposit's tests: the smallest demo, filed and packed once."""

from __future__ import annotations

import datetime as dt
import zipfile
from pathlib import Path

import pytest

from studykit.deposit.pack import pack
from tests.report.filed import filed_tote

DAY = dt.date(2026, 3, 2)


@pytest.fixture(scope="session")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The deposit of a filed study, which no test may change."""
    target = tmp_path_factory.mktemp("deposit") / "tote.zip"
    pack(filed_tote(), target, DAY)
    return target


@pytest.fixture(scope="session")
def bag(packed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same unpacked by Python's own zip reader."""
    folder = tmp_path_factory.mktemp("bag")
    with zipfile.ZipFile(packed) as archive:
        archive.extractall(folder)
    return next(folder.iterdir())
