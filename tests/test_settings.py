"""The table of settings: checked values, a meaning for each, and the defaults the outside may rely on."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.documents import read_document
from gateway.settings import Settings
from gateway.store.pieces import PIECE


def test_every_setting_says_what_it_means() -> None:
    assert [name for name, field in Settings.model_fields.items() if not field.description] == []


def test_the_defaults_are_what_the_outside_was_told() -> None:
    """The figures of the gateway's own contract; those of the rules of linking are common practice, no source."""
    default = Settings()
    assert default.mllp_frame_bytes == 16 * 1024 * 1024
    assert default.care_report_bytes == 100_000_000
    assert (default.idle_seconds, default.half_frame_seconds) == (15 * 60, 30)
    assert (default.connections_per_address, default.connections_in_all) == (200, 2000)
    assert (default.sign_in_attempts, default.look_up_misses) == (10, 60)
    assert default.keep_faults == "accept"
    assert default.two_identifiers is True


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("idle_second: 5", "unknown key: did you mean idle_seconds?"),
        ("idle_seconds: 0", "input should be greater than 0"),
        ("idle_seconds: -1", "input should be greater than 0"),
        ("idle_seconds: 1e999", "input should be a finite number"),
        ("episode_hours: 1e12", "input should be less than or equal to"),
        ("arrival_hours_after: 1e12", "input should be less than or equal to"),
        ("connections_in_all: 1.5", "a whole number is wanted here"),
        ("mllp_frame_bytes: 16 MB", "a whole number is wanted here"),
        ("keep_faults: acept", "not a known word: did you mean accept?"),
        ("two_identifiers: 2", "yes or no is wanted here"),
        ("delivery_attempts:", "empty"),
    ],
)
def test_a_wrong_setting_is_refused_with_a_remedy(text: str, told: str) -> None:
    (fault,) = read_document(text, Settings, file="s.yaml").faults
    assert told in str(fault)
    assert fault.line == 1


@given(st.sampled_from(sorted(Settings.model_fields)), st.floats() | st.integers() | st.text(max_size=5))
def test_a_setting_is_refused_or_finite(name: str, value: object) -> None:
    try:
        taken = getattr(Settings.model_validate({name: value}), name)
    except ValidationError:
        return
    assert isinstance(taken, str | bool) or 0 <= taken < float("inf")


def test_what_is_answered_at_once_fits_into_one_piece() -> None:
    """A payload that is worked on at once is held whole, and kept in one value."""
    most = Settings.model_validate({"submission_at_once_bytes": 4_000_000})
    assert most.submission_at_once_bytes <= PIECE
    with pytest.raises(ValidationError):
        Settings.model_validate({"submission_at_once_bytes": PIECE + 1})
