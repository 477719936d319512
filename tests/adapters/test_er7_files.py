"""Files of HL7 v2 messages: cut where a message begins, whatever stands around, in pieces of any size.

Outside: HL7 v2, edition 2.9.1, chapter 2 (2.5.2 segments end in CR; 2.9.2 batch and file envelopes). That files
hold framing bytes, blank lines and LF is common practice, no source. The fixture messages are the oracle of what a
message is.
"""

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.adapters import er7_files
from gateway.adapters.er7 import split_batch
from gateway.adapters.er7_files import messages_in
from gateway.errors import TooLarge
from tests.working import FIXTURES

DAY = [path.read_bytes() for path in sorted((FIXTURES / "day" / "admissions").glob("*.hl7"))]
LIMIT = 1_000_000


def cut(data: bytes, limit: int = LIMIT) -> list[bytes]:
    return list(messages_in(io.BytesIO(data), limit=limit))


class Dribble(io.BytesIO):
    """A file that gives a few bytes at a time."""

    def __init__(self, data: bytes, size: int) -> None:
        super().__init__(data)
        self.size = size

    def read(self, size: int | None = -1, /) -> bytes:
        del size
        return super().read(self.size)


def test_one_message_is_itself() -> None:
    assert [cut(each) for each in DAY] == [[each] for each in DAY]


@pytest.mark.parametrize("size", [1, 7, 64, 4096])
def test_a_batch_is_its_messages_without_the_envelope(size: int) -> None:
    """2.9.2: FHS BHS { MSH … } BTS FTS."""
    batch = b"FHS|^~\\&|A|B\rBHS|^~\\&|A|B\r" + b"".join(DAY[:3]) + b"BTS|3\rFTS|1\r"
    assert list(messages_in(Dribble(batch, size), limit=LIMIT)) == DAY[:3]


@pytest.mark.parametrize("end", [b"BTS|1\rFTS|1\r", b"BTS\rFTS\r", b"BTS\r\nFTS", b""])
def test_trailers_may_stand_without_fields(end: bytes) -> None:
    """2.14.2 and 2.14.4 (BTS, FTS): every field of a trailer is optional."""
    assert cut(b"BHS|^~\\&\r" + DAY[0] + end) == [DAY[0]]


def test_framing_and_blank_lines_belong_to_no_message() -> None:
    wire = b"".join(b"\x0b" + each + b"\x1c\r" for each in DAY[:2])
    assert cut(wire) == DAY[:2]
    assert cut(b"\xef\xbb\xbf" + DAY[0] + b"\r\n\r\n" + DAY[1] + b"\r\r\n") == DAY[:2]


def test_what_belongs_to_no_message_is_a_piece_of_its_own() -> None:
    assert cut(b"Dear colleague\r" + DAY[0]) == [b"Dear colleague\r", DAY[0]]
    assert cut(b"Dear colleague") == [b"Dear colleague"]


@pytest.mark.parametrize("data", [b"", b"\r\n \r\n", b"\x0b\x1c\r", b"FHS|^~\\&\rBHS|^~\\&\rBTS|0\rFTS|1\r"])
def test_nothing_gives_nothing(data: bytes) -> None:
    assert cut(data) == []


def test_a_message_over_the_limit_is_told_after_those_before_it() -> None:
    large = DAY[1] + b"NTE|1||" + b"x" * LIMIT + b"\r"
    found = messages_in(io.BytesIO(DAY[0] + large + DAY[2]), limit=LIMIT)
    assert next(found) == DAY[0]
    with pytest.raises(TooLarge):
        next(found)


def test_an_endless_message_is_not_gathered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(er7_files, "PIECE", 1000)

    class Endless(io.RawIOBase):
        given = 0

        def read(self, size: int = -1, /) -> bytes:
            self.given += size
            return DAY[0][:size].ljust(size, b"x") if self.given == size else b"x" * size

    source = Endless()
    with pytest.raises(TooLarge):
        list(messages_in(source, limit=10_000))
    assert source.given < 20_000


@pytest.mark.parametrize("size", [1, 2, 5])
def test_marks_of_byte_order_before_the_first_message_are_cut_off_in_small_reads_too(size: int) -> None:
    """A second mark is no part of the message: how the bytes come decides nothing."""
    data = b"\xef\xbb\xbf\xef\xbb\xbf" + DAY[0]
    assert list(messages_in(Dribble(data, size), limit=LIMIT)) == cut(data) == [b"\xef\xbb\xbf", DAY[0]]


PIECES = st.sampled_from(
    [b"\r", b"\n", b"\r\n", b" ", b"\x0b", b"\x1c", b"BTS|1\r", b"BHS|^~\\&\r", b"x", b"\xef\xbb\xbf"]
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.one_of(PIECES, st.sampled_from(DAY[:4])), max_size=8).map(b"".join),
    st.integers(1, 50),
)
def test_how_few_bytes_a_read_gives_changes_nothing(data: bytes, size: int) -> None:
    assert list(messages_in(Dribble(data, size), limit=LIMIT)) == cut(data)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(DAY), min_size=2, max_size=5))
def test_messages_one_after_the_other_are_cut_as_a_whole_file_is(messages: list[bytes]) -> None:
    assert cut(b"".join(messages)) == list(split_batch(b"".join(messages))) == messages
