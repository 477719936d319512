"""What answers of others say. The HL7 v2 answers are written by hl7apy, which has its own tables of ERR and MSA."""

import json

import pytest
from hl7apy.core import Message
from hypothesis import given
from hypothesis import strategies as st

from gateway.replaying.reasons import LONGEST, Said, cut, said_by_acknowledgement, said_by_response
from tests.fixtures.committed import SHARED, needs_standards

# ── HL7 v2 ─────────────────────────────────────────────────────────────────────────────────────────


def answer(version: str, text: str = "", *errors: dict[int, str]) -> bytes:
    message = Message("ACK", version=version)
    message.msh.msh_7, message.msh.msh_9, message.msh.msh_10, message.msh.msh_11 = "20260314120000", "ACK", "1", "P"
    message.msa.msa_1, message.msa.msa_2 = "AE", "M1"
    if text:
        message.msa.msa_3 = text
    for fields in errors:
        segment = message.add_segment("ERR")
        for number, value in fields.items():
            setattr(segment, f"err_{number}", value)
    return bytes(message.to_er7().encode())


SEX = {2: "PID^1^8", 3: "103^Table value not found^HL70357", 4: "E"}


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (answer("2.5", "", SEX), "PID-8: Table value not found"),
        (answer("2.5", "", SEX | {8: "write F, M or U"}), "PID-8: write F, M or U"),
        (answer("2.5", "", SEX | {7: "line 12", 8: "write F, M or U"}), "PID-8: write F, M or U; line 12"),
        (answer("2.5", "see below", SEX), "PID-8: Table value not found; see below"),
        (answer("2.5", "", SEX, {2: "NK1^2^2^3^1", 3: "101", 4: "E"}),
         "PID-8: Table value not found; NK1[2]-2[3].1: Required field missing"),
        (answer("2.5", "", {3: "207^^HL70357", 4: "E"}), "Application error"),
        (answer("2.5", "", {3: "X1^our own words^99ZZZ", 4: "E"}), "our own words"),
        (answer("2.5", "", {4: "E", 8: "no code at all"}), "no code at all"),
        (answer("2.3.1", "no such patient"), "no such patient"),
        (answer("2.3.1", "", {1: "PV1^1^19^101&Required field missing&HL70357"}), "PV1-19: Required field missing"),
        (answer("2.3.1", "", {1: "^^^207"}), "Application error"),
        (answer("2.5"), ""),
        (b"MSH|^~\\&|A|B|||1||ACK|1|P|2.5\rMSA|AE|M1|one\\.br\\  two\r", "one two"),
        (b"hello", ""),
        (b"", ""),
    ],
)  # fmt: skip
def test_place_and_words_of_a_refusal(data: bytes, said: str) -> None:
    """HL7 v2: ERR in 2.5 and before, ERL and ELD, table 0357."""
    assert said_by_acknowledgement(data) == Said(said)


@pytest.mark.parametrize(
    "data",
    [
        answer("2.5", "", {3: "205^Duplicate key identifier^HL70357", 4: "I"}),
        answer("2.5", "", {3: "205", 4: "I", 8: "there already"}),
        answer("2.5", "Duplicate of a message received before"),
    ],
)
def test_a_message_that_was_known(data: bytes) -> None:
    """Table 0357: 205 is "Duplicate key identifier"."""
    assert said_by_acknowledgement(data).is_duplicate


# ── HTTP ───────────────────────────────────────────────────────────────────────────────────────────

#: The first issue of the example "exception" and that of "validation" in FHIR R4, OperationOutcome (from memory).
GENDER = {
    "severity": "error",
    "code": "code-invalid",
    "details": {"text": 'The code "W" is not known and not legal in this context'},
    "diagnostics": "Acme.Interop.FHIRProcessors.Patient.processGender line 2453",
    "expression": ["Person.gender"],
}
EXCEPTION = {"severity": "error", "code": "exception", "details": {"text": "SQL Link Communication Error"}}
#: RFC 9457, section 3.
PROBLEM = {
    "type": "https://example.com/probs/out-of-credit",
    "title": "You do not have enough credit.",
    "detail": "Your current balance is 30, but that costs 50.",
    "instance": "/account/12345/msgs/abc",
}


def outcome(*issues: dict[str, object]) -> bytes:
    return json.dumps({"resourceType": "OperationOutcome", "issue": issues}).encode()


@pytest.mark.parametrize(
    ("status", "media_type", "body", "said"),
    [
        (422, "application/fhir+json", outcome(GENDER),
         'Person.gender: The code "W" is not known and not legal in this context '
         "(Acme.Interop.FHIRProcessors.Patient.processGender line 2453)"),
        (500, "application/fhir+json; charset=utf-8", outcome(EXCEPTION), "SQL Link Communication Error"),
        (400, "application/json", outcome({"severity": "warning", "diagnostics": "odd"}, EXCEPTION),
         "SQL Link Communication Error"),
        (400, "", outcome({"severity": "information", "diagnostics": "odd"}), "odd"),
        (400, "", outcome({"severity": "error", "details": {"coding": [{"display": "No such code"}]}}), "No such code"),
        (404, "", outcome({"severity": "error", "code": "not-found"}), "not-found"),
        (403, "application/problem+json", json.dumps(PROBLEM).encode(),
         "You do not have enough credit.: Your current balance is 30, but that costs 50."),
        (400, "application/json", b'{"detail": "no body"}', "no body"),
        (503, "text/plain; charset=utf-8", "\n  Wartung läuft\n  bis sechs".encode(), "Wartung läuft"),
        (500, "application/hl7-v2", answer("2.5", "", SEX), "PID-8: Table value not found"),
        (404, "text/html", b"<html><title>404</title>", "Not Found"),
        (401, "", b"", "Unauthorized"),
        (302, "", b"", "Found: a redirect, which is not followed"),
        (400, "application/json", b"[1]", "Bad Request"),
        (418, "application/json", b'{"detail": [{"loc": 1}]}', "I'm a Teapot"),
        (599, "", b"", ""),
        (200, "application/fhir+json", outcome(GENDER), ""),
        (204, "", b"", ""),
    ],
)  # fmt: skip
def test_words_of_an_http_answer(status: int, media_type: str, body: bytes, said: str) -> None:
    """FHIR R4 OperationOutcome, RFC 9457; the names of statuses are those of RFC 9110, section 15."""
    assert said_by_response(status, media_type, body) == Said(said)


@pytest.mark.parametrize("status", [200, 409])
def test_a_resource_that_was_known(status: int) -> None:
    """FHIR R4 issue-type `duplicate`: an attempt was made to create a duplicate record."""
    known = {"severity": "information", "code": "duplicate", "details": {"text": "report 7: unchanged"}}
    found = {"severity": "information", "code": "informational", "details": {"text": "a note", "coding": [{}]}}
    assert said_by_response(status, "", outcome(found, known)) == Said("report 7: unchanged", is_duplicate=True)


def test_a_payload_of_which_anything_was_new_is_no_duplicate() -> None:
    known = {"severity": "information", "code": "duplicate", "details": {"text": "report 7: unchanged"}}
    new = {"severity": "information", "code": "informational", "details": {"text": "report 8: kept"}}
    assert not said_by_response(200, "", outcome(known, new)).is_duplicate


@needs_standards
def test_a_published_example() -> None:
    """IHE PIXm: the answer to an unknown domain."""
    body = (SHARED / "fhir" / "examples" / "pix-error-unknown-domain.json").read_bytes()
    said = (
        "sourceIdentifier: Source identifier domain is not known here (sourceIdentifier Assigning Authority not found)"
    )
    assert said_by_response(400, "application/fhir+json", body) == Said(said)


# ── whatever the bytes ─────────────────────────────────────────────────────────────────────────────


def is_a_line(said: Said) -> bool:
    return len(said.text) <= LONGEST and said.text == " ".join(said.text.split())


@given(st.integers(100, 599), st.sampled_from(["", "text/plain", "application/json"]), st.binary())
def test_bytes_of_any_kind(status: int, media_type: str, body: bytes) -> None:
    assert is_a_line(said_by_response(status, media_type, body))
    assert is_a_line(said_by_acknowledgement(b"MSH|^~\\&|A|B|||1||ACK|1|P|2.5\rERR|" + body))


LEAVES = st.none() | st.booleans() | st.integers() | st.text(st.characters(codec="utf-8"))
KEYS = st.sampled_from(
    ["resourceType", "issue", "details", "text", "coding", "display", "expression", "severity", "code", "detail"]
)
DOCUMENTS = st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner))


@given(DOCUMENTS, DOCUMENTS)
def test_json_of_any_form(document: object, issues: object) -> None:
    assert is_a_line(said_by_response(400, "", json.dumps(document).encode()))
    shaped = {"resourceType": "OperationOutcome", "issue": issues}
    assert is_a_line(said_by_response(400, "", json.dumps(shaped).encode()))


def test_json_nested_too_deep() -> None:
    assert said_by_response(400, "", b"[" * 100_000) == Said("Bad Request")


def test_a_whole_stack_of_calls_is_cut() -> None:
    said = said_by_response(500, "text/plain", b"at line 7 " * 10_000)
    assert len(said.text) <= LONGEST
    assert said.text.endswith(" line 7…")


@given(st.text(), st.integers(1, 50))
def test_a_cut_text_is_the_head_of_the_whole(text: str, length: int) -> None:
    short = cut(text, length)
    assert len(short) <= length
    assert text.startswith(short.removesuffix("…"))
    assert short == text or short.endswith("…")


def test_a_text_is_cut_between_words() -> None:
    assert cut("the band is not known here", 16) == "the band is not…"
    assert cut("x" * 20, 10) == "x" * 9 + "…"
    assert cut("one two", 7) == "one two"
