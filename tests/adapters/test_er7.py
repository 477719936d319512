"""Messages read and addressed. Source: HL7 v2, edition 2.9.1, chapter 2 (2.4 to 2.7), MSH-1, MSH-2, MSH-18.

What is tolerated (line ends, junk lines, edge bytes) is common practice, no source.
"""

import time
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.er7 import FIELD_LIMIT, SEGMENT_LIMIT, Position, read, split_batch, trim
from gateway.adapters.er7_text import NULL, REPETITION_LIMIT
from gateway.adapters.er7_writing import write
from gateway.errors import SenderFault, TooLarge, UnreadableMessage

HEADER = "MSH|^~\\&|HIS|ANVIL|GATE|YFBAND|20260115101500+0100||ADT^A01^ADT_A01|M1|P|2.5.1"
ADMISSION = (
    f"{HEADER}\r"
    "EVN||20260115101459\r"
    'PID|1||4711^^^ANVIL&2.999.10&ISO^MR~YF7K4M2QG^^^YFBAND^PNT||TARN^WREN^""||19800101|F|||""\r'
    "PV1|1|E|ED^1^2\r"
    "OBX|1|ST|BAND||a\\T\\b\r"
    "OBX|2|FT|NOTE||one & two\\.br\\three^four\r"
)


def codes(data: bytes, **settings: object) -> set[str]:
    return {note.code for note in read(data, **settings).notes}  # type: ignore[arg-type]


# ── addresses ──────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("MSH-1", "|"),
        ("MSH-2", "^~\\&"),
        ("MSH-2.2", None),
        ("MSH-3", "HIS"),
        ("MSH-9.2", "A01"),
        ("MSH-12", "2.5.1"),
        ("PID-3", "4711"),
        ("PID-3.4", "ANVIL"),
        ("PID-3.4.2", "2.999.10"),
        ("PID-3[2]", "YF7K4M2QG"),
        ("PID-3[2].4", "YFBAND"),
        ("PID-3[3]", None),
        ("PID-2", None),
        ("PID-5.3", NULL),
        ("PID-11", NULL),
        ("PID-11.3", NULL),
        ("PID-99", None),
        ("OBX-5", "a&b"),
        ("OBX[2]-3", "NOTE"),
        ("OBX[3]-3", None),
        ("ZZZ-1", None),
        ("PID", None),
    ],
)
def test_values_by_position(place: str, value: object) -> None:
    """MSH numbering: MSH-1, MSH-2. Three states of a value: 2.4.3.1."""
    assert read(ADMISSION.encode()).value(Position.parse(place)) == value


@pytest.mark.parametrize(
    ("segment", "place", "said"),
    [
        *(("MSH", (3,), "HIS"), ("MSH", (9, 2), "A01"), ("MSH", (2,), "^~\\&"), ("MSH", (99,), "")),
        *(("PID", (3,), "4711"), ("PID", (3, 4), "ANVIL"), ("PID", (2,), ""), ("PID", (5, 3), ""), ("PID", (11,), "")),
        *(("OBX", (5,), "a&b"), ("OBX", (5, 2), "")),
    ],
)
def test_what_is_said_is_the_value_as_bare_text(segment: str, place: tuple[int, ...], said: str) -> None:
    """The three states of a value (2.4.3.1), of which two say nothing."""
    assert read(ADMISSION.encode()).segments(segment)[0].said(*place) == said


def test_formatted_text_is_taken_whole() -> None:
    message = read(ADMISSION.encode())
    assert message.formatted(Position.parse("OBX[2]-5")) == "one & two\nthree^four"
    assert message.formatted(Position.parse("PID-11")) is NULL
    assert message.formatted(Position.parse("PID-2")) is None
    assert message.formatted(Position.parse("ZZZ-2")) is None


def test_raw_fields_keep_everything() -> None:
    message = read(ADMISSION.encode())
    patient = message.segments("PID")[0]
    assert patient.field(0) == "PID"
    assert patient.field(3) == "4711^^^ANVIL&2.999.10&ISO^MR~YF7K4M2QG^^^YFBAND^PNT"
    assert patient.repetitions(3)[1] == "YF7K4M2QG^^^YFBAND^PNT"
    assert patient.repetitions(2) == []
    assert message.header.repetitions(2) == ["^~\\&"]
    assert (patient.line, message.segments("OBX")[1].line) == (3, 6)
    assert "|".join(patient.fields) == patient.text


@pytest.mark.parametrize("text", ["PID-3[2].4.1", "OBX[2]-5", "PV1", "ZPI[3]", "MSH-9.2", "PID-3", "OBX[10]-5[3]"])
def test_positions_print_as_they_were_written(text: str) -> None:
    assert str(Position.parse(text)) == text


numbers = st.integers(1, 999)
positions = st.builds(
    Position, st.from_regex(r"\A[A-Z][A-Z0-9]{2}\Z"), numbers, st.none(), st.none(), numbers, numbers
) | st.builds(Position, st.just("PID"), numbers, numbers, st.none() | numbers, numbers, numbers)


@given(positions)
def test_printing_and_parsing_positions_are_a_pair(position: Position) -> None:
    assert Position.parse(str(position)) == position


@pytest.mark.parametrize(
    "text", ["", "pid-3", "PID-0", "PID-3[0]", "PID3", "PID-3.", "PID-3..1", "PIDX-3", "PID-3 ", "PID-٣"]
)
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a position"):
        Position.parse(text)


def test_custom_delimiters_hold_for_the_message() -> None:
    data = b"MSH^~|\\&^HIS^ANVIL^^^20260115^^ADT~A01^M1^P^2.4\rPID^1^^1~~~ANVIL|2^^TARN~WR\\S\\EN\\T\\\r"
    message = read(data)
    assert message.value(Position.parse("PID-3[2]")) == "2"
    assert message.value(Position.parse("PID-5.2")) == "WR~EN&"
    assert {note.code for note in message.notes} == {"hl7-delimiters"}


# ── what is tolerated ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_other_line_ends_are_read_and_noted(end: str) -> None:
    data = ADMISSION.replace("\r", end).encode()
    assert read(data).text == ADMISSION
    assert codes(data) == {"hl7-line-ends"}


def test_mixed_line_ends_and_blank_lines_are_read_and_noted() -> None:
    data = ADMISSION.replace("\rEVN", "\n\n \r\nEVN").encode()
    message = read(data)
    assert [segment.name for segment in message.lines] == ["MSH", "EVN", "PID", "PV1", "OBX", "OBX"]
    assert message.segments("EVN")[0].line == 4  # as an editor counts
    assert codes(data) == {"hl7-line-ends", "hl7-blank-line"}


def test_the_last_terminator_may_be_missing() -> None:
    data = ADMISSION.removesuffix("\r").encode()
    message = read(data)
    assert not message.notes
    assert write(message) == data


@pytest.mark.parametrize(
    ("before", "after"),
    [(b"\x0b", b"\x1c\r"), (b"\xef\xbb\xbf", b""), (b" \r\n", b" \n"), (b"\x0b\xef\xbb\xbf\r", b"\0\0\x1c")],
)
def test_bytes_at_the_edges_are_taken_off_and_noted(before: bytes, after: bytes) -> None:
    data = before + ADMISSION.encode() + after
    message = read(data)
    assert write(message).rstrip(b"\r\n") == ADMISSION.encode().rstrip(b"\r\n")
    assert message.raw == data
    assert "hl7-edge-bytes" in codes(data)


@pytest.mark.parametrize("data", [b"MSH|^~\\&|A \r", b"MSH|^~\\&|A ", b"MSH|^~\\&|A\r\r", b"MSH", b"M\r", b"M"])
def test_trimming_leaves_the_last_value_alone(data: bytes) -> None:
    assert trim(data) == (data, False)


def test_a_line_end_inside_a_field_leaves_a_junk_line_in_its_place() -> None:
    data = ADMISSION.replace("one & two", "one\rand two").encode()
    message = read(data)
    assert [segment.name for segment in message.lines] == ["MSH", "EVN", "PID", "PV1", "OBX", "OBX", ""]
    assert message.lines[-1].text.startswith("and two")
    assert [(note.code, note.line) for note in message.notes] == [("hl7-junk-line", 7)]
    assert write(message) == data


def test_unknown_segments_are_kept_and_lower_case_is_no_segment() -> None:
    """2.5.2: segments that were not expected are skipped, not errors."""
    message = read(f"{HEADER}\rZPI|1|YF7K4M2QG\rPID|1\rpv1|1\rQQ9\r".encode())
    assert [segment.name for segment in message.lines] == ["MSH", "ZPI", "PID", "", "QQ9"]
    assert message.value(Position("ZPI", 2)) == "YF7K4M2QG"


def test_a_stray_envelope_segment_is_noted() -> None:
    assert codes(ADMISSION.encode() + b"BTS|1\r") == {"hl7-envelope"}


def test_control_characters_inside_are_noted() -> None:
    assert codes(ADMISSION.replace("TARN", "TA\x07RN").encode()) == {"hl7-control-characters"}


@pytest.mark.parametrize(
    ("charset", "codec", "noted"),
    [
        ("UNICODE UTF-8", "utf-8", set()),
        ("8859/1", "iso8859-1", set()),
        ("8859/1~UNICODE UTF-8", "iso8859-1", set()),
        ("ISO IR87", "iso2022_jp", set()),
        ("GB 18030-2000", "gb18030", set()),
        ("", "utf-8", {"hl7-charset-mismatch"}),
        ("ASCII", "cp1252", {"hl7-charset-mismatch"}),
        ("KLINGON", "utf-8", {"hl7-charset-unknown"}),
    ],
)
def test_the_character_set_of_msh_18(charset: str, codec: str, noted: set[str]) -> None:
    """MSH-18, table 0211: the first repetition is the default of the message."""
    name = "鈴木" if codec in {"iso2022_jp", "gb18030"} else "ÅSEN"
    data = f"{HEADER}||||||{charset}\rPID|1||||{name}\r".encode(codec)
    message = read(data)
    assert message.value(Position("PID", 5)) == name
    assert message.codec == codec
    assert {note.code for note in message.notes} == noted
    assert write(message) == data


def test_an_unknown_character_set_is_noted_even_when_it_does_not_matter() -> None:
    assert codes(f"{HEADER}||||||KLINGON\rPID|1\r".encode()) == {"hl7-charset-unknown"}


def test_hexadecimal_text_is_read_in_the_character_set_of_the_message() -> None:
    message = read(f"{HEADER}||||||8859/1\rOBX|1|TX|||\\XC5\\SEN\r".encode())
    assert message.formatted(Position("OBX", 5)) == "ÅSEN"


# ── what is refused ────────────────────────────────────────────────────────────────────────────────


def test_xml_where_a_message_is_wanted_is_told_so() -> None:
    with pytest.raises(UnreadableMessage) as caught:
        read(b'\xef\xbb\xbf<?xml version="1.0"?><EMSDataSet/>')
    assert (caught.value.code, caught.value.message) == ("no-msh", "XML, where HL7 v2 messages are wanted")


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"", "no-msh"),
        (b"PID|1\rMSH|^~\\&|A\r", "no-msh"),
        (b"MSH", "encoding-characters"),
        (b"MSH|^~\\&", "msh-truncated"),
        (b"MSH|^~\\&|A|B\rPID|1\r", "msh-truncated"),
        (b"MSH|^~&|A|B|C|D|E||ADT^A01|M1|P|2.5\r", "encoding-characters"),
        (b"MSH|^~\\&|||||||^A01|M1|P|2.5\r", "no-message-type"),
        (b"MSH|^~\\&|||||||ADT^A01||P|2.5\r", "no-control-id"),
        (b'MSH|^~\\&|||||||ADT^A01|""|P|2.5\r', "no-control-id"),
        (b"MSH|^~\\&|||||||ADT^A01|M1|P\r", "no-version"),
        (b"MSH|^~\\&|||||||ADT^A01|M1|P|^DEU\r", "no-version"),
        (b"MSH|^~\\&|||||||ADT^A01|M1|P|2.5\rPID|\0|\r", "binary"),
        ("\ufeffMSH|^~\\&|A".encode("utf-16"), "no-msh"),
        (b"MSH|^~\\&|||||||ADT^A01|M1|P|2.5\rand\rso on\r", "junk-lines"),
        (ADMISSION.encode() * 2, "several-messages"),
        (b"BHS|^~\\&\r" + ADMISSION.encode(), "batch"),
        (b"BHS|^~\\&\rPID|1\r", "no-msh"),
    ],
)
def test_a_message_that_cannot_be_trusted_is_refused(data: bytes, code: str) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        read(data)
    assert caught.value.code == code


def test_a_feed_may_leave_header_fields_empty() -> None:
    message = read(b"MSH|^~\\&|||||||ADT^A01||P|\rPID|1\r", may_lack=(10, 12))
    assert message.value(Position("MSH", 10)) is None


def test_a_refusal_and_a_print_of_a_message_show_no_value() -> None:
    with pytest.raises(UnreadableMessage) as caught:
        read(ADMISSION.encode().replace(b"2.5.1", b""))
    assert "TARN" not in str(caught.value)
    message = read(ADMISSION.encode())
    assert "TARN" not in f"{message!r}{message.lines!r}"


def test_more_segments_than_any_message_has_are_refused_before_they_fill_the_memory() -> None:
    data = HEADER.encode() + b"\rZZZ" * (SEGMENT_LIMIT + 1)
    with pytest.raises(TooLarge):
        read(data)


def test_a_segment_of_separators_fills_no_memory() -> None:
    data = ADMISSION.encode() + b"ZZZ" + b"|" * 4_000_000 + b"\r" + HEADER.encode()[:8]
    tracemalloc.start()
    message = read(data[:-8])
    fields = message.segments("ZZZ")[0].fields
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(fields) == FIELD_LIMIT + 1
    assert peak < 8 * len(data)


def test_a_large_document_is_read_at_once() -> None:
    data = ADMISSION.encode() + b"OBX|3|ED|||^^^Base64^" + b"QUJD" * 2_000_000 + b"\r"
    began = time.process_time()
    read(data)
    assert time.process_time() - began < 2


@given(st.binary(max_size=200))
def test_arbitrary_bytes_raise_nothing_but_our_own_refusal(data: bytes) -> None:
    for candidate in (data, b"MSH|^~\\&" + data, ADMISSION.encode() + data):
        try:
            message = read(candidate)
        except SenderFault:
            continue
        assert write(message) in candidate.replace(b"\r\n", b"\r").replace(b"\n", b"\r")


@given(st.text(alphabet="MSHPID|^~\\&\r\n0A.25 ", max_size=120))
def test_texts_of_the_trade_raise_nothing_but_our_own_refusal(text: str) -> None:
    try:
        message = read(f"MSH|^~\\&|{text}".encode())
    except SenderFault:
        return
    for segment in message.lines:
        assert segment.name in {"MSH", "BHS", "FHS"} or "|".join(segment.fields) == segment.text
        for number in range(len(segment.fields)):
            segment.value(number, 2, 2, repetition=2)


# ── batches ────────────────────────────────────────────────────────────────────────────────────────


def test_a_batch_is_cut_into_its_messages() -> None:
    """2.9.2: FHS { BHS { MSH … } BTS } FTS."""
    one, two = ADMISSION.encode(), ADMISSION.replace("|M1|", "|M2|").encode()
    data = b"FHS|^~\\&\rBHS|^~\\&\r" + one + two + b"BTS|2\rFTS|1\r"
    assert split_batch(data) == (one, two)
    assert split_batch(data.replace(b"\r", b"\r\n")) == (one.replace(b"\r", b"\r\n"), two.replace(b"\r", b"\r\n"))


def test_framed_messages_in_a_file_are_cut() -> None:
    one = ADMISSION.encode()
    pieces = split_batch(b"\x0b" + one + b"\x1c\r\x0b" + one + b"\x1c\r")
    assert [read(piece).text for piece in pieces] == [ADMISSION, ADMISSION]


@pytest.mark.parametrize("data", [ADMISSION.encode(), b"", b"nothing of the kind", b"\x0b" + ADMISSION.encode()])
def test_what_is_no_batch_comes_back_as_it_is(data: bytes) -> None:
    assert split_batch(data) == (data,)


def test_what_belongs_to_no_message_is_not_lost() -> None:
    pieces = split_batch(b"hello\r" + ADMISSION.encode() + b"BTS|1\rPID|1\r")
    assert pieces == (b"hello\r", ADMISSION.encode(), b"PID|1\r")


@given(st.binary(max_size=100), st.binary(max_size=100))
def test_cutting_never_fails_and_keeps_the_message(before: bytes, after: bytes) -> None:
    pieces = split_batch(before + b"\r" + ADMISSION.encode() + after)
    assert any(ADMISSION.encode() in piece for piece in pieces)


def test_cutting_a_mebibyte_of_line_ends_takes_no_time() -> None:
    began = time.process_time()
    assert split_batch(b"\r" * 1024 * 1024 + b"x") == (b"\r" * 1024 * 1024 + b"x",)
    assert time.process_time() - began < 1


def test_a_field_of_repetitions_fills_no_memory() -> None:
    segment = read(HEADER.encode() + b"\rPID|||" + b"~" * 4_000_000 + b"\r").segments("PID")[0]
    began = time.process_time()
    assert len(segment.repetitions(3)) == REPETITION_LIMIT + 1
    assert [segment.value(3, repetition=n) for n in range(1, 30)] == [None] * 29
    assert time.process_time() - began < 1
