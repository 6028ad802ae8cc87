"""Run the RO-Crate validator on a folder without a network: ``python crate_judge.py FOLDER`` in an environment that has it.

Run by itself, not as part of the suite's process: roc-validator wants another version of rich than the kit's pins. The
JSON-LD context is a stand-in for https://w3id.org/ro/crate/1.2/context with the terms that a deposit uses, each at the
address it has there (schema.org, but for the four named); from memory of RO-Crate 1.2, appendix "RO-Crate JSON-LD".
Prints one line a finding, severity first, then the number of checks that passed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

CONTEXT = "https://w3id.org/ro/crate/1.2/context"
OTHER = {"File": "http://schema.org/MediaObject", "conformsTo": "http://purl.org/dc/terms/conformsTo",
         "Profile": "http://www.w3.org/ns/dx/prof/Profile"}


def stand_in(document: dict) -> dict:
    """A context with every term that the document uses."""
    terms = {k for e in document["@graph"] for k in e if not k.startswith("@")}
    types = {t for e in document["@graph"] for t in ([e["@type"]] if isinstance(e["@type"], str) else e["@type"])}
    return {"@context": {t: f"http://schema.org/{t}" for t in terms | types} | OTHER}


def main(folder: str) -> int:
    """Validate against RO-Crate 1.2 and Process Run Crate, all that is required and recommended."""
    import rdflib.plugins.shared.jsonld.context as contexts
    import requests
    from rocrate_validator import models, services
    from rocrate_validator.utils.http import HttpRequester

    document = json.loads((Path(folder) / "ro-crate-metadata.json").read_text(encoding="utf-8"))
    original, context = contexts.source_to_json, stand_in(document)
    contexts.source_to_json = lambda source, *a, **k: ((context, None) if source == CONTEXT else original(source, *a, **k))
    answer = requests.Response()
    answer.status_code, answer.url, answer._content = 200, CONTEXT, json.dumps(context).encode()
    answer.headers["Content-Type"] = "application/ld+json"
    HttpRequester.get = lambda self, url, *a, **k: answer  # type: ignore[method-assign]
    failed = 0
    for profile in ("ro-crate-1.2", "process-run-crate-0.5"):
        result = services.validate(services.ValidationSettings(
            rocrate_uri=folder, profile_identifier=profile, requirement_severity=models.Severity.RECOMMENDED,
            allow_requirement_check_override=True, disable_inherited_profiles_issue_reporting=True, offline=True))
        for issue in result.get_issues():
            failed += issue.severity == models.Severity.REQUIRED
            print(issue.severity.name, profile, issue.check.identifier, str(issue.message).replace("\n", " ")[:200])
        print("checked", profile, len(result.executed_checks))
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
