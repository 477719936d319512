"""What an HTTP door has to say, as a FHIR OperationOutcome.

Severities and codes are those of FHIR R4 (issue-severity, issue-type); the place of a finding stands in
`expression` where it is an XPath or an HL7 position, with the line in `diagnostics`. No person's data.
"""

from collections.abc import Iterable
from typing import Any

from gateway.errors import SenderFault
from gateway.records import Finding, Level

SEVERITIES = {Level.ERROR: "error", Level.WARNING: "warning", Level.NOTE: "information"}


def operation_outcome(issues: Iterable[dict[str, Any]]) -> dict[str, Any]:
    """Give back an OperationOutcome; one without issues says that all is well, since FHIR wants at least one."""
    listed = list(issues)
    return {
        "resourceType": "OperationOutcome",
        "issue": listed or [issue("information", "informational", "all is well")],
    }


def issue(
    severity: str, code: str, text: str, *, path: str = "", line: int | None = None, remedy: str = "", ours: str = ""
) -> dict[str, Any]:
    """Give back one issue; `ours` is our own stable code for what was found."""
    details: dict[str, Any] = {"text": f"{text}: {remedy}" if remedy else text}
    if ours:
        details["coding"] = [{"system": "urn:bandgate:finding", "code": ours}]
    made: dict[str, Any] = {"severity": severity, "code": code, "details": details}
    if line is not None:
        made["diagnostics"] = f"line {line}"
    if path:
        made["expression"] = [path]
    return made


def issue_of_finding(finding: Finding) -> dict[str, Any]:
    """Give back a finding as an issue."""
    return issue(
        SEVERITIES[finding.level],
        "processing" if finding.level is Level.ERROR else "informational",
        finding.message,
        path=finding.path,
        line=finding.line,
        remedy=finding.remedy,
        ours=finding.code,
    )


def issue_of_fault(fault: SenderFault, *, code: str = "invalid") -> dict[str, Any]:
    """Give back a fault as an issue."""
    return issue("error", code, fault.message, path=fault.path, line=fault.line, remedy=fault.remedy, ours=fault.code)
