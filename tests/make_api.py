"""Write docs/api.md from the docstrings of the front door: ``python -m tests.make_api``."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path

import studykit as sk

PAGE = Path(__file__).resolve().parent.parent / "docs/api.md"
HEAD = """# The library in Python

Made from the docstrings by `python -m tests.make_api`; a test compares.

```python
import studykit as sk

study = sk.open("my-study")            # results were taken in by `studykit intake`
rows = study.tidy("Si")                # one analyte as a data frame
fit = study.model("Si")                # the declared model, or with a formula of your own:
fit = study.model("Si", "depth + lot + (1 | container)")
```

A study folder is read and never written here. Amounts are texts with their unit, such as `"5 %"` or `"2 mg/kg"`.
"""


def signature(thing: object) -> str:
    """The call as people write it, without annotations' module paths."""
    text = re.sub(r"(: |-> )'([^']*)'", r"\1\2", str(inspect.signature(thing)))  # type: ignore[arg-type]
    return text.replace("(self, ", "(").replace("(self)", "()")


def section(name: str, thing: object) -> Iterator[str]:
    """Heading, docstring, and for a class its public members."""
    if not inspect.isclass(thing):
        yield f"## sk.{name}\n\n```\n{name}{signature(thing)}\n```\n\n{inspect.getdoc(thing)}\n"
        return
    yield f"## {name}\n\n{inspect.getdoc(thing)}\n"
    for key, member in vars(thing).items():
        if key.startswith("_") or not inspect.getdoc(member):
            continue
        if isinstance(member, property):
            yield f"### {name}.{key}\n\n{inspect.getdoc(member)}\n"
        elif inspect.isfunction(member):
            yield f"### {name}.{key}{signature(member)}\n\n{inspect.getdoc(member)}\n"


def page() -> str:
    """The whole page as Markdown: functions first, then what they return."""
    from studykit.model import AnalyteModel, FittedModel

    things = [(n, getattr(sk, n)) for n in sk.__all__] + [("AnalyteModel", AnalyteModel), ("FittedModel", FittedModel)]
    things.sort(key=lambda pair: (inspect.isclass(pair[1]), pair[0]))
    return "\n".join([HEAD, *(part for pair in things for part in section(*pair))])


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
