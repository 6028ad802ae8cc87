"""A pytest plugin loaded before all others by the test command: no grammar of addresses is built.

jsonschema, under nbformat, builds a parser of internationalised web addresses whenever it is imported, which
takes seconds in every process; without that package it leaves the format unchecked, and notebooks have none.
"""

import sys

sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # None: an import of it fails
