"""Raw messages and the contents of records are sealed before they reach the database.

The cipher is AES-256-GCM (NIST SP 800-38D). A sealed blob is

    form (1 byte) | key id (8 bytes) | nonce (12 bytes) | ciphertext | tag (16 bytes)

* What the blob belongs to (table, row, version) is authenticated with it: a blob moved to another row, or an
  older content put back in place of a newer one, does not open.
* Each blob names its key, so keys can change: the last key of the file seals, every key of the file opens.
* A key's id is a fingerprint of the key, so a wrong or damaged key is noticed before it is used.
* Nonces are random. SP 800-38D, section 8.3, allows 2**32 of them under one key: change the key before that
  many blobs are sealed, which is about a thousand million messages.

The key file is text, one line a key, readable by its owner alone:

    # comment
    <key id, 16 hex digits> <key, 64 hex digits>
"""

import hashlib
import os
import secrets
import tempfile
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from msgspec.json import Decoder

from gateway.errors import ConfigurationFault, Fault, GatewayFault

T = TypeVar("T")
_FORM = b"\x01"
_KEY_BYTES = 32
_ID_BYTES = 8
_NONCE_BYTES = 12
_TAG_BYTES = 16
_REMEMBERED = 256  # records; every message of a visit looks at the same reports again
_HEAD_BYTES = len(_FORM) + _ID_BYTES + _NONCE_BYTES
_FILE_HEAD = (
    "# The keys of the gateway's database. Keep a copy apart from the backups: without it they cannot be read.\n"
)


class KeyRing:
    """The keys that open what the store holds; the last one seals."""

    def __init__(self, keys: Iterable[bytes]) -> None:
        """Take the keys, 32 bytes each, oldest first."""
        self._ciphers = {_fingerprint(key): AESGCM(key) for key in keys}
        self._newest = list(self._ciphers)[-1]
        self._cipher = self._ciphers[self._newest]
        self._head = _FORM + self._newest
        self._recent = lru_cache(maxsize=_REMEMBERED)(self._decode)

    @property
    def ids(self) -> frozenset[str]:
        """The ids of all keys, in hex."""
        return frozenset(key_id.hex() for key_id in self._ciphers)

    @property
    def sealing_id(self) -> str:
        """The id of the key that seals, in hex."""
        return self._newest.hex()

    def seal(self, content: bytes, *, place: str) -> bytes:
        """Give back the sealed bytes; `place` names what they belong to, as `reports:<id>:<version>`."""
        nonce = os.urandom(_NONCE_BYTES)
        return self._head + nonce + self._cipher.encrypt(nonce, content, place.encode())

    def open(self, blob: bytes, *, place: str) -> bytes:
        """Give back what was sealed for `place`.

        Raises `GatewayFault` when the bytes were altered, belong elsewhere, or their key is not here.
        """
        cipher = self._ciphers.get(blob[len(_FORM) : len(_FORM) + _ID_BYTES])
        if blob[: len(_FORM)] != _FORM or cipher is None or len(blob) < _HEAD_BYTES + _TAG_BYTES:
            raise GatewayFault(f"{place}: sealed with a key that the key file does not hold, or damaged")
        nonce = blob[_HEAD_BYTES - _NONCE_BYTES : _HEAD_BYTES]
        try:
            return cipher.decrypt(nonce, blob[_HEAD_BYTES:], place.encode())
        except InvalidTag as error:
            raise GatewayFault(f"{place}: the sealed content was altered, or belongs elsewhere") from error

    def read(self, blob: bytes, *, place: str, decoder: Decoder[T]) -> T:
        """Give back the record that was sealed for `place`, which may be one that was given back before.

        A blob is sealed under a nonce of its own, so the same blob is always the same record. Raises as `open`.
        """
        record: T = self._recent(blob, place, decoder)
        return record

    def _decode(self, blob: bytes, place: str, decoder: Decoder[Any]) -> Any:
        return decoder.decode(self.open(blob, place=place))


def make_keys(path: Path) -> KeyRing:
    """Make a key file with one new key, or read the one that another process has made meanwhile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    _write(path, [secrets.token_bytes(_KEY_BYTES)], replace=False)
    return read_keys(path)


def add_key(path: Path) -> KeyRing:
    """Add a new key to the file: from the next start it seals, and the older ones still open."""
    keys = _read(path)
    _write(path, [*keys, secrets.token_bytes(_KEY_BYTES)], replace=True)
    return read_keys(path)


def read_keys(path: Path) -> KeyRing:
    """Read the key file. Raises `ConfigurationFault` where it is missing, damaged or open to others."""
    return KeyRing(_read(path))


def _read(path: Path) -> list[bytes]:
    try:
        with path.open(encoding="ascii") as file:
            if os.fstat(file.fileno()).st_mode & 0o077:
                raise _fault(path, None, "others may read the key file", f"chmod 600 {path}")
            lines = file.read().splitlines()
    except FileNotFoundError:
        raise _fault(path, None, "the key file is missing", "put it back from its copy") from None
    except (OSError, UnicodeDecodeError) as error:
        raise _fault(path, None, "the key file cannot be read", "put it back from its copy") from error
    keys = [_key(path, number, line) for number, line in enumerate(lines, 1) if line and line[0] != "#"]
    if not keys:
        raise _fault(path, None, "the key file holds no key", "put it back from its copy")
    return keys


def _key(path: Path, number: int, line: str) -> bytes:
    key_id, _, text = line.partition(" ")
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != _KEY_BYTES or _fingerprint(key).hex() != key_id:
        raise _fault(path, number, "the key is damaged", "put the file back from its copy")
    return key


def _write(path: Path, keys: Iterable[bytes], *, replace: bool) -> None:
    """Write the whole file under another name, then give it its own: nobody ever reads half a key."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)  # made with mode 0600
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(_FILE_HEAD)
        file.writelines(f"{_fingerprint(key).hex()} {key.hex()}\n" for key in keys)
        file.flush()
        os.fsync(file.fileno())
    if replace:
        Path(name).replace(path)
    else:
        _link(Path(name), path)
    _sync_folder(path.parent)


def _link(made: Path, path: Path) -> None:
    try:
        path.hardlink_to(made)
    except FileExistsError:
        return  # another process was first; its key counts, and the caller reads it
    finally:
        made.unlink()


def _sync_folder(folder: Path) -> None:
    """Make the new name itself durable: a key lost in a power cut would take the database with it."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _fingerprint(key: bytes) -> bytes:
    return hashlib.sha256(b"store key id" + key).digest()[:_ID_BYTES]


def _fault(path: Path, line: int | None, message: str, remedy: str) -> ConfigurationFault:
    return ConfigurationFault([Fault(str(path), line, "", message, remedy)])
