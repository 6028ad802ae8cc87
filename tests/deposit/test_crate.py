"""The media type of each file of a deposit: registered names, and the same on every machine."""

from __future__ import annotations

import mimetypes

import pytest

from studykit.deposit.crate import encoding_of

# IANA, Media Types registry, from memory; where the type is not registered (notebooks, scripts) the usual name.
REGISTERED = {"figure-1.svg": "image/svg+xml", "figure-1.PNG": "image/png", "figure-1.pdf": "application/pdf",
              "report.html": "text/html", "a/tidy/results.csv": "text/csv", "manifest.json": "application/json",
              "raw/x.xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
              "raw/x.xls": "application/vnd.ms-excel", "raw/x.ods": "application/vnd.oasis.opendocument.spreadsheet",
              "study.toml": "application/toml", "README.md": "text/markdown", "plan.lock.tsr": "application/timestamp-reply"}


@pytest.mark.parametrize(("path", "kind"), REGISTERED.items())
def test_each_kind_of_file_has_its_registered_media_type(path, kind):
    assert encoding_of(path) == kind


def test_a_machine_with_a_list_of_its_own_writes_the_same_deposit(monkeypatch, tmp_path):
    lists = tmp_path / "mime.types"
    lists.write_text("image/nonsense svg abc\ntext/nonsense csv\n")
    monkeypatch.setattr(mimetypes, "_db", None)
    mimetypes.init([str(lists)])
    assert mimetypes.guess_type("x.abc")[0] == "image/nonsense"
    assert encoding_of("x.abc") == "application/octet-stream"
    assert encoding_of("x.svg") == "image/svg+xml"
