"""Sealing, and the key file."""

import stat
import threading
from pathlib import Path

import msgspec
import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import ConfigurationFault, GatewayFault
from gateway.store.encryption import KeyRing, add_key, make_keys, read_keys

KEY = bytes(range(32))
RING = KeyRing([KEY])


@given(st.binary(max_size=300), st.text(max_size=40).filter(lambda t: t.isprintable()))
def test_what_was_sealed_opens(content: bytes, place: str) -> None:
    """The rule of the module: seal and open are a pair."""
    assert RING.open(RING.seal(content, place=place), place=place) == content


def test_the_blob_has_the_parts_that_the_standard_names() -> None:
    """NIST SP 800-38D, section 7: 96-bit IV, ciphertext as long as the text, 128-bit tag; opened from outside."""
    blob = RING.seal(b"content", place="messages:1")
    assert len(blob) == 1 + 8 + 12 + len(b"content") + 16
    assert AESGCM(KEY).decrypt(blob[9:21], blob[21:], b"messages:1") == b"content"


@given(st.integers(min_value=0), st.integers(1, 255))
def test_one_changed_byte_is_noticed(position: int, change: int) -> None:
    """NIST SP 800-38D, section 7.2: authenticated decryption returns FAIL for anything but what was sealed."""
    blob = bytearray(RING.seal(b"a message of some length", place="messages:1"))
    blob[position % len(blob)] ^= change
    with pytest.raises(GatewayFault):
        RING.open(bytes(blob), place="messages:1")


def test_a_record_is_read_anew_only_where_its_blob_is_another() -> None:
    """The rule of `read`: the same blob at the same place is the same record; anything else is opened and checked."""
    numbers = msgspec.json.Decoder(list[int])
    one, other = RING.seal(b"[1]", place="reports:1"), RING.seal(b"[1]", place="reports:1")
    first = RING.read(one, place="reports:1", decoder=numbers)
    assert RING.read(one, place="reports:1", decoder=numbers) is first
    assert RING.read(other, place="reports:1", decoder=numbers) is not first
    assert RING.read(one, place="reports:1", decoder=msgspec.json.Decoder(tuple[int, ...])) == (1,)
    with pytest.raises(GatewayFault):
        RING.read(one, place="reports:2", decoder=numbers)
    with pytest.raises(GatewayFault):
        RING.read(one[:-1] + bytes([one[-1] ^ 1]), place="reports:1", decoder=numbers)


@pytest.mark.parametrize("blob", [b"", b"\x01", b"\x01" * 20, bytes(range(100, 164))])
def test_rubbish_is_refused(blob: bytes) -> None:
    with pytest.raises(GatewayFault):
        RING.open(blob, place="messages:1")


def test_a_blob_cut_inside_its_nonce_or_tag_is_refused() -> None:
    blob = RING.seal(b"content", place="messages:1")
    for length in range(len(blob)):
        with pytest.raises(GatewayFault):
            RING.open(blob[:length], place="messages:1")


def test_a_blob_does_not_open_elsewhere() -> None:
    """The rule of the module: what a blob belongs to is authenticated with it."""
    blob = RING.seal(b"content", place="reports:1:2")
    with pytest.raises(GatewayFault, match="reports:1:3"):
        RING.open(blob, place="reports:1:3")


def test_equal_contents_look_different() -> None:
    assert RING.seal(b"x", place="p") != RING.seal(b"x", place="p")


def test_the_file_is_for_its_owner_alone(tmp_path: Path) -> None:
    make_keys(tmp_path / "new" / "store.key")
    assert stat.S_IMODE((tmp_path / "new" / "store.key").stat().st_mode) == 0o600
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["store.key"]


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_file_open_to_others_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "store.key"
    make_keys(path)
    path.chmod(mode)
    with pytest.raises(ConfigurationFault, match="chmod 600"):
        read_keys(path)


def test_making_does_not_replace_a_key(tmp_path: Path) -> None:
    path = tmp_path / "store.key"
    assert make_keys(path).ids == make_keys(path).ids


def test_all_who_start_at_once_have_one_key(tmp_path: Path) -> None:
    path, found = tmp_path / "store.key", []
    threads = [threading.Thread(target=lambda: found.append(make_keys(path).ids)) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 8
    assert len(set(found)) == 1


def test_a_new_key_seals_and_the_old_one_opens(tmp_path: Path) -> None:
    path = tmp_path / "store.key"
    old = make_keys(path)
    blob = old.seal(b"old", place="p")
    new = add_key(path)
    assert old.ids < new.ids
    assert new.sealing_id not in old.ids
    assert new.open(blob, place="p") == b"old"
    with pytest.raises(GatewayFault, match="key"):
        old.open(new.seal(b"new", place="p"), place="p")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_missing_file_is_a_clear_fault(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationFault, match="missing: put it back") as caught:
        read_keys(tmp_path / "store.key")
    assert caught.value.faults[0].file == str(tmp_path / "store.key")


def test_a_damaged_key_is_told_by_its_line_and_never_shown(tmp_path: Path) -> None:
    path = tmp_path / "store.key"
    make_keys(path)
    text = path.read_text()
    secret = text.split()[-1]
    path.write_text(text.replace(secret, secret[:-1] + ("0" if secret[-1] != "0" else "1")))
    with pytest.raises(ConfigurationFault, match=r"store\.key:2: the key is damaged") as caught:
        read_keys(path)
    assert secret[:-1] not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"# only words\n", b"\xff\xfe", b"abc\n", b"00 zz\n", b"\x00" * 50])
def test_a_file_that_holds_no_key_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "store.key"
    path.write_bytes(content)
    path.chmod(0o600)
    with pytest.raises(ConfigurationFault):
        read_keys(path)


def test_a_folder_in_its_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "store.key").mkdir(mode=0o700)
    with pytest.raises(ConfigurationFault, match="cannot be read"):
        read_keys(tmp_path / "store.key")
