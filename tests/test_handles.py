"""Handles: the answer itself, sealed, for what was never worked on. Outside: RFC 4648 section 5 (base64url)."""

from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.report_service import Status
from gateway.handles import NOBODY, SealedAnswer, is_stored, open_sealed, seal
from gateway.run import new_id
from gateway.store.encryption import KeyRing, add_key, make_keys, read_keys
from tests.store.samples import NOW

KEYS = KeyRing([b"k" * 32])
ANSWER = SealedAnswer(Status.WRONG_PASSWORD, NOBODY, NOW)


@given(
    st.sampled_from(list(Status)),
    st.from_regex(r"[a-z0-9][a-z0-9-]{0,99}", fullmatch=True) | st.just(NOBODY),
    st.timedeltas(timedelta(days=-10_000), timedelta(days=10_000)),
)
def test_a_handle_tells_the_answer_it_was_made_of(code: Status, feed: str, since: timedelta) -> None:
    answer = SealedAnswer(code, feed, NOW + since)
    handle = seal(KEYS, answer)
    assert open_sealed(KEYS, handle) == answer
    assert not is_stored(handle)
    assert len(feed) < 8 or feed not in handle


def test_it_outlives_a_change_of_keys_and_is_worth_nothing_elsewhere(tmp_path: Path) -> None:
    handle = seal(make_keys(tmp_path / "key"), ANSWER)
    add_key(tmp_path / "key")
    assert open_sealed(read_keys(tmp_path / "key"), handle) == ANSWER
    assert open_sealed(KEYS, handle) is None


@given(st.integers(0, 200), st.characters(codec="ascii"))
def test_one_changed_character_makes_it_no_handle(place: int, character: str) -> None:
    handle = seal(KEYS, ANSWER)
    changed = handle[: place % len(handle)] + character + handle[place % len(handle) + 1 :]
    found = open_sealed(KEYS, changed)
    assert found is None or (found == ANSWER and changed[:-1] == handle[:-1])  # the last one may have spare bits


@given(st.text() | st.from_regex(r"[A-Z][0-9A-Za-z_-]{50,400}", fullmatch=True))
def test_no_text_of_others_is_a_handle(text: str) -> None:
    assert open_sealed(KEYS, text) is None


def test_another_thing_sealed_with_the_key_is_no_handle() -> None:
    import base64

    sealed = KEYS.seal(b"-1 1234567890123456 somebody-and-more-text", place="reports:1:1")
    assert open_sealed(KEYS, base64.urlsafe_b64encode(sealed).decode().rstrip("=")) is None


def test_an_id_of_a_row_has_the_form_of_one() -> None:
    assert is_stored(new_id())


@pytest.mark.parametrize("text", ["", "x", "A" * 30, "../../etc/passwd", "0" * 41, "handle with blanks 123", "é" * 28])
def test_what_has_neither_form(text: str) -> None:
    assert not is_stored(text)
    assert open_sealed(KEYS, text) is None
