"""A pytest plugin loaded before all others by the test command: what every process would do in vain is left out.

jsonschema, under nbformat, builds a parser of internationalised web addresses whenever it is imported, which
takes seconds in every process; without that package it leaves the format unchecked, and notebooks have none.
While tests are collected hardly anything becomes garbage: the collector waits, and then looks at what is new only
(a third of the time that a worker needs until its first test).
"""

from __future__ import annotations

import gc
import sys

sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # None: an import of it fails
gc.disable()


def pytest_collection_finish() -> None:
    """Collected tests and loaded modules stay to the end."""
    gc.freeze()
    gc.enable()
