"""Everything the gateway can say about a message: a stable code, how much it matters, the sentence, the remedy.

The sentences never hold a value from the message: who reads them may not be entitled to the patient. The
place stands beside the sentence. Codes are words of the trade, joined by hyphens; they appear in `check`,
in the feed's work list and in acknowledgements.
"""

from functools import lru_cache
from typing import NamedTuple

from gateway.records import Finding, Level

E, W, N = Level.ERROR, Level.WARNING, Level.NOTE


class Entry(NamedTuple):
    """One thing that can be said."""

    level: Level
    message: str
    remedy: str


FINDINGS: dict[str, Entry] = {
    # the band
    "band-missing": Entry(W, "no band identifier found", "record the band in a field of its own"),
    "band-free-text-only": Entry(
        E,
        "the band stands only in free text, where no computer may take it from",
        "record it in a queryable field: eOutcome.03/.04 in a care report, PID-3 in an admission message",
    ),
    "band-pattern": Entry(
        E, "not the form of any known band scheme", "scan the band again, or copy it character by character"
    ),
    "band-check": Entry(
        E,
        "the check character does not fit: one character or more is wrong",
        "scan the band again; never guess the right one",
    ),
    "band-symbology": Entry(E, "scanned from a symbol that no band carries", "scan the band's own symbol"),
    "band-gs1": Entry(
        E,
        "a GS1 element string without a readable service relation number (8018)",
        "let the scanner send its separators, 8018 first",
    ),
    "band-gs1-check": Entry(E, "the GS1 check digit does not fit", "scan the band again"),
    "band-folded": Entry(
        N,
        "look-alike characters were read as the ones the scheme has",
        "if it was scanned, check the scanner's settings",
    ),
    "band-several": Entry(
        W, "more than one band identifier in one record", "one patient, one band: check which is on the wrist"
    ),
    "band-training": Entry(N, "a training band: kept apart from live traffic", ""),
    "band-mixed-signals": Entry(
        E,
        "a training band in a message that claims to be live",
        "use live bands on patients, and send exercises with processing id T",
    ),
    # any message
    "value-unreadable": Entry(W, "the value cannot be read and was left out", "send it in the form the standard gives"),
    "time-without-zone": Entry(N, "a time without zone: the feed's own zone was taken", "send times with an offset"),
    "time-impossible": Entry(W, "a local time that the clock change skips or repeats", "send times with an offset"),
    "code-unknown": Entry(W, "a code that the table does not have", "add it to the feed's table, or send a known one"),
    "authority-unknown": Entry(
        W,
        "an identifier whose issuer is not known for this feed",
        "add it to the feed's authorities: by its namespace, or by its type alone where it names no issuer",
    ),
    "feed-unknown": Entry(
        W,
        "no feed of this region sends this: shown by the mapping that looks into every usual place",
        "add the feed to region.yaml; until then the gateway's doors refuse it",
    ),
    # HL7 v2
    "hl7-line-ends": Entry(N, "segments end in LF, not in CR", "let the interface send CR"),
    "hl7-junk-line": Entry(W, "a line that starts with no segment name", "escape line ends inside a field"),
    "hl7-charset-unknown": Entry(W, "MSH-18 names no known character set", "send UNICODE UTF-8"),
    "hl7-charset-mismatch": Entry(W, "the bytes are not in the character set that MSH-18 names", "send UNICODE UTF-8"),
    "hl7-edge-bytes": Entry(N, "bytes before MSH were dropped", "send the message from MSH on"),
    "hl7-blank-line": Entry(N, "blank lines between the segments", "send one CR after each segment"),
    "hl7-envelope": Entry(N, "batch envelope segments around a single message", "send the message without them"),
    "hl7-control-characters": Entry(W, "control characters inside the message", "send text only; encode anything else"),
    "hl7-delimiters": Entry(N, "delimiters other than the usual ones", ""),
    "hl7-not-admission": Entry(
        W, "not an admission message (ADT): kept, nothing done", "send this feed ADT messages only"
    ),
    "hl7-no-control-id": Entry(W, "MSH-10 is empty: a repeat cannot be told from a new message", "send a control id"),
    "hl7-no-version": Entry(W, "MSH-12 is empty: the feed's version was taken", "send the version"),
    "hl7-version-unknown": Entry(N, "MSH-12 names no version of the standard", "send a version such as 2.5.1"),
    "hl7-no-processing-id": Entry(N, "MSH-11 is empty: taken as live", "send P, or T for tests"),
    "hl7-no-message-time": Entry(N, "MSH-7 is empty", "send the time the message was made, with an offset"),
    "hl7-no-event-segment": Entry(
        N, "no EVN segment: the event is dated by MSH-7", "send EVN in every admission message"
    ),
    "hl7-event-code": Entry(
        N, "EVN-1 contradicts MSH-9.2, which counts", "send the same trigger in both, or leave EVN-1 empty"
    ),
    "hl7-structure": Entry(N, "MSH-9.3 is not the structure of this trigger", "send the structure the standard gives"),
    "hl7-trigger-unknown": Entry(
        W, "a trigger this feed is not known for: kept, nothing done", "tell the interface analyst what it means"
    ),
    "hl7-trigger-stored": Entry(N, "kept and shown; this trigger does not change a visit yet", ""),
    "hl7-no-trigger": Entry(E, "MSH-9 names no trigger", "send MSH-9 as ADT^A01"),
    "hl7-no-patient": Entry(W, "no PID segment", "send PID in every admission message"),
    "hl7-no-visit-number": Entry(
        W, "no visit or account number: updates cannot be told apart from a new visit", "send PV1-19"
    ),
    "hl7-test": Entry(N, "marked as test or training (MSH-11): kept apart from live traffic", ""),
    "hl7-several-patients": Entry(W, "more than one patient in one message: each is read by itself", ""),
    "hl7-diagnosis-without-code": Entry(N, "a diagnosis without a code was left out", "send DG1-3.1"),
    # care reports
    "report-xml": Entry(E, "not well-formed XML", "export the file again"),
    "report-encoding": Entry(E, "a character encoding that is not read", "export the file in UTF-8"),
    "report-too-large": Entry(E, "larger than one submission may be", "export fewer reports at once"),
    "report-root": Entry(E, "not a NEMSIS EMSDataSet", "export the EMS data set, version 3.5"),
    "report-doctype": Entry(E, "a document type declaration is not accepted", "export without DOCTYPE"),
    "report-too-deep": Entry(E, "nested deeper than any care report", "export the file again"),
    "report-empty": Entry(E, "no PatientCareReport in the file", "export at least one report"),
    "report-schema": Entry(E, "not valid by the schema", "mend the element at this place"),
    "report-rule": Entry(
        E,
        "a rule of the standard or the state is broken so that the file may not be imported",
        "mend what the rule report of the answer names",
    ),
    "report-no-uuid": Entry(
        N, "no report UUID (a version before 3.5): agency and report number stand in", "upgrade the export to 3.5"
    ),
    "report-no-number": Entry(
        E, "neither a report UUID nor a report number: nothing tells it from others", "fill eRecord.01"
    ),
    "report-uuid-form": Entry(W, "the report UUID has not the form the standard asks for", "send an RFC 4122 UUID"),
    "report-national-only": Entry(
        W, "only the national elements: no name, no birth date, no band can be in it", "export all elements"
    ),
    "report-twice": Entry(W, "the same report twice in one file: the fuller one was kept", "export each report once"),
    "report-agency-unknown": Entry(W, "an agency that is not the feed's", "check the agency number in the export"),
    "report-destination-unknown": Entry(
        W, "the destination code is no facility of the region", "use the region's facility codes in eDisposition.02"
    ),
    "report-no-destination": Entry(
        W, "no destination code, though the patient was transported", "fill eDisposition.02"
    ),
    "report-nil-without-reason": Entry(N, "an empty element that does not say why", "give it an NV or PN code"),
    "report-negative-with-value": Entry(N, "a value that the report expressly negates: not taken as a fact", ""),
    "report-custom-undefined": Entry(
        N, "a custom element without a definition in the file", "include eCustomConfiguration"
    ),
    "report-no-agency": Entry(
        E, "an agency without number or state", "fill dAgency.02 and dAgency.04 in every DemographicReport"
    ),
    "report-no-patient": Entry(N, "no patient contact: nothing to link", ""),
}


@lru_cache(maxsize=8192)  # a feed says the same about every message, and a finding holds no value of any
def finding(code: str, *, path: str = "", line: int | None = None, message: str | None = None) -> Finding:
    """Give back the finding for `code` at a place; `message` replaces the sentence, and may hold no value.

    Raises `KeyError` for a code that is not in the table: a typing mistake of ours.
    """
    entry = FINDINGS[code]
    return Finding(
        level=entry.level, code=code, message=message or entry.message, remedy=entry.remedy, path=path, line=line
    )
