"""Admission messages as events. Source: HL7 v2, edition 2.9.1, chapter 3 (3.3, 3.6) and tables 0003 and 0354."""

import csv
import re
from pathlib import Path

import pytest

from gateway.adapters.admissions import TRIGGERS, Effect, Group, Kind, Subject, event_of
from gateway.adapters.er7 import read

TABLES = Path(__file__).parents[3] / "shared/standards/tables"
needs_tables = pytest.mark.skipif(not TABLES.exists(), reason="the tables lie beside the project, and are not here")


def message(msh9: str, rest: str = "EVN||20260115101459\rPID|1\r", **header: str) -> bytes:
    fields = {
        "7": "20260115101500",
        "10": "M1",
        "11": "P",
        "12": "2.5.1",
        **{k.strip("f"): v for k, v in header.items()},
    }
    msh = ["MSH", "^~\\&", "HIS^2.999.1^ISO", "ANVIL", "GATE", "YFBAND", fields["7"], "", msh9]
    return ("|".join([*msh, fields["10"], fields["11"], fields["12"]]) + "\r" + rest).encode()


def codes(data: bytes) -> set[str]:
    return {note.code for note in event_of(read(data, may_lack=(10, 12))).notes}


@pytest.mark.parametrize(
    ("code", "effect", "group", "subject"),
    [
        ("A01", Effect.ADMIT, Group.VISIT, None),
        ("A02", Effect.TRANSFER, Group.LOCATION, None),
        ("A03", Effect.DISCHARGE, Group.VISIT, None),
        ("A04", Effect.REGISTER, Group.VISIT, None),
        ("A05", Effect.PREADMIT, Group.VISIT, None),
        ("A06", Effect.CHANGE_CLASS, Group.VISIT, None),
        ("A08", Effect.UPDATE, Group.DEMOGRAPHICS, None),
        ("A11", Effect.CANCEL_ADMIT, Group.VISIT, None),
        ("A12", Effect.CANCEL_TRANSFER, Group.LOCATION, None),
        ("A13", Effect.CANCEL_DISCHARGE, Group.VISIT, None),
        ("A23", Effect.DELETE_VISIT, Group.VISIT, None),
        ("A24", Effect.LINK, Group.IDENTITY, Subject.PATIENT),
        ("A28", Effect.ADD_PERSON, Group.DEMOGRAPHICS, None),
        ("A31", Effect.UPDATE_PERSON, Group.DEMOGRAPHICS, None),
        ("A37", Effect.UNLINK, Group.IDENTITY, Subject.PATIENT),
        ("A38", Effect.CANCEL_PREADMIT, Group.VISIT, None),
        ("A40", Effect.MERGE, Group.IDENTITY, Subject.PATIENT),
        ("A41", Effect.MERGE, Group.IDENTITY, Subject.ACCOUNT),
        ("A42", Effect.MERGE, Group.IDENTITY, Subject.VISIT),
        ("A44", Effect.MOVE, Group.IDENTITY, Subject.ACCOUNT),
        ("A45", Effect.MOVE, Group.IDENTITY, Subject.VISIT),
        ("A47", Effect.CHANGE, Group.IDENTITY, Subject.PATIENT),
        ("A50", Effect.CHANGE, Group.IDENTITY, Subject.VISIT),
    ],
)
def test_what_a_trigger_does(code: str, effect: Effect, group: Group, subject: Subject | None) -> None:
    event = event_of(read(message(f"ADT^{code}")))
    assert (event.kind, event.known) == (Kind.ADMISSION, True)
    assert (event.trigger, event.effect, event.group, event.subject) == (code, effect, group, subject)


@needs_tables
def test_every_adt_trigger_of_table_0003_is_in_ours() -> None:
    with (TABLES / "v2-0003-subset.csv").open(encoding="utf-8") as file:
        published = {row["code"] for row in csv.DictReader(file) if re.fullmatch(r"A\d\d", row["code"])}
    assert published == set(TRIGGERS)


@needs_tables
def test_every_structure_of_table_0354_is_accepted_for_its_triggers() -> None:
    with (TABLES / "v2-0354-subset.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["code"].startswith("ADT_")]
    assert len(rows) > 20
    for row in rows:
        for code in re.findall(r"A\d\d", row["display"]):
            assert "hl7-structure" not in codes(message(f"ADT^{code}^{row['code']}")), (code, row["code"])


def test_the_facts_of_the_header() -> None:
    event = event_of(read(message("ADT^A04^ADT_A01")))
    assert (event.control_id, event.version, event.processing_id) == ("M1", "2.5.1", "P")
    assert (event.sending_application, event.sending_facility) == ("HIS", "ANVIL")
    assert event.message_time == "20260115101500"
    assert not event.notes


def test_msh_9_2_wins_over_evn_1_and_msh_9_3() -> None:
    """The standard's own example of A12 has A02 in EVN-1."""
    data = message("ADT^A12^ADT_A03", "EVN|A02|20260115101459\rPID|1\r")
    assert event_of(read(data)).effect is Effect.CANCEL_TRANSFER
    assert codes(data) == {"hl7-event-code", "hl7-structure"}


@pytest.mark.parametrize(
    ("data", "noted"),
    [
        (message("ADT^A99"), {"hl7-trigger-unknown"}),
        (message("ADT"), {"hl7-no-trigger"}),
        (message("ADT^A01", "EVN||20260115\r"), {"hl7-no-patient"}),
        (message("ADT^A20", "EVN||20260115\rNPU|ED\r"), set()),
        (message("ADT^A01", "PID|1\r"), {"hl7-no-event-segment"}),
        (message("ADT^A01", f12="2.3r"), {"hl7-version-unknown"}),
        (message("ADT^A01", f12="2.9.1^^"), set()),
        (message("ADT^A01", f7="", f11=""), {"hl7-no-message-time", "hl7-no-processing-id"}),
        (message("ADT^A01", f10="", f12=""), {"hl7-no-control-id", "hl7-no-version"}),
        (message("ORU^R01", "PID|1\r"), {"hl7-not-admission"}),
        (message("ACK", "MSA|AA|M1\r"), {"hl7-not-admission"}),
    ],
)
def test_oddities_are_noted_and_refuse_nothing(data: bytes, noted: set[str]) -> None:
    assert codes(data) == noted


@pytest.mark.parametrize(
    ("msh9", "kind"), [("ORU^A01", Kind.OTHER), ("ACK^A01^ACK", Kind.ANSWER), ("adt^A01", Kind.OTHER)]
)
def test_other_messages_say_so_and_have_no_effect(msh9: str, kind: Kind) -> None:
    event = event_of(read(message(msh9)))
    assert (event.kind, event.known, event.effect) == (kind, False, Effect.UNKNOWN)
