"""Invented records of the invented region, as small as a test needs them."""

from datetime import UTC, datetime, timedelta

from gateway.linking.evidence import Facts, facts_of_report, facts_of_visit
from gateway.records import (
    Admission,
    CareReport,
    Identifier,
    Person,
    ReportTimes,
    Sex,
    Visit,
    VisitState,
)

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
IVY = Person(family="Quillfeather", given="Ivy", birth_date="1971-02-03", sex=Sex.FEMALE)
OTTO = Person(family="Marrowby", given="Otto", birth_date="1938-11-30", sex=Sex.MALE)


def report(
    name: str = "report",
    person: Person = IVY,
    *,
    to: str | None = "anvil-head",
    at: datetime = NOON,
    quotes: str | None = None,
) -> Facts:
    quoted = (Identifier(value=quotes, type="4303005"),) if quotes else ()
    return facts_of_report(
        name,
        CareReport(
            key=name,
            number=name,
            organisation="harrow-point",
            patient=person,
            destination=to,
            times=ReportTimes(arrived=at),
            quoted=quoted,
        ),
    )


def visit(
    name: str = "visit",
    person: Person = IVY,
    *,
    at_facility: str = "anvil-head",
    at: datetime = NOON + timedelta(minutes=7),
    number: str = "V100",
    record_number: str = "00412907",
    quotes: str | None = None,
) -> Facts:
    admission = Admission(
        organisation=at_facility,
        trigger="A04",
        control_id="1",
        patient=person,
        visit_number=Identifier(value=number),
        identifiers=(Identifier(value=record_number, type="MR", namespace="AHMC"),),
        quoted_reports=(quotes,) if quotes else (),
    )
    stay = Visit(key=number, organisation=at_facility, state=VisitState.PRESENT, admission=admission, started=at)
    return facts_of_visit(name, stay, bands=frozenset({"YF7K4M2QG"}))
