"""The teacher's sealed file: scrypt makes a key of the passphrase, AES-256-GCM encrypts and notices every change.

Parameters of scrypt: n = 2^16, r = 8, p = 1, so 64 MB a guess; the library's handbook names r = 8, p = 1 and n = 2^14 for
a log-in (from memory). Without the passphrase nobody can open the file, its maker included.
"""

from __future__ import annotations

import base64
import contextlib
import json
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from studykit.core import strict
from studykit.core.errors import single
from studykit.core.files import read_bytes, write_json
from studykit.core.writer import one_writer

SEALED = "teacher/sealed.json"
HERE = "name the folder that `studykit class` made"
FORMAT = 1
SHORTEST = 10
N, R, P = 2**16, 8, 1


def passphrase_of(text: str) -> str:
    """A passphrase that is long enough; BadInput otherwise."""
    phrase = text.strip()
    if len(phrase) < SHORTEST:
        raise single("passphrase", f"has fewer than {SHORTEST} signs", "four words without a link are easy to keep")
    return phrase


def _key(passphrase: str, salt: bytes) -> bytes:
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    return Scrypt(salt=salt, length=32, n=N, r=R, p=P).derive(passphrase.encode())


@contextlib.contextmanager
def one_teacher(root: Path, command: str) -> Iterator[None]:
    """Hold the teacher's side of a class for writing; BadInput where it is not there, or another run has it."""
    read_bytes(root / SEALED, SEALED, HERE)
    with one_writer(root / "teacher", command):
        yield


def seal(root: Path, passphrase: str, data: dict[str, Any]) -> Path:
    """Write the data encrypted, with a fresh salt and nonce, whole or not at all."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    salt, nonce = secrets.token_bytes(16), secrets.token_bytes(12)
    plain = json.dumps(data, ensure_ascii=False).encode()
    box = AESGCM(_key(passphrase, salt)).encrypt(nonce, plain, b"studykit class")
    text = {k: base64.b64encode(v).decode() for k, v in (("salt", salt), ("nonce", nonce), ("box", box))}
    return write_json(root / SEALED, {"format": FORMAT, "kdf": "scrypt", "cipher": "AES-256-GCM", **text})


def unseal(root: Path, passphrase: str) -> dict[str, Any]:
    """What was sealed; BadInput for another passphrase, a changed file, or no such file."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    raw = read_bytes(root / SEALED, SEALED, HERE)
    try:
        parts = strict.read(raw)
        salt, nonce, box = (base64.b64decode(parts[k], validate=True) for k in ("salt", "nonce", "box"))
        if parts["format"] != FORMAT:
            raise ValueError("another format")
        plain = AESGCM(_key(passphrase, salt)).decrypt(nonce, box, b"studykit class")
    except InvalidTag:
        raise single(SEALED, "does not open: another passphrase, or the file was changed",
                     "type the passphrase of this class; a changed file is put back from your copy") from None
    except (ValueError, KeyError, TypeError) as error:
        raise single(SEALED, f"is no sealed file of a class ({error})", "put it back from your copy") from None
    return dict(json.loads(plain))
