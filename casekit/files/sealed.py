"""Sealed cases: a case file whose answer cannot be read by opening it.

In: a case, its variants, and the passphrase of a class. Out: a file with the sheet in the open and the answer encrypted
(AES-256-GCM, key by scrypt, both of the `cryptography` library); and the case again, for who has the passphrase.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from casekit.error import ScenarioError, refused
from casekit.files.source import MAX_BYTES

FORMAT = 1
OPEN = ("case", "machine", "title", "complaint", "story", "codes")
SUFFIX = ".sealed"
COST = 2**15  # of scrypt, with r 8 and p 1: about a tenth of a second and 32 MB a guess (RFC 7914)
LEAST = 8  # characters of a passphrase


@dataclass(frozen=True)
class Sealed:
    """A sealed case: what is in the open, and what is not."""

    path: Path
    open: dict
    salt: bytes
    nonce: bytes
    secret: bytes


def seal(whole: dict, variants: list[dict], passphrase: str) -> str:
    """The text of a sealed file: `whole` is the case as a case file has it.

    Raises ScenarioError for a passphrase that is too short.
    """
    if len(passphrase) < LEAST:
        raise ScenarioError(
            [f"the passphrase has {len(passphrase)} characters; take at least {LEAST}, better a sentence."]
        )
    head = {key: whole[key] for key in OPEN}
    salt, nonce = os.urandom(16), os.urandom(12)
    inside = json.dumps({"case": whole, "variants": variants}).encode()
    secret = AESGCM(_key(passphrase, salt)).encrypt(nonce, inside, _bound(head))
    text = {"casekit sealed case": FORMAT, **head}
    text |= {k: base64.b64encode(v).decode() for k, v in (("salt", salt), ("nonce", nonce), ("secret", secret))}
    return json.dumps(text, indent=1, ensure_ascii=False) + "\n"


def read_sealed(path: Path) -> Sealed:
    """Read a sealed file; the answer stays shut. Raises ScenarioError when it is none, or damaged."""
    try:
        raw = path.read_bytes()
    except OSError as err:
        raise ScenarioError([refused(path, err, "check the name", "cannot be read")]) from None
    try:
        data = json.loads(raw) if len(raw) <= MAX_BYTES else None
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict) or "casekit sealed case" not in data:
        raise ScenarioError([f"{path}: this is not a sealed case; make it anew with casekit seal."])
    if data["casekit sealed case"] != FORMAT:
        raise ScenarioError([f"{path}: this seal is of another version of casekit; make it anew with casekit seal."])
    try:
        head = {key: data[key] for key in OPEN}
        parts = [base64.b64decode(data[key], validate=True) for key in ("salt", "nonce", "secret")]
    except (KeyError, TypeError, binascii.Error, ValueError):
        raise ScenarioError([f"{path}: the sealed case is damaged; get the file once more."]) from None
    if head["case"] != path.stem:
        raise ScenarioError([f"{path}: the file holds the case {head['case']!r}; name it {head['case']}{SUFFIX}."])
    return Sealed(path, head, *parts)


def unsealed(sealed: Sealed, passphrase: str) -> tuple[dict, list[dict]]:
    """The case and its variants, as files have them.

    Raises ScenarioError for another passphrase, and when anything in the file was changed, in the open part as well.
    """
    try:
        inside = AESGCM(_key(passphrase, sealed.salt)).decrypt(sealed.nonce, sealed.secret, _bound(sealed.open))
    except (InvalidTag, ValueError):
        raise ScenarioError([
            f"{sealed.path}: the passphrase does not open this case, or the file was changed; ask your instructor."
        ]) from None  # fmt: skip
    whole = json.loads(inside)
    return whole["case"], whole["variants"]


@lru_cache(maxsize=8)
def _key(passphrase: str, salt: bytes) -> bytes:
    return Scrypt(salt=salt, length=32, n=COST, r=8, p=1).derive(passphrase.encode())


def _bound(head: dict) -> bytes:
    """The open part as bytes, always in one order: it is not secret, and it is proved to be unchanged."""
    return json.dumps(head, sort_keys=True).encode()
