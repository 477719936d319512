"""An OperationOutcome says where, what and what to do, in FHIR's own words (FHIR R4, OperationOutcome)."""

from typing import Any

import pytest
from fhir.resources.R4B.operationoutcome import OperationOutcome

from gateway.adapters.operation_outcome import SEVERITIES, issue, issue_of_fault, issue_of_finding, operation_outcome
from gateway.errors import UnreadableMessage
from gateway.findings import FINDINGS, finding
from gateway.records import Level

#: Value set issue-severity, FHIR R4.
FHIR_SEVERITIES = {"fatal", "error", "warning", "information"}


def checked(outcome: dict[str, Any]) -> dict[str, Any]:
    """The outcome, once a model that is not ours has taken it."""
    OperationOutcome.model_validate(outcome)
    return outcome


def test_an_outcome_without_issues_says_that_all_is_well() -> None:
    """OperationOutcome.issue is 1..*, and `informational` is the code for it (FHIR R4, issue-type)."""
    (only,) = checked(operation_outcome([]))["issue"]
    assert (only["severity"], only["code"]) == ("information", "informational")


def test_every_level_has_a_severity_of_the_standard() -> None:
    assert set(SEVERITIES) == set(Level)
    assert set(SEVERITIES.values()) <= FHIR_SEVERITIES


@pytest.mark.parametrize("code", FINDINGS)
def test_every_finding_can_be_said(code: str) -> None:
    found = finding(code, path="PID-3[2].1", line=3)
    (told,) = checked(operation_outcome([issue_of_finding(found)]))["issue"]
    assert told["details"]["coding"] == [{"system": "urn:bandgate:finding", "code": code}]
    assert told["details"]["text"].startswith(found.message)
    assert told["expression"] == ["PID-3[2].1"]
    assert told["diagnostics"] == "line 3"
    assert (told["severity"] == "error") is (found.level is Level.ERROR)
    assert told["code"] == ("processing" if found.level is Level.ERROR else "informational")


def test_a_fault_is_an_error_with_place_and_remedy() -> None:
    fault = UnreadableMessage("not well-formed XML", code="report-xml", line=188, remedy="export the file again")
    (told,) = checked(operation_outcome([issue_of_fault(fault)]))["issue"]
    assert told == {
        "severity": "error",
        "code": "invalid",
        "details": {
            "text": "not well-formed XML: export the file again",
            "coding": [{"system": "urn:bandgate:finding", "code": "report-xml"}],
        },
        "diagnostics": "line 188",
    }
    assert issue_of_fault(fault, code="too-long")["code"] == "too-long"


def test_what_is_not_known_is_left_out() -> None:
    """FHIR knows no empty strings and no empty lists (FHIR R4, datatypes)."""
    told = checked(operation_outcome([issue("warning", "processing", "text")]))["issue"][0]
    assert told == {"severity": "warning", "code": "processing", "details": {"text": "text"}}
