"""`POST /admissions` in the words of FHIR, for who asks for them: the same is kept, and said as an OperationOutcome.

Outside: RFC 9110 12.5.1 (Accept, weights, precedence of the more specific), FHIR R4 OperationOutcome by its schema,
HL7 v2 2.9.3 (who wants no acknowledgement gets none; an outcome is no acknowledgement).
"""

import hashlib
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.doors.http import wants_outcome
from gateway.store.messages import recent
from gateway.store.quarantine import open_items
from tests.r4 import R4
from tests.wire.process import Gateway, running
from tests.working import FIXTURES, edited

A04 = (FIXTURES / "day" / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
FHIR = "application/fhir+json"


def _token(region: dict[str, Any]) -> None:
    feed = next(each for each in region["feeds"] if each["name"] == "anvil-head-adt")
    feed["token_sha256"] = hashlib.sha256(b"demo-anvil-head-adt").hexdigest()


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    with running(tmp_path_factory.mktemp("outcomes"), _token) as started:
        yield started


def post(gateway: Gateway, content: bytes, accept: str = FHIR) -> httpx.Response:
    headers = {
        "Authorization": "Bearer demo-anvil-head-adt",
        "Content-Type": "application/hl7-v2",
        "Accept": accept,
    }
    return httpx.post(f"{gateway.web}/admissions", content=content, headers=headers, timeout=30, trust_env=False)


@pytest.mark.parametrize(
    ("accept", "expected"),
    [
        ("", False),
        ("*/*", False),
        ("application/hl7-v2", False),
        ("text/plain", False),
        ("application/fhir+json", True),
        ("application/json", True),
        ("Application/FHIR+JSON; charset=utf-8", True),
        ("application/fhir+json, */*", True),
        ("application/fhir+json;q=0.5, */*", False),
        ("application/fhir+json, application/hl7-v2", False),
        ("application/fhir+json, application/hl7-v2;q=0.9", True),
        ("application/fhir+json;q=0.1, application/hl7-v2+er7;q=0.9", False),
        ("application/fhir+json;q=0", False),
        ("application/fhir+json;q=x", True),
        ("application/fhir+json;q=nan", True),
        (",,;;q=,", False),
    ],
)
def test_the_accept_header_chooses(accept: str, expected: bool) -> None:
    assert wants_outcome(accept) is expected


@given(st.text(st.characters(max_codepoint=255), max_size=80))
def test_any_accept_header_is_understood_somehow(accept: str) -> None:
    assert wants_outcome(accept) in {True, False}


def test_what_is_kept_is_said_with_its_findings(gateway: Gateway, r4: R4) -> None:
    answer = post(gateway, (FIXTURES / "bad" / "wrong-check.hl7").read_bytes())
    assert answer.status_code == 200
    r4.check(answer.json())
    said, *findings = answer.json()["issue"]
    assert (said["severity"], said["code"]) == ("information", "informational")
    assert "band-check" in {each["details"]["coding"][0]["code"] for each in findings}


def test_the_same_again_is_called_a_duplicate(gateway: Gateway, r4: R4) -> None:
    """FHIR R4 issue-type `duplicate`."""
    post(gateway, edited(A04, MSH_10=b"AGAIN1"))
    answer = post(gateway, edited(A04, MSH_10=b"AGAIN1"))
    r4.check(answer.json())
    assert (answer.status_code, answer.json()["issue"][0]["code"]) == (200, "duplicate")


def test_what_is_refused_is_422_with_its_place_and_kept_in_quarantine(gateway: Gateway, r4: R4) -> None:
    before = len(gateway.read(open_items))
    answer = post(gateway, (FIXTURES / "bad" / "no-control-id.hl7").read_bytes())
    assert answer.status_code == 422
    r4.check(answer.json())
    assert answer.json()["issue"][0]["details"]["coding"][0]["code"] == "no-control-id"
    (newest, *_) = gateway.read(open_items)
    assert len(gateway.read(open_items)) == before + 1
    assert (newest.feed, newest.door) == ("anvil-head-adt", "admissions-http")


def test_who_wants_no_acknowledgement_may_have_an_outcome(gateway: Gateway) -> None:
    answer = post(gateway, edited(A04, MSH_10=b"SILENT2", MSH_15=b"NE", MSH_16=b"NE"))
    assert (answer.status_code, answer.json()["resourceType"]) == (200, "OperationOutcome")
    assert gateway.read(recent)[0].control_id == "SILENT2"
