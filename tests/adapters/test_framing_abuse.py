"""Abuse of the framing: endless, nested, empty, smuggled. No source beyond MLLP release 1; common practice."""

import time
import tracemalloc
from collections.abc import Iterator

import pytest

from gateway.adapters.er7 import read
from gateway.adapters.mllp import FRAME_LIMIT, JUNK_LIMIT, NEED_DATA, Dropped, Event, Frame, FrameReader, frame
from gateway.errors import FramingFault, TooLarge, UnreadableMessage

MIB = 1024 * 1024


def pour(reader: FrameReader, piece: bytes, times: int) -> None:
    """Send a piece many times over; it never makes a frame."""
    for _ in range(times):
        reader.receive(piece)
        assert reader.next_event() is NEED_DATA


def events_of(reader: FrameReader) -> Iterator[Event]:
    while (event := reader.next_event()) is not NEED_DATA:
        yield event


def test_an_endless_frame_is_cut_off_at_the_limit_and_no_more_than_the_limit_is_kept() -> None:
    reader = FrameReader(limit=MIB)
    tracemalloc.start()
    reader.receive(b"\x0b")
    with pytest.raises(TooLarge):
        pour(reader, b"x" * 65536, 1000)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4 * MIB


def test_endless_noise_before_a_frame_is_cut_off_and_not_kept() -> None:
    reader = FrameReader()
    pour(reader, b"x", JUNK_LIMIT)
    reader.receive(b"x")
    with pytest.raises(FramingFault):
        reader.next_event()


def test_a_slow_sender_does_not_make_us_search_again_what_was_searched() -> None:
    """Half a mebibyte in pieces of 16 bytes: searched anew each time it would be 8 gibibytes of searching."""
    reader = FrameReader()
    reader.receive(b"\x0b")
    began = time.process_time()
    pour(reader, b"x" * 16, MIB // 32)
    reader.receive(b"\x1c\r")
    event = reader.next_event()
    assert isinstance(event, Frame)
    assert len(event.payload) == MIB // 2
    assert time.process_time() - began < 2


def test_start_bytes_without_end_are_not_searched_over_and_over() -> None:
    """A mebibyte of start bytes, then an end; every start drops an empty frame until patience ends."""
    reader = FrameReader()
    reader.receive(b"\x0b" * MIB)
    began = time.process_time()
    for _ in range(JUNK_LIMIT):
        assert reader.next_event() == Dropped(0)
    with pytest.raises(FramingFault):
        reader.next_event()
    assert time.process_time() - began < 2


def test_a_hundred_thousand_empty_frames_in_one_read() -> None:
    reader = FrameReader()
    reader.receive(b"\x0b\x1c\r" * 100_000)
    began = time.process_time()
    assert list(events_of(reader)) == [Frame(b"")] * 100_000
    assert time.process_time() - began < 2


def test_an_empty_frame_is_no_message() -> None:
    with pytest.raises(UnreadableMessage, match="does not start with MSH"):
        read(b"")


def test_the_largest_frame_passes() -> None:
    reader = FrameReader()
    reader.receive(frame(b"x" * FRAME_LIMIT))
    event = reader.next_event()
    assert isinstance(event, Frame)
    assert len(event.payload) == FRAME_LIMIT


def test_a_false_end_inside_a_field_makes_no_second_message() -> None:
    """A field that smuggles an end, then a header without start byte: what follows the end is noise."""
    reader = FrameReader()
    reader.receive(frame(b"MSH|A")[:-2] + b"\x1c\rMSH|^~\\&|FORGED\r" + frame(b"MSH|B"))
    assert [event for event in events_of(reader) if isinstance(event, Frame)] == [Frame(b"MSH|A"), Frame(b"MSH|B")]


def test_a_connection_that_breaks_in_mid_frame_leaves_no_message() -> None:
    reader = FrameReader()
    reader.receive(b"\x0bMSH|^~\\&|HIS")
    assert reader.next_event() is NEED_DATA
    assert reader.close() == Dropped(12)
    assert reader.next_event() is NEED_DATA
