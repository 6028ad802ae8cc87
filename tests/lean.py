"""A pytest plugin loaded before all others by the test command: what every process would do in vain is left out.

jsonschema, under nbformat, builds a parser of internationalised web addresses whenever it is imported, which
takes seconds in every process; without that package it leaves the format unchecked, and notebooks have none.
While tests are collected hardly anything becomes garbage: the collector waits, and then looks at what is new only
(a third of the time that a worker needs until its first test). A worker tells of a test that passed once, not also of
what was set up and taken down for it, which nobody prints.
"""

from __future__ import annotations

import gc
import sys
from typing import Any

import pytest

sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # None: an import of it fails
gc.disable()


def pytest_collection_finish(session: pytest.Session) -> None:
    """Collected tests and loaded modules stay to the end."""
    gc.freeze()
    gc.enable()
    options = session.config.option
    if hasattr(session.config, "workerinput") and options.durations is None and not options.xmlpath and options.verbose < 1:
        worker = next(p for p in session.config.pluginmanager.get_plugins() if hasattr(p, "sendevent"))
        worker.sendevent = _told(worker.sendevent)


def _told(send: Any) -> Any:
    """Send an event to the controller, but for those of passed tests that it would only count."""
    def sendevent(name: str, **what: Any) -> None:
        data = what.get("data", {})
        idle = name == "testreport" and data["when"] != "call" and data["outcome"] == "passed"
        if not idle and name != "logstart":
            send(name, **what)

    return sendevent
