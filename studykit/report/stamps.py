"""Time stamps (RFC 3161) beside the lock and the manifest: what they say, and whether given certificates bear them out.

A stamp shows that these bytes were there at its time, if its authority is trusted. It is checked offline, with the
certificates that the reader gives; without them only what it claims can be told. The lock may have been amended
after its stamp: it is then held against the lock as it was after each of its entries.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.core import strict
from studykit.core.errors import single
from studykit.core.hashes import ordinary
from studykit.report.manifest import FILE, STAMPS
from studykit.study.seal import LOCK

if TYPE_CHECKING:
    from cryptography.x509 import Certificate

NO_STAMP = ("the lock has no time stamp (plan/plan.lock.tsr): its date is what its author says. A printed sheet or a mail "
            "that carries the seal, from before the data, would show it")
TOO_LARGE = 1_000_000
CERTIFICATES = 0xA0
"""Tag of the certificates among the parts of SignedData (RFC 5652, 5.1)."""
BESIDE = dict(zip(STAMPS, (LOCK, FILE), strict=True))
"""Stamp -> the file that it stands beside."""


def certificates_in(path: Path) -> tuple[Certificate, ...]:
    """The certificates of a PEM file; BadInput where there is none to read."""
    from cryptography.x509 import load_pem_x509_certificates

    try:
        return tuple(load_pem_x509_certificates(path.read_bytes()))
    except (OSError, ValueError) as error:
        raise single(str(path), f"holds no certificates that can be read: {error}", "give a PEM file") from None


def checked(root: Path, certificates: tuple[Certificate, ...] = ()) -> tuple[list[tuple[str, str]], list[str]]:
    """Stamps that do not hold, as (file, reason), and notes on the others and on what is missing."""
    wrong, notes = [], []
    for stamp, beside in BESIDE.items():
        if not ordinary(root, stamp):  # one that is a link or a pipe is named with the folder
            if stamp == STAMPS[0] and ordinary(root, LOCK):
                notes.append(NO_STAMP)
            continue
        if not ordinary(root, beside):
            wrong.append((stamp, f"there is no {beside.rpartition('/')[2]} beside it"))
            continue
        reason, told = _one(root / stamp, root / beside, certificates)
        if reason:
            wrong.append((stamp, reason))
        else:
            notes.append(f"{stamp} {told}")
    return wrong, notes


def _one(stamp: Path, beside: Path, certificates: tuple[Certificate, ...]) -> tuple[str, str]:
    """Why one stamp does not hold ('' where it does), and what it says."""
    from rfc3161_client import decode_timestamp_response

    if stamp.stat().st_size > TOO_LARGE:
        return "is too large to be a time stamp", ""
    try:
        answer = decode_timestamp_response(in_order(stamp.read_bytes()))
        when = answer.tst_info.gen_time
    except (ValueError, RuntimeError, OverflowError) as error:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        return f"could not be read as an RFC 3161 answer, so it shows nothing, for or against: {said}", ""
    said = f"says that {beside.name} existed on {when:%Y-%m-%d at %H:%M} UTC"
    states = list(_states(beside))
    covered = [name for name, data in states if _covers(answer, data)]
    if not covered:
        return f"is not of this {beside.name}: it stamps other bytes", ""
    of_which = "" if covered[0] == states[0][0] else f", as it was after {covered[0]}"
    if not certificates:
        return "", f"{said}{of_which}; who says so was not checked: give the authority's certificates with --certificates"
    fault = _fault(answer, dict(states)[covered[0]], certificates)
    return fault, f"{said}{of_which}, by an authority that the given certificates confirm"


def in_order(answer: bytes) -> bytes:
    """An answer with its set of certificates in the order that DER asks for; other bytes as they are.

    Authorities send them in the order of their chain, as BER allows. No signature covers that order (RFC 5652, 5.1).
    """
    try:
        content = _element(answer, *_element(answer, 0, len(answer))[1:])  # status
        content = _element(answer, content[2], len(answer))  # ContentInfo
        kind = _element(answer, content[1], content[2])
        signed = _element(answer, *_element(answer, kind[2], content[2])[1:])  # [0] SignedData
        part = _element(answer, signed[1], signed[2])
        while part[0] != CERTIFICATES:
            part = _element(answer, part[2], signed[2])
        found, at = list[bytes](), part[1]
        while at < part[2]:
            end = _element(answer, at, part[2])[2]
            found.append(answer[at:end])
            at = end
    except IndexError:
        return answer
    return answer[:part[1]] + b"".join(sorted(found)) + answer[part[2]:]


def _element(data: bytes, at: int, end: int) -> tuple[int, int, int]:
    """Tag, start and end of the content of the DER element at a place; IndexError where none fits before ``end``."""
    size, start = data[at + 1], at + 2
    if size > 128:
        start += size - 128
        size = int.from_bytes(data[at + 2:start])
    if size == 128 or start + size > min(end, len(data)):
        raise IndexError
    return data[at], start, start + size


def _states(path: Path) -> Iterator[tuple[str, bytes]]:
    """The bytes that a stamp may be of: the file as it is; the lock also as it was after each earlier entry."""
    yield "now", path.read_bytes()
    if path.name == "plan.lock":
        try:
            lock = strict.read(path.read_bytes())
            entries = lock["entries"]
            for k in range(len(entries) - 1, 0, -1):
                earlier: dict[str, Any] = {**lock, "entries": entries[:k], "last_seal": entries[k - 1]["seal"]}
                text = json.dumps(earlier, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
                yield f"its entry of {entries[k - 1]['date']}", text.encode()
        except (ValueError, KeyError, TypeError, RecursionError):
            return


def _covers(answer: Any, data: bytes) -> bool:
    """Whether a stamp is of these bytes, by the hash it names."""
    imprint = answer.tst_info.message_imprint
    name = {"2.16.840.1.101.3.4.2.1": "sha256", "2.16.840.1.101.3.4.2.2": "sha384", "2.16.840.1.101.3.4.2.3": "sha512"}.get(
        imprint.hash_algorithm.dotted_string)
    return name is not None and hashlib.new(name, data).digest() == imprint.message


def _fault(answer: Any, data: bytes, certificates: tuple[Certificate, ...]) -> str:
    """Why the given certificates do not bear a stamp out; '' where they do. Self-signed ones are taken as roots."""
    from rfc3161_client import VerifierBuilder
    from rfc3161_client.errors import VerificationError

    roots = [c for c in certificates if c.subject == c.issuer]
    if not roots:
        return "cannot be checked: no root (self-signed) certificate was given"
    builder = VerifierBuilder(roots=roots, intermediates=[c for c in certificates if c.subject != c.issuer])
    try:
        good = builder.build().verify_message(answer, data)
    except (VerificationError, ValueError) as error:
        return f"is not confirmed by the given certificates: {str(error).splitlines()[0]}"
    return "" if good else "is not confirmed by the given certificates"
