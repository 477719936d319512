"""Messages of others, as they are: read, written again, compared with a foreign reader, refused with a reason.

The messages lie beside the project and are never part of it. The foreign reader is the python-hl7 package.
The published example is that of HL7 v2, 3.5.1 (ADT^A01), with the digest and the values its card gives.
"""

import csv
import hashlib
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import hl7
import pytest

from gateway.adapters.acknowledgements import Code, acknowledge, header_of, problem_of, salvage_header
from gateway.adapters.admissions import Effect, event_of
from gateway.adapters.er7 import Message, Position, read, split_batch
from gateway.adapters.er7_times import Precision, read_time
from gateway.adapters.er7_writing import write
from gateway.errors import SenderFault, UnreadableMessage

SHARED = Path(__file__).parents[3] / "shared"
CORPUS = SHARED / "corpus" / "hl7"
CARD = SHARED / "standards" / "hl7v2.md"
needs_corpus = pytest.mark.skipif(not CORPUS.exists(), reason="the corpus lies beside the project, and is not here")
needs_card = pytest.mark.skipif(not CARD.exists(), reason="the card lies beside the project, and is not here")

#: What the corpus calls an oddity, and the findings of which one must say so.
NOTED = {
    "lf": {"hl7-line-ends"},
    "crlf": {"hl7-line-ends"},
    "batch": {"hl7-envelope"},
    "mixed-line-ends": {"hl7-line-ends"},
    "blank-line": {"hl7-blank-line"},
    "junk-line": {"hl7-junk-line"},
    "leading-space": {"hl7-edge-bytes"},
    "bom": {"hl7-edge-bytes"},
    "mllp-framed": {"hl7-edge-bytes"},
    "control-chars": {"hl7-control-characters", "hl7-edge-bytes"},
    "custom-delimiters": {"hl7-delimiters"},
    "no-trigger": {"hl7-no-trigger"},
    "nonstandard-type": {"hl7-not-admission", "hl7-trigger-unknown"},
    "unknown-version": {"hl7-version-unknown"},
    "no-message-time": {"hl7-no-message-time"},
    "no-processing-id": {"hl7-no-processing-id"},
    "structure-mismatch": {"hl7-structure"},
    "evn-mismatch": {"hl7-event-code"},
}


def group(name: str) -> list[Path]:
    return sorted((CORPUS / name).glob("*.hl7"))


def oddities(path: Path) -> set[str]:
    with (CORPUS / "index.csv").open(encoding="utf-8") as file:
        return next(
            set(row["note"].split()) for row in csv.DictReader(file) if row["file"] == f"{path.parent.name}/{path.name}"
        )


def split_by_ours(message: Message) -> list[list[list[list[list[str]]]]]:
    """Segments, fields, repetitions, components, subcomponents, all raw."""
    marks = message.delimiters
    return [
        [
            [[marks.subcomponents(c) for c in marks.components(r)] for r in segment.repetitions(number) or [""]]
            for number in range(1, len(segment.fields))
        ]
        for segment in message.lines
    ]


def split_by_theirs(text: str) -> list[list[list[list[list[str]]]]]:
    def parts(node: Any, kind: type) -> list[Any]:
        return list(node) if isinstance(node, kind) else [node]

    def field(node: Any) -> list[list[list[str]]]:
        repetitions = parts(node, hl7.Field) or [""]
        return [[parts(c, hl7.Component) or [""] for c in parts(r, hl7.Repetition) or [""]] for r in repetitions]

    return [[field(node) for node in segment[1:]] for segment in hl7.parse(text)]


@needs_corpus
@pytest.mark.parametrize("path", group("good"), ids=lambda path: path.stem)
def test_a_good_message_comes_out_as_it_went_in(path: Path) -> None:
    data = path.read_bytes()
    message = read(data)
    assert write(message) == data
    joined = "\r".join("|".join(segment.fields) for segment in message.lines)
    assert joined.replace("MSH|||", "MSH|", 1) == message.text.removesuffix("\r")  # MSH-1 is a separator itself


@needs_corpus
@pytest.mark.parametrize("path", group("good"), ids=lambda path: path.stem)
def test_a_foreign_reader_finds_the_same_in_every_place(path: Path) -> None:
    message = read(path.read_bytes())
    ours, theirs = split_by_ours(message), split_by_theirs(message.text)
    ours[0][1] = theirs[0][1] = []  # MSH-2, which we never split, is whole in another shape there
    assert ours == theirs


@needs_corpus
@pytest.mark.parametrize("path", group("odd"), ids=lambda path: path.stem)
def test_an_odd_message_is_read_with_a_note_or_refused_with_a_reason(path: Path) -> None:
    data, odd = path.read_bytes(), oddities(path)
    if odd & {"batch", "several-msh"} and not is_readable(data):
        check_batch(data)
        return
    message = read(data)
    codes = {note.code for note in (*message.notes, *event_of(message).notes)}
    assert [name for name in odd & set(NOTED) if not NOTED[name] & codes] == []
    assert write(message).decode(message.codec) == message.text


def check_batch(data: bytes) -> None:
    """Refused whole, and its messages can be read one by one; what is no message among them is refused."""
    with pytest.raises(UnreadableMessage) as caught:
        read(data)
    assert caught.value.code in {"batch", "several-messages"}
    assert any(is_readable(piece) for piece in split_batch(data))


def is_readable(data: bytes) -> bool:
    try:
        read(data)
    except SenderFault:
        return False
    return True


@needs_corpus
@pytest.mark.parametrize("path", group("bad"), ids=lambda path: path.stem)
def test_a_bad_message_is_refused_with_a_reason_and_answered(path: Path) -> None:
    data = path.read_bytes()
    with pytest.raises(SenderFault) as caught:
        read(data)
    assert caught.value.code
    written = acknowledge(
        salvage_header(data),
        Code.AR,
        control_id="G1",
        time=datetime(2026, 1, 15, tzinfo=UTC),
        sending=("GATE", "YFBAND"),
        problem=problem_of(caught.value),
    )
    assert read(written).value(Position("MSA", 1)) == "AR"


@needs_corpus
@pytest.mark.parametrize("path", group("bad"), ids=lambda path: path.stem)
def test_a_feed_may_take_what_lacks_only_control_id_or_version(path: Path) -> None:
    only_header = oddities(path) & {"no-control-id", "no-version"}
    worse = {"no-msh", "msh-truncated", "encoding-characters", "no-message-type", "junk-lines", "binary", "fuzzed"}
    if only_header and not oddities(path) & worse:
        assert event_of(read(path.read_bytes(), may_lack=(10, 12))).message_type


@needs_corpus
@pytest.mark.parametrize("path", [*group("good"), *group("odd")], ids=lambda path: path.stem)
def test_every_message_cut_short_anywhere_is_read_or_refused(path: Path) -> None:
    data = path.read_bytes()
    for end in range(0, min(len(data), 300), 3):
        try:
            event_of(read(data[:end]))
        except SenderFault:
            salvage_header(data[:end])


def published_example() -> bytes:
    """The message of the card's section on check values: each line and a CR."""
    section = CARD.read_text(encoding="utf-8").split("## 10 ")[1]
    block = re.search(r"```\n(.*?)```", section, re.DOTALL)
    assert block
    return block[1].replace("\n", "\r").encode()


@needs_card
def test_the_published_example_is_read_as_published() -> None:
    data = published_example()
    assert len(data) == 501
    assert hashlib.sha256(data).hexdigest() == "253000c85c650e5ca153171b4c91904effd96a017a8b8d2dc82a84738498e57b"
    message = read(data)
    patient, visit = message.segments("PID")[0], message.segments("PV1")[0]
    assert write(message) == data
    assert not message.notes
    assert len(message.lines) == 5
    first = [patient.value(3, n) for n in range(1, 7)]
    assert first == ["PATID1234", "5", "M11", "ADT1", "MR", "GOOD HEALTH HOSPITAL"]
    assert [patient.value(3, n, repetition=2) for n in (1, 4, 5)] == ["123456789", "USSSA", "SS"]
    account = [patient.value(18, n) for n in range(1, 7)]
    assert account == ["PATID12345001", "2", "M10", "ADT1", "AN", "A"]
    assert [patient.value(5, n) for n in range(1, 5)] == ["EVERYMAN", "ADAM", "A", "III"]
    assert [visit.value(*place) for place in ((2,), (3, 1), (3, 2), (3, 3))] == ["I", "2000", "2012", "01"]
    assert [visit.value(n) for n in (7, 10, 14, 15)] == ["004777", "SUR", "ADM", "A0"]


@needs_card
def test_the_published_example_is_an_admission_with_its_times_and_answer() -> None:
    message = read(published_example())
    event = event_of(message)
    assert (event.effect, event.control_id, event.version) == (Effect.ADMIT, "MSG00001", "2.8")
    event_time, birth_date = message.segments("EVN")[0].field(2), message.segments("PID")[0].field(7)
    recorded, born = read_time(event_time, UTC), read_time(birth_date, None)
    assert recorded is not None
    assert (recorded.precision, recorded.has_zone) == (Precision.MINUTE, False)
    assert born is not None
    assert (born.precision, born.date) == (Precision.DAY, "1961-06-15")
    answer = read(
        acknowledge(
            header_of(message),
            Code.AA,
            control_id="G1",
            time=datetime(2026, 1, 15, tzinfo=UTC),
            sending=("GATE", "YFBAND"),
        )
    )
    assert answer.header.field(9) == "ACK^A01^ACK"
    assert answer.value(Position("MSA", 2)) == "MSG00001"
