"""RO-Crate 1.2 metadata of a deposit, with Process Run Crate 0.5: what made the report, from what, with which result."""

from __future__ import annotations

import base64
import hashlib
import json
import mimetypes
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

CRATE, RUN = "https://w3id.org/ro/crate/1.2", "https://w3id.org/ro/wfrun/process/0.5"
METADATA = "ro-crate-metadata.json"
OFFICE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
KINDS = {
    ".toml": "application/toml", ".ipynb": "application/x-ipynb+json", ".json": "application/json", ".lock": "application/json",
    ".csv": "text/csv", ".tsv": "text/tab-separated-values", ".txt": "text/plain", ".md": "text/markdown", ".html": "text/html",
    ".r": "text/x-r", ".py": "text/x-python", ".cff": "application/yaml", ".tsr": "application/timestamp-reply",
    ".svg": "image/svg+xml", ".png": "image/png", ".pdf": "application/pdf", ".xlsx": OFFICE,
    ".xls": "application/vnd.ms-excel", ".ods": "application/vnd.oasis.opendocument.spreadsheet"}
OWN = mimetypes.MimeTypes()
"""Python's own list, for a machine's may say anything."""
ABOUT = {"study.toml": "the question, analytes, margins and model, as declared", "intake.toml": "how the raw files are read",
         "plan": "the plan, or what was written at the bench", "raw": "as the laboratory sent it", "tidy": "made by the intake",
         "report": "made by the report", "notebooks": "a notebook of the study's own"}


def encoding_of(path: str) -> str:
    """The media type of a file."""
    ending = "." + path.rpartition(".")[2].lower()
    return KINDS.get(ending) or OWN.guess_type(path)[0] or "application/octet-stream"


def file_entity(path: str, data: bytes, about: str) -> dict[str, Any]:
    """One file of the crate."""
    return {"@id": _quoted(path), "@type": "File", "name": path, "description": about, "encodingFormat": encoding_of(path),
            "contentSize": str(len(data)), "sha256": hashlib.sha256(data).hexdigest()}


def named_by_hash(digest: str) -> str:
    """A SHA-256 in hexadecimal as an address (RFC 6920)."""
    return f"ni:///sha-256;{base64.urlsafe_b64encode(bytes.fromhex(digest)).decode().rstrip('=')}"


def _quoted(path: str) -> str:
    """A path as a relative URI."""
    return quote(path, safe="/-._~")


def about_of(path: str, prefix: str, extra: Mapping[str, str]) -> str:
    """What a file is, in a few words."""
    inner = path.removeprefix(f"{prefix}/")
    first = inner.partition("/")[0]
    return extra.get(path) or ABOUT.get(inner) or ABOUT.get(first) or "lies beside the study"


def metadata(head: Mapping[str, Any], files: Mapping[str, bytes], prefix: str, extra: Mapping[str, str]) -> dict[str, Any]:
    """The metadata document as a dictionary.

    ``head``: title, question, date, responsible, authors, licence (id, name, text), citation, version and code of the
    kit; ``files``: of the deposit, by path; ``extra``: what those outside the study's folder are.
    """
    def ref(path: str) -> dict[str, str]:
        return {"@id": _quoted(path)}

    study = [p for p in sorted(files) if p.startswith(f"{prefix}/")]
    made = [p for p in study if p.startswith((f"{prefix}/report/", f"{prefix}/tidy/"))]
    given = [p for p in study if p not in made]
    licence = head["licence"]
    authors = [{"@id": f"#author-{k}", "@type": "Person", "name": name} for k, name in enumerate(head["authors"], 1)]
    answering = {"@id": "#responsible", "@type": "Organization", "name": head["responsible"],
                 "description": "the role that answers for the study"}
    root = {"@id": "./", "@type": "Dataset", "name": head["title"], "description": head["question"],
            "datePublished": head["date"], "license": {"@id": licence["id"]}, "conformsTo": {"@id": RUN},
            "author": [{"@id": a["@id"]} for a in authors] or {"@id": "#responsible"}, "publisher": {"@id": "#responsible"},
            "creditText": head["citation"], "hasPart": [ref(p) for p in sorted(files)], "mentions": {"@id": "#report"}}
    name = named_by_hash(head["code"])
    kit = {"@id": name, "@type": "SoftwareApplication", "name": "studykit", "version": head["version"], "url": name,
           "softwareVersion": head["version"], "description": "Settling studies of stored fluids. The address is a name by "
           "hash (RFC 6920): SHA-256 over the kit's code, as in the manifest of the report."}
    action = {"@id": "#report", "@type": "CreateAction", "name": "studykit report",
              "description": "every stage run from the raw files, with the kit's notebooks in fresh kernels",
              "instrument": {"@id": kit["@id"]}, "agent": {"@id": "#responsible"}, "endTime": head["date"],
              "actionStatus": "http://schema.org/CompletedActionStatus",
              "object": [ref(p) for p in given], "result": [ref(p) for p in made]}
    graph = [{"@id": METADATA, "@type": "CreativeWork", "about": {"@id": "./"}, "conformsTo": {"@id": CRATE}}, root,
             {"@id": RUN, "@type": ["CreativeWork", "Profile"], "name": "Process Run Crate", "version": "0.5"},
             {"@id": licence["id"], "@type": "CreativeWork", "name": licence["name"], "description": licence["text"]},
             answering, *authors, kit, action]
    graph += [file_entity(p, data, about_of(p, prefix, extra)) for p, data in sorted(files.items())]
    return {"@context": f"{CRATE}/context", "@graph": graph}


def text(document: Mapping[str, Any]) -> bytes:
    """A document as JSON bytes."""
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()
