"""Time stamps (RFC 3161) from an authority of the test's own, made by openssl: held, doubted and refused."""

from __future__ import annotations

import datetime as dt
import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.report import stamps
from studykit.report.verify import verify
from studykit.study.definition import load_study
from studykit.study.lock import lock_plan
from tests.report.filed import rehash

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed on this machine")

CONFIG = """
[req]
distinguished_name = dn
[dn]
[root]
basicConstraints = critical,CA:true
keyUsage = critical,keyCertSign
subjectKeyIdentifier = hash
[tsa]
basicConstraints = critical,CA:false
keyUsage = critical,digitalSignature
extendedKeyUsage = critical,timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[tsa_default]
serial = serial
crypto_device = builtin
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256, sha384, sha512
accuracy = secs:1
ess_cert_id_alg = sha256
"""


def openssl(folder: Path, *arguments: str) -> None:
    """Run openssl in a folder."""
    told = subprocess.run(["openssl", *arguments], cwd=folder, capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr


def authority(folder: Path, name: str) -> Path:
    """A root and a time-stamping certificate; returns the folder that holds them."""
    home = folder / name
    home.mkdir()
    (home / "c.cnf").write_text(CONFIG)
    (home / "serial").write_text("01\n")
    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-config", "c.cnf")
    openssl(home, "req", "-x509", *new, "-keyout", "root.key", "-out", "root.pem", "-subj", f"/CN={name} root", "-days", "3650",
            "-extensions", "root")
    openssl(home, "req", *new, "-keyout", "tsa.key", "-out", "tsa.csr", "-subj", f"/CN={name} stamps")
    openssl(home, "x509", "-req", "-in", "tsa.csr", "-CA", "root.pem", "-CAkey", "root.key", "-CAcreateserial", "-out",
            "tsa.pem", "-days", "3000", "-extfile", "c.cnf", "-extensions", "tsa")
    return home


def stamp(home: Path, file: Path, target: Path, digest: str = "-sha256", chain: tuple[str, ...] = ()) -> None:
    """A stamp of a file, with the authority's certificate inside, as ``openssl ts`` makes it; ``chain``: options for more."""
    openssl(home, "ts", "-query", "-data", str(file), digest, "-cert", "-out", "q.tsq")
    openssl(home, "ts", "-reply", "-queryfile", "q.tsq", "-inkey", "tsa.key", "-signer", "tsa.pem", "-section", "tsa_default",
            "-config", "c.cnf", *chain, "-out", str(target))


@pytest.fixture(scope="module")
def known(tmp_path_factory):
    return authority(tmp_path_factory.mktemp("ca"), "Known")


@pytest.fixture
def locked(root):
    """A filed study with a lock, as if it had been made before."""
    lock_plan(root, load_study(root), today=dt.date(2026, 9, 1))
    rehash(root)
    return root


def test_a_lock_without_a_stamp_says_what_it_does_not_prove(locked):
    assert stamps.NO_STAMP in verify(locked).notes
    assert verify(locked).differences == ()


@pytest.mark.parametrize("digest", ["-sha256", "-sha384", "-sha512"])
def test_a_stamp_is_borne_out_by_its_authority(locked, known, digest):
    stamp(known, locked / "plan/plan.lock", locked / "plan/plan.lock.tsr", digest)
    outcome = verify(locked, known / "root.pem")
    assert outcome.differences == ()
    told = next(n for n in outcome.notes if n.startswith("plan/plan.lock.tsr"))
    assert told.endswith("by an authority that the given certificates confirm")
    assert f"{dt.datetime.now(dt.UTC):%Y-%m-%d}" in told
    assert stamps.NO_STAMP not in outcome.notes


def test_an_answer_that_holds_its_chain_in_any_order_is_read(locked, known, tmp_path):
    """openssl itself finds it good; the set is then unsorted, as BER allows, for one of the two orders at least."""
    both, target, unsorted = tmp_path / "chain.pem", locked / "plan/plan.lock.tsr", 0
    extra = authority(tmp_path, "Extra")
    for names in ((known / "root.pem", extra / "root.pem"), (extra / "root.pem", known / "root.pem")):
        both.write_text("".join(p.read_text() for p in names))
        stamp(known, locked / "plan/plan.lock", target, chain=("-chain", str(both)))
        openssl(known, "ts", "-verify", "-in", str(target), "-data", str(locked / "plan/plan.lock"), "-CAfile", "root.pem")
        unsorted += stamps.in_order(target.read_bytes()) != target.read_bytes()
        outcome = verify(locked, known / "root.pem")
        assert outcome.differences == ()
        assert any(n.endswith("by an authority that the given certificates confirm") for n in outcome.notes)
        assert verify(locked, extra / "root.pem").differences != ()
    assert unsorted


@pytest.mark.parametrize("data", [b"", b"0", b"\x30\x80\x01", b"\x30\x84\x7f\xff\xff\xff" + b"0" * 99, bytes(range(256))])
def test_what_is_no_answer_is_left_as_it_is(data):
    assert stamps.in_order(data) == data


def test_without_certificates_it_is_told_that_nobody_checked_who(locked, known):
    stamp(known, locked / "plan/plan.lock", locked / "plan/plan.lock.tsr")
    assert any("who says so was not checked" in n for n in verify(locked).notes)


def test_another_authority_does_not_bear_it_out(locked, known, tmp_path):
    stamp(known, locked / "plan/plan.lock", locked / "plan/plan.lock.tsr")
    other = authority(tmp_path, "Other")
    rows = verify(locked, other / "root.pem").differences
    assert [(r["what"], r["re-executed"].split(":")[0]) for r in rows] == [
        ("plan/plan.lock.tsr", "is not confirmed by the given certificates")]
    only = tmp_path / "leaf.pem"
    shutil.copy(known / "tsa.pem", only)
    assert "no root" in verify(locked, only).differences[0]["re-executed"]


def test_a_lock_made_anew_is_not_the_stamped_one(locked, known):
    stamp(known, locked / "plan/plan.lock", locked / "plan/plan.lock.tsr")
    (locked / "plan/plan.lock").unlink()
    lock_plan(locked, load_study(locked), today=dt.date(2026, 8, 1))
    rehash(locked)
    assert verify(locked, known / "root.pem").differences[0]["re-executed"] == (
        "is not of this plan.lock: it stamps other bytes")


def test_an_amended_lock_keeps_the_stamp_of_its_first_entry(locked, known):
    stamp(known, locked / "plan/plan.lock", locked / "plan/plan.lock.tsr")
    text = (locked / "study.toml").read_text(encoding="utf-8")
    (locked / "study.toml").write_text(text.replace("alpha = 0.05", "alpha = 0.04"), encoding="utf-8")
    lock_plan(locked, load_study(locked), amend="asked by the customer", today=dt.date(2026, 9, 2))
    rehash(locked)
    outcome = verify(locked, known / "root.pem")
    assert outcome.differences == ()
    assert any("as it was after its entry of 2026-09-01" in n for n in outcome.notes)


def test_the_manifest_can_be_stamped_after_the_filing(root, known):
    stamp(known, root / "report/manifest.json", root / "report/manifest.json.tsr")
    outcome = verify(root, known / "root.pem")
    assert outcome.differences == ()
    assert any(n.startswith("report/manifest.json.tsr says that manifest.json existed on") for n in outcome.notes)


@pytest.mark.few(2)
@pytest.mark.parametrize("data", [b"", b"not a stamp", b"\x30\x82\xff\xff" + b"\0" * 100, b"\x30" * 3000])
def test_what_is_no_stamp_is_said_to_be_none(locked, data):
    (locked / "plan/plan.lock.tsr").write_bytes(data)
    assert verify(locked).differences[0]["re-executed"].startswith(
        "could not be read as an RFC 3161 answer, so it shows nothing, for or against")


def test_a_changed_byte_of_the_signature_is_noticed(locked, known):
    path = locked / "plan/plan.lock.tsr"
    stamp(known, locked / "plan/plan.lock", path)
    data = bytearray(path.read_bytes())
    data[-5] ^= 1
    path.write_bytes(bytes(data))
    assert len(verify(locked, known / "root.pem").differences) == 1


def test_certificates_that_are_none_are_refused(locked, tmp_path):
    (tmp_path / "x.pem").write_text("hello")
    with pytest.raises(BadInput, match="holds no certificates"):
        verify(locked, tmp_path / "x.pem")


def test_the_laboratorys_own_hash_is_held_against_its_file(root):
    stated = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (root / "raw").iterdir()}
    text = (root / "intake.toml").read_text(encoding="utf-8")
    name, digest = next(iter(stated.items()))
    (root / "intake.toml").write_text(f'{text}\n[laboratory_sha256]\n"{name}" = "{digest.upper()}"\n', encoding="utf-8")
    rehash(root)
    assert verify(root).differences == ()
    (root / "raw" / name).write_bytes((root / "raw" / name).read_bytes() + b"\n")
    rehash(root)
    assert [(r["what"], r["filed"]) for r in verify(root).differences] == [
        (f"raw/{name}", f"{digest[:12]}, says the laboratory")]
