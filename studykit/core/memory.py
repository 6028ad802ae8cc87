"""Results of functions of nothing but their arguments, kept on disk from one run of a stage to the next.

``remembered`` is asked only where ``STUDYKIT_MEMORY`` names a folder, which stands for one state of the kit's code and of the
programs under it; whoever runs stages sets it. An argument whose contents cannot be told for sure makes a call like any
other. What lies there is taken only where it has the hash that stands before it, and holds nothing but the kit's own
records, arrays, tables and plain values.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import inspect
import io
import os
import pickle
from collections.abc import Callable
from datetime import date
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from studykit.core.errors import StudyKitError
from studykit.core.files import write_bytes

P = ParamSpec("P")
R = TypeVar("R")
PLACE = "STUDYKIT_MEMORY"
PLAIN = frozenset({
    *(("builtins", name) for name in ("set", "frozenset", "complex", "slice", "range", "bytearray")),
    *(("datetime", name) for name in ("date", "datetime", "timedelta")),
    *(("numpy", name) for name in ("dtype", "ndarray")),
    *(("numpy._core.multiarray", name) for name in ("_reconstruct", "scalar")), ("numpy._core.numeric", "_frombuffer"),
    *(("pandas", name) for name in ("Categorical", "CategoricalDtype", "DataFrame", "Float64Dtype", "Index", "Int64Dtype",
                                    "RangeIndex", "Series", "StringDtype", "Timedelta", "Timestamp")),
    *(("pandas.arrays", name) for name in ("DatetimeArray", "FloatingArray", "IntegerArray", "StringArray")),
    *(("pandas.core.internals.managers", name) for name in ("BlockManager", "SingleBlockManager")),
    ("pandas._libs.arrays", "__pyx_unpickle_NDArrayBacked"), ("pandas._libs.internals", "_unpickle_block"),
    ("pandas.core.indexes.base", "_new_Index")})
"""What arrays, tables and plain values are made of, as the pinned versions write them; under another name they are worked out
anew."""
LONGEST = 64
"""Length of a hash in hexadecimal digits."""
LARGEST = 60_000_000
"""Bytes of a result that is kept, at most: a larger one would drive out many others (own judgement)."""


class Unknown(Exception):
    """Raised for something whose contents cannot be told."""


def keeping() -> bool:
    """Whether results are kept."""
    return bool(os.environ.get(PLACE))


def remembered(function: Callable[P, R]) -> Callable[P, R]:
    """A pure function that gives what it gave for the same arguments before, where results are kept."""
    signature = inspect.signature(function)

    @wraps(function)
    def asked(*args: P.args, **options: P.kwargs) -> R:
        if not keeping():
            return function(*args, **options)
        bound = signature.bind(*args, **options)
        bound.apply_defaults()
        try:
            key = digest(function.__module__, function.__qualname__, dict(bound.arguments))
        except Unknown:
            return function(*args, **options)
        found: R = kept(key, lambda: function(*args, **options))
        return found

    return asked


def kept(key: str, make: Callable[[], Any]) -> Any:
    """What lies under a key, else what ``make`` gives, which then lies there."""
    path = Path(os.environ[PLACE]) / key[:2] / key
    with contextlib.suppress(OSError, ValueError, EOFError, AttributeError, ImportError, IndexError, TypeError,
                             pickle.UnpicklingError):
        data = path.read_bytes()
        if hashlib.sha256(data[LONGEST:]).hexdigest().encode() == data[:LONGEST]:
            found = _Known(io.BytesIO(data[LONGEST:])).load()
            with contextlib.suppress(OSError):
                os.utime(path)  # what is used is forgotten last
            return found
    made = make()
    with contextlib.suppress(OSError, StudyKitError, pickle.PicklingError, TypeError, AttributeError):
        data = pickle.dumps(made, protocol=5)
        if len(data) > LARGEST:
            return made
        path.parent.mkdir(parents=True, exist_ok=True)
        write_bytes(path, hashlib.sha256(data).hexdigest().encode() + data, lasting=False)
    return made


def forget(folder: Path, most: int) -> None:
    """Remove what was used longest ago, where more bytes than that lie in the folder."""
    files = sorted(((p.stat(), p) for p in folder.rglob("*") if p.is_file()), key=lambda f: f[0].st_mtime)
    left = sum(stat.st_size for stat, _ in files)
    for stat, path in files:
        if left <= most:
            break
        path.unlink(missing_ok=True)
        left -= stat.st_size


class _Known(pickle.Unpickler):
    """Reads nothing but the kit's own records (dataclasses, sections of study.toml), arrays, tables and plain values."""

    def find_class(self, module: str, name: str) -> Any:
        """The class of that name, or what rebuilds an array or a table; UnpicklingError for anything else."""
        if (module, name) in PLAIN:
            return super().find_class(module, name)
        if module.startswith("studykit.") and name.isidentifier():
            found = super().find_class(module, name)
            if isinstance(found, type) and (dataclasses.is_dataclass(found) or hasattr(found, "model_fields")):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} is not read back")


def digest(*values: Any) -> str:
    """The hash of the contents of values; Unknown for one whose contents cannot be told."""
    found = hashlib.sha256()
    for value in values:
        _tell(value, found.update)
    return found.hexdigest()


def _tell(value: Any, tell: Callable[[bytes], None]) -> None:
    """Tell a value's kind and contents, so that no two different ones tell the same."""
    import numpy as np
    import pandas as pd

    if value is None or isinstance(value, (bool, int, float, complex, str, bytes, date, np.generic)):
        text = repr(value).encode()
        tell(f"{type(value).__qualname__} {len(text)} ".encode() + text)
    elif isinstance(value, np.ndarray):
        _tell_array(value, tell)
    elif isinstance(value, pd.DataFrame):
        _tell_all("frame", [list(value.columns), value.index, *(value.iloc[:, k] for k in range(value.shape[1]))], tell)
    elif isinstance(value, (pd.Series, pd.Index)):
        if isinstance(value, pd.MultiIndex):
            raise Unknown(type(value).__name__)
        kinds = [value.dtype.categories, value.dtype.ordered] if isinstance(value.dtype, pd.CategoricalDtype) else []
        _tell_all(type(value).__name__, [value.name, str(value.dtype), *kinds, value.to_numpy()], tell)
    elif isinstance(value, (tuple, list)):
        _tell_all(type(value).__qualname__, value, tell)
    elif isinstance(value, dict):
        _tell_all(type(value).__qualname__, [*value.keys(), *value.values()], tell)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        parts = [getattr(value, f.name) for f in dataclasses.fields(value) if f.compare]
        _tell_all(f"{type(value).__module__}.{type(value).__qualname__}", parts, tell)
    elif hasattr(type(value), "model_fields"):
        parts = [getattr(value, name) for name in type(value).model_fields]
        _tell_all(f"{type(value).__module__}.{type(value).__qualname__}", parts, tell)
    else:
        raise Unknown(type(value).__name__)


def _tell_all(kind: str, parts: Any, tell: Callable[[bytes], None]) -> None:
    tell(f"{kind} {len(parts)} ".encode())
    for part in parts:
        _tell(part, tell)


def _tell_array(value: Any, tell: Callable[[bytes], None]) -> None:
    """An array by its kind, shape and bytes; one of objects by each of them."""
    import numpy as np

    if value.dtype.hasobject:
        parts = value.ravel().tolist()
        if set(map(type, parts)) == {str}:  # as most are: told at once
            texts = [part.encode(errors="surrogatepass") for part in parts]
            tell(f"texts {value.shape} {' '.join(map(str, map(len, texts)))} ".encode() + b"".join(texts))
        else:
            _tell_all(f"array {value.shape}", parts, tell)
    else:
        data = np.ascontiguousarray(value)
        tell(f"array {value.dtype.str} {value.shape} ".encode())
        tell(data.tobytes())
