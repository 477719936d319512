"""Frames on a stream. The bytes of a frame: HL7 transport specification, MLLP release 1 (0x0B … 0x1C 0x0D).

What to do with bad framing is common practice, no source.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.mllp import (
    NEED_DATA,
    Dropped,
    Event,
    Frame,
    FrameEnd,
    FrameReader,
    Skipped,
    frame,
)
from gateway.errors import FramingFault, GatewayFault, SenderFault, TooLarge

MESSAGE = b"MSH|^~\\&|HIS|ANVIL\rPID|1\r"


def feed(pieces: list[bytes], **settings: object) -> list[Event | str]:
    """Everything a reader says of a stream cut into these pieces; a fault by its code, what is left at the end last."""
    reader = FrameReader(**settings)  # type: ignore[arg-type]
    said: list[Event | str] = []
    for piece in pieces:
        reader.receive(piece)
        try:
            while (event := reader.next_event()) is not NEED_DATA:
                said.append(event)
        except SenderFault as fault:
            return [*said, fault.code]
    left = reader.close()
    return said if left is None else [*said, left]


def one_by_one(stream: bytes) -> list[bytes]:
    return [stream[n : n + 1] for n in range(len(stream))]


# stream, what it says; each is fed whole, byte by byte and with another frame glued on
STREAMS = {
    "one frame": (b"\x0b" + MESSAGE + b"\x1c\r", [Frame(MESSAGE)]),
    "two frames": (frame(b"A") + frame(b"B"), [Frame(b"A"), Frame(b"B")]),
    "end without carriage return": (b"\x0bA\x1c\x0bB\x1c", [Frame(b"A"), Frame(b"B")]),
    "line feed after the end": (b"\x0bA\x1c\n", [Frame(b"A")]),
    "both after the end": (b"\x0bA\x1c\r\n\x0bB\x1c\r\n", [Frame(b"A"), Frame(b"B")]),
    "bytes before the start": (b"\r\nhello\x0bA\x1c\r", [Skipped(7), Frame(b"A")]),
    "a stray end": (b"\x1c\r\x0bA\x1c\r", [Skipped(2), Frame(b"A")]),
    "start inside a frame": (b"\x0bunfinished\x0bA\x1c\r", [Dropped(10), Frame(b"A")]),
    "empty frame": (b"\x0b\x1c\r", [Frame(b"")]),
}


@pytest.mark.parametrize(("stream", "said"), STREAMS.values(), ids=STREAMS)
def test_the_events_do_not_depend_on_how_the_stream_was_cut(stream: bytes, said: list[Event]) -> None:
    assert feed([stream]) == said
    assert feed(one_by_one(stream)) == said
    assert feed([stream + frame(MESSAGE)]) == [*said, Frame(MESSAGE)]
    assert feed(one_by_one(stream + frame(MESSAGE))) == [*said, Frame(MESSAGE)]


def test_a_pair_end_lets_an_end_byte_stand_inside() -> None:
    stream = b"\x0bA\x1cB\x1c\r\n" + frame(b"C")
    assert feed([stream], end=FrameEnd.PAIR) == [Frame(b"A\x1cB"), Frame(b"C")]
    assert feed(one_by_one(stream), end=FrameEnd.PAIR) == [Frame(b"A\x1cB"), Frame(b"C")]


def test_what_is_left_when_the_stream_ends() -> None:
    assert feed([b"\x0bhalf"]) == [Dropped(4)]
    assert feed([b"noise"]) == [Skipped(5)]
    assert feed([frame(b"A")]) == [Frame(b"A")]


def test_a_frame_at_the_limit_passes_and_one_byte_more_does_not() -> None:
    for end in FrameEnd:
        assert feed([frame(b"x" * 10)], limit=10, end=end) == [Frame(b"x" * 10)]
        assert feed(one_by_one(frame(b"x" * 10)), limit=10, end=end) == [Frame(b"x" * 10)]
        assert feed([frame(b"x" * 11)], limit=10, end=end) == ["frame-too-large"]
        assert feed(one_by_one(frame(b"x" * 11)), limit=10, end=end) == ["frame-too-large"]


def test_an_oversize_frame_still_shows_its_head_so_that_it_can_be_refused() -> None:
    reader = FrameReader(limit=20)
    reader.receive(b"\x0b" + MESSAGE * 2)
    with pytest.raises(TooLarge):
        reader.next_event()
    assert reader.head(8) == b"MSH|^~\\&"


def test_a_reader_at_fault_stays_at_fault_and_takes_nothing_more() -> None:
    reader = FrameReader(junk_limit=3)
    reader.receive(b"noise")
    with pytest.raises(FramingFault):
        reader.next_event()
    reader.receive(frame(b"A"))
    with pytest.raises(FramingFault):
        reader.next_event()


def test_junk_is_forgiven_by_a_good_frame() -> None:
    assert feed([b"abc" + frame(b"A") + b"def" + frame(b"B")], junk_limit=5) == [
        Skipped(3),
        Frame(b"A"),
        Skipped(3),
        Frame(b"B"),
    ]


def test_half_a_frame_is_known_as_such() -> None:
    reader = FrameReader()
    assert not reader.is_mid_frame
    reader.receive(b"\x0bM")
    assert reader.next_event() is NEED_DATA
    assert reader.is_mid_frame


def test_a_payload_that_would_break_its_frame_is_our_own_fault() -> None:
    for payload in (b"a\x0bb", b"a\x1cb"):
        with pytest.raises(GatewayFault):
            frame(payload)


@given(st.lists(st.binary(max_size=50).filter(lambda b: b"\x0b" not in b and b"\x1c" not in b)), st.data())
def test_frames_come_out_as_they_went_in_however_they_were_cut(payloads: list[bytes], data: st.DataObject) -> None:
    stream = b"".join(frame(payload) for payload in payloads)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert feed(pieces) == [Frame(payload) for payload in payloads]


@given(
    st.lists(st.sampled_from([b"\x0b", b"\x1c", b"\r", b"\n", b"x", b"MSH|"]), max_size=60),
    st.sampled_from(list(FrameEnd)),
    st.integers(0, 6),
    st.integers(0, 6),
)
def test_any_stream_says_the_same_whole_and_byte_by_byte(
    parts: list[bytes], end: FrameEnd, limit: int, junk_limit: int
) -> None:
    stream = b"".join(parts)
    settings = {"end": end, "limit": limit, "junk_limit": junk_limit}
    assert feed([stream], **settings) == feed(one_by_one(stream), **settings)
