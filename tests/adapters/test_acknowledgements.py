"""Acknowledgements. Source: HL7 v2, edition 2.9.1, 2.8 and tables 0008, 0155, 0357, 0516; foreign check: hl7apy.

The forms of ERR to 2.4 follow the segment definitions of those versions as hl7apy has them.
"""

import csv
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from hypothesis import given
from hypothesis import strategies as st

from gateway.adapters.acknowledgements import (
    CONDITIONS,
    TRY_LATER,
    Accepted,
    Answers,
    Code,
    Echo,
    Header,
    NoAnswer,
    Outcome,
    Problem,
    Refused,
    Style,
    Wanted,
    acknowledge,
    answers,
    header_of,
    mode_of,
    problem_of,
    read_answer,
    salvage_header,
    version_of,
)
from gateway.adapters.er7 import read
from gateway.errors import UnreadableMessage

AT = datetime(2026, 1, 15, 10, 15, 30, tzinfo=timezone(timedelta(hours=1)))
EMPTY = Problem("101", "no identifier: send PID-3", "PID-3[2].4.1")
TABLE_0357 = Path(__file__).parents[3] / "shared/standards/tables/v2-0357.csv"


def admission(version: str = "2.5.1", tail: str = "") -> bytes:
    return (
        f"MSH|^~\\&|HIS^2.999.1^ISO|ANVIL|GATE|YFBAND|20260115101500||ADT^A01^ADT_A01|M1|P|{version}{tail}\r"
        "EVN||20260115\rPID|1||4711||TARN^WREN\r"
    ).encode()


def answer(header: Header, code: Code = Code.AA, problem: Problem | None = None, **more: str) -> list[str]:
    data = acknowledge(header, code, control_id="G1", time=AT, sending=("GATE", "YFBAND"), problem=problem, **more)
    return data.decode("latin-1").split("\r")


# ── the form of an answer ──────────────────────────────────────────────────────────────────────────


def test_an_accepting_answer() -> None:
    assert answer(header_of(read(admission()))) == [
        "MSH|^~\\&|GATE|YFBAND|HIS^2.999.1^ISO|ANVIL|20260115101530+0100||ACK^A01^ACK|G1|P|2.5.1",
        "MSA|AA|M1",
        "",
    ]


@pytest.mark.parametrize(
    ("version", "type_", "msa", "err"),
    [
        ("2.1", "ACK", "MSA|AE|M1|no identifier: send PID-3", "ERR|PID^1^3^101"),
        ("2.3", "ACK", "MSA|AE|M1|no identifier: send PID-3", "ERR|PID^1^3^101"),
        (
            "2.3.1",
            "ACK^A01^ACK",
            "MSA|AE|M1|no identifier: send PID-3",
            "ERR|PID^1^3^101&Required field missing&HL70357",
        ),
        ("2.4", "ACK^A01^ACK", "MSA|AE|M1|no identifier: send PID-3", "ERR|PID^1^3^101&Required field missing&HL70357"),
        (
            "2.5",
            "ACK^A01^ACK",
            "MSA|AE|M1",
            "ERR||PID^1^3^2^4^1|101^Required field missing^HL70357|E||||no identifier: send PID-3",
        ),
        (
            "2.8",
            "ACK^A01^ACK",
            "MSA|AE|M1",
            "ERR||PID^1^3^2^4^1|101^Required field missing^HL70357|E||||no identifier: send PID-3",
        ),
    ],
)
def test_an_error_has_the_form_of_the_version(version: str, type_: str, msa: str, err: str) -> None:
    lines = answer(header_of(read(admission(version))), Code.AE, EMPTY)
    assert lines[0].split("|")[8] == type_
    assert lines[1:] == [msa, err, ""]


@pytest.mark.parametrize("version", ["2.3.1", "2.4", "2.5", "2.5.1", "2.6", "2.7", "2.8"])
@pytest.mark.parametrize(("code", "problem"), [(Code.AA, None), (Code.AE, EMPTY), (Code.CR, TRY_LATER)])
def test_hl7apy_finds_no_fault_with_it(version: str, code: Code, problem: Problem | None) -> None:
    """Earlier versions cannot be checked there: hl7apy finds no structure for a plain `ACK`."""
    data = "\r".join(answer(header_of(read(admission(version))), code, problem))
    parsed = parse_message(data, validation_level=VALIDATION_LEVEL.STRICT)
    assert parsed.validate()
    assert parsed.msa.msa_1.value == code.value
    assert parsed.msa.msa_2.value == "M1"


def test_an_answer_speaks_the_delimiters_and_character_set_of_the_sender() -> None:
    data = "MSH^~|\\&^ÅHIS~2^ANVIL^^^2026^^ADT~A01^M\\S\\1^T~A^2.5~DEU^^^^^^8859/1\rPID^1\r".encode("latin-1")
    lines = answer(header_of(read(data)), Code.AR, EMPTY)
    assert lines[0] == (
        "MSH^~|\\&^GATE^YFBAND^ÅHIS~2^ANVIL^20260115101530+0100^^ACK~A01~ACK^G1^T~A^2.5~DEU^^^^^^8859/1"
    )
    assert lines[1] == "MSA^AR^M\\S\\1"
    assert lines[2].startswith("ERR^^PID~1~3~2~4~1^101~Required field missing~HL70357^E")


def test_the_sequence_number_goes_to_msa_4() -> None:
    """2.9.1."""
    assert answer(header_of(read(admission())), expected_sequence="7")[1] == "MSA|AA|M1||7"


@pytest.mark.parametrize(
    ("path", "location"),
    [("PID", "PID^1"), ("OBX[3]-5", "OBX^3^5^1"), ("MSH-9.2", "MSH^1^9^1^2"), ("", ""), ("line 7", "")],
)
def test_a_location_is_as_exact_as_what_is_known(path: str, location: str) -> None:
    assert answer(header_of(read(admission())), Code.AE, Problem("100", "odd", path))[2].split("|")[2] == location


@pytest.mark.skipif(not TABLE_0357.exists(), reason="table 0357 lies beside the project, and is not here")
def test_the_conditions_are_those_of_table_0357() -> None:
    with TABLE_0357.open(encoding="utf-8") as file:
        assert {row["code"]: row["display"] for row in csv.DictReader(file)} == CONDITIONS


@pytest.mark.parametrize(
    ("version", "numbers"), [("2.5.1", (2, 5, 1)), ("2.3r", (2, 3)), ("2.4^DEU", (2, 4)), ("", (2, 5)), ("x", (2, 5))]
)
def test_versions_compare_as_numbers(version: str, numbers: tuple[int, ...]) -> None:
    assert version_of(Header(version=version)) == numbers


# ── answering what cannot be read ──────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("data", "msa", "receiver"),
    [
        (b"MSH|^~\\&|HIS|ANVIL|||2026||ADT^A01||P|2.5\r", "MSA|AR", "HIS|ANVIL"),
        (b"MSH|^~&|HIS|ANVIL|||2026||ADT^A01|M1|P|2.5\r", "MSA|AR|M1", "HIS|ANVIL"),
        (b"MSH|^~&|HIS^X|ANVIL|||2026||ADT^A01|M^1|P|2.5\r", "MSA|AR", "|ANVIL"),
        (b"MSH|^~\\&|HIS|ANVIL|||2026||ADT^A01|M\x1c1|P\r", "MSA|AR", "HIS|ANVIL"),
        (b"MSH|^~\\&|H\xff", "MSA|AR", "Hÿ|"),
        (b"\x0bMSH", "MSA|AR", "|"),
        (b"no message", "MSA|AR", "|"),
        (b"", "MSA|AR", "|"),
    ],
)
def test_as_much_of_a_header_as_can_be_told_is_answered(data: bytes, msa: str, receiver: str) -> None:
    """2.8.2: an unreadable header is rejected; common practice: with MSA-2 empty or as near as can be."""
    with pytest.raises(UnreadableMessage) as caught:
        read(data)
    lines = answer(salvage_header(data), Code.AR, problem_of(caught.value))
    assert lines[1] == msa
    assert "|".join(lines[0].split("|")[4:6]) == receiver


@pytest.mark.parametrize("version", ["", "^R01", '""', "  ", "^^2.5"])
def test_a_message_that_names_no_version_is_answered_in_2_5(version: str) -> None:
    """2.14.9.12: MSH-12 is required, its first component the version; an answer without it could not be read."""
    header = salvage_header(f"MSH|^~\\&|HIS|ANVIL|||2026||ADT^A01|M1|P|{version}\r".encode())
    assert answer(header, Code.AR, EMPTY)[0].split("|")[11] == "2.5"


@given(st.binary(max_size=80))
def test_any_bytes_can_be_answered(data: bytes) -> None:
    for candidate in (data, b"MSH" + data, b"MSH|^~\\&|" + data):
        header = salvage_header(candidate)
        written = acknowledge(
            header, Code.AR, control_id="G1", time=AT, sending=("GATE", "YFBAND"), problem=Problem("100", "unreadable")
        )
        assert not set(written) & {0x0B, 0x1C}
        assert read(written).header.value(10) == "G1"


def test_an_answer_never_carries_what_was_in_the_message() -> None:
    with pytest.raises(UnreadableMessage) as caught:
        read(admission(version=""))
    assert "TARN" not in "".join(answer(salvage_header(admission("")), Code.AR, problem_of(caught.value)))


# ── whether to answer ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("tail", "is_enhanced", "accept", "application"),
    [
        ("", False, Wanted.NEVER, Wanted.NEVER),
        ("|||AL|NE", True, Wanted.ALWAYS, Wanted.NEVER),
        ("|||NE|AL", True, Wanted.NEVER, Wanted.ALWAYS),
        ("|||ER|SU", True, Wanted.ON_ERROR, Wanted.ON_SUCCESS),
        ("|||AL", True, Wanted.ALWAYS, Wanted.NEVER),
        ("||||AL", True, Wanted.NEVER, Wanted.ALWAYS),
        ("|||YES|NE", True, Wanted.ALWAYS, Wanted.NEVER),
    ],
)
def test_the_mode_the_sender_asks_for(tail: str, is_enhanced: bool, accept: Wanted, application: Wanted) -> None:
    """2.8; one of the two alone is against the text and met in practice."""
    assert mode_of(header_of(read(admission(tail=tail)))) == (is_enhanced, accept, application)


@pytest.mark.parametrize(
    ("tail", "outcome", "now", "later"),
    [
        ("", Outcome.TAKEN, Code.AA, None),
        ("", Outcome.ERROR, Code.AE, None),
        ("", Outcome.REJECTED, Code.AR, None),
        ("", Outcome.LATER, Code.AR, None),
        ("|||AL|NE", Outcome.TAKEN, Code.CA, None),
        ("|||AL|NE", Outcome.ERROR, Code.CE, None),
        ("|||AL|NE", Outcome.REJECTED, Code.CR, None),
        ("|||AL|NE", Outcome.LATER, Code.CE, None),
        ("|||AL|AL", Outcome.TAKEN, Code.CA, Code.AA),
        ("|||AL|AL", Outcome.ERROR, Code.CE, None),
        ("|||NE|AL", Outcome.TAKEN, None, Code.AA),
        ("|||NE|NE", Outcome.ERROR, None, None),
        ("|||ER|NE", Outcome.TAKEN, None, None),
        ("|||ER|NE", Outcome.REJECTED, Code.CR, None),
        ("|||SU|ER", Outcome.TAKEN, Code.CA, None),
        ("|||SU|ER", Outcome.ERROR, None, Code.AE),
    ],
)
def test_what_is_answered(tail: str, outcome: Outcome, now: Code | None, later: Code | None) -> None:
    assert answers(mode_of(header_of(read(admission(tail=tail)))), outcome) == Answers(now, later)


def test_a_feed_may_be_answered_in_one_style_whatever_it_says() -> None:
    """Common practice, no source: many senders value MSH-15 and -16 and expect one AA, or one CA."""
    mode = mode_of(header_of(read(admission(tail="|||NE|NE"))))
    assert answers(mode, Outcome.TAKEN, Style.ORIGINAL) == Answers(Code.AA)
    assert answers(mode, Outcome.TAKEN, Style.ACCEPT_ONLY) == Answers(Code.CA)


@pytest.mark.parametrize(
    ("tail", "outcome", "style", "sent"),
    [
        ("", Outcome.TAKEN, Style.AUTO, (Code.AA,)),
        ("|||AL|NE", Outcome.TAKEN, Style.AUTO, (Code.CA,)),
        ("|||AL|AL", Outcome.TAKEN, Style.AUTO, (Code.CA,)),
        ("|||AL|AL", Outcome.TAKEN, Style.BOTH, (Code.CA, Code.AA)),
        ("|||AL|AL", Outcome.REJECTED, Style.BOTH, (Code.CR,)),
        ("|||NE|AL", Outcome.TAKEN, Style.AUTO, (Code.AA,)),
        ("|||NE|AL", Outcome.ERROR, Style.AUTO, (Code.AE,)),
        ("|||NE|SU", Outcome.ERROR, Style.AUTO, ()),
        ("|||ER|AL", Outcome.TAKEN, Style.AUTO, (Code.AA,)),
        ("|||ER|AL", Outcome.REJECTED, Style.BOTH, (Code.CR,)),
        ("|||NE|NE", Outcome.REJECTED, Style.BOTH, ()),
        ("|||NE|NE", Outcome.TAKEN, Style.ORIGINAL, (Code.AA,)),
        ("|||AL|AL", Outcome.LATER, Style.ORIGINAL, (Code.AR,)),
        ("", Outcome.LATER, Style.ACCEPT_ONLY, (Code.CE,)),
    ],
)
def test_what_goes_out_on_the_connection(tail: str, outcome: Outcome, style: Style, sent: tuple[Code, ...]) -> None:
    """2.8: what MSH-15 and -16 ask for. That one connection carries one answer a message is common practice."""
    decided = answers(mode_of(header_of(read(admission(tail=tail)))), outcome, style)
    assert decided.on_connection(style) == sent


# ── reading an answer ──────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("code", "meaning"),
    [
        (Code.AA, Accepted("AA")),
        (Code.CA, Accepted("CA")),
        (Code.AE, Refused("AE", retry=False, condition="101", segment="PID")),
        (Code.CE, Refused("CE", retry=False, condition="101", segment="PID")),
        (Code.AR, Refused("AR", retry=True, condition="101", segment="PID")),
        (Code.CR, Refused("CR", retry=True, condition="101", segment="PID")),
    ],
)
@pytest.mark.parametrize("version", ["2.2", "2.3.1", "2.4", "2.5.1", "2.8"])
def test_answers_are_read_as_they_are_written(code: Code, meaning: object, version: str) -> None:
    lines = answer(header_of(read(admission(version))), code, EMPTY)
    assert read_answer("\r".join(lines).encode(), "M1") == meaning


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "no-msh"),
        (b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\r", "no-msa"),
        (b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA|AA|OTHER\r", "other-control-id"),
        (b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA|AA\r", "other-control-id"),
        (b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA|OK|M1\r", "no-code"),
        (b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA||M1\r", "no-code"),
    ],
)
def test_what_is_no_answer_to_our_message_counts_as_none(data: bytes, reason: str) -> None:
    assert read_answer(data, "M1") == NoAnswer(reason)


def test_a_thin_answer_is_read_and_a_missing_echo_is_a_setting() -> None:
    """Common practice, no source: some receivers leave MSH-9, -10 and -12 empty or echo nothing."""
    assert read_answer(b"MSH|^~\\&|A|B|||||||P|\rMSA|AA|M1\r", "M1") == Accepted("AA")
    assert read_answer(b"MSH|^~\\&|A|B|||||ACK|1|P|2.5\rMSA|AA\r", "M1", echo=Echo.MAY_BE_EMPTY) == Accepted("AA")
    other = b"MSH|^~\\&|A|B|||||ACK|1|P|2.5\rMSA|AA|X\r"
    assert read_answer(other, "M1", echo=Echo.MAY_BE_EMPTY) == NoAnswer("other-control-id")


def test_an_error_text_of_others_is_not_taken() -> None:
    data = b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA|AE|M1|TARN unknown\rERR||TARN|TARN|E||||TARN unknown\r"
    assert read_answer(data, "M1") == Refused("AE", retry=False)


@given(st.binary(max_size=100))
def test_no_bytes_make_reading_an_answer_fail(data: bytes) -> None:
    read_answer(data, "M1")
    read_answer(b"MSH|^~\\&|A|B|||2026||ACK|1|P|2.5\rMSA|" + data, "M1")
