"""The quick look at a report and the closer one: whatever a report holds, both end in the same record."""

from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from gateway.adapters.care_reports import ReportDocument, reports
from gateway.bands.scheme import Scheme
from gateway.mapping.care_reports import CareReportReader, compile_care_reports
from gateway.mapping.mistakes import read_mapping
from gateway.mapping.report_groups import Group
from gateway.mapping.report_places import Plan
from gateway.mapping.source import Source
from gateway.records import CareReport
from tests.care_reports import file_with, nil, outside
from tests.mapping.conftest import over_base, shipped_mapping, shipped_tables

BAND = "YF7K4M2QG"

#: Names of the standard that the shipped mappings place, some that they do not, and what holds them.
NAMES = {
    "ePatient": ("01", "02", "05", "13", "14", "15", "16", "17", "18", "25", "PatientNameGroup", "AgeGroup"),
    "eTimes": ("01", "03", "11", "14"),
    "eSituation": ("01", "04", "09", "10", "11", "PatientComplaintGroup"),
    "eScene": ("07", "08", "09"),
    "eVitals": ("01", "02", "06", "10", "16", "18", "VitalGroup", "BloodPressureGroup", "HeartRateGroup", "99"),
    "eMedications": ("01", "02", "03", "05", "08", "MedicationGroup", "DosageGroup"),
    "eProcedures": ("01", "03", "05", "06", "ProcedureGroup"),
    "eOutcome": ("03", "04", "05", "ExternalDataGroup"),
    "eNarrative": ("01",),
}
TEXTS = (
    "", " ", "7", " Marrowby ", BAND, "2026-03-14T10:00:00-05:00", "2026-03-14T24:00:00", "1961-06-15", "9923003",
    "4303001", "9906001", "2516009", "R07.4", "no such code",
)  # fmt: skip
MARKS = (
    "", "", "", "", ' PN="8801029"', ' PN="8801019"', ' NV="7701003"', ' CodeType="9924003"',
    ' ETCO2Type="3340005"', ' StreetAddress2="rear"',
)  # fmt: skip


@st.composite
def sections(draw: st.DrawFn) -> str:
    """One section: its elements anywhere in it, as often as may be, and now and then one of another section."""
    section = draw(st.sampled_from(sorted(NAMES)))
    names = [f"{section}.{name}" for name in NAMES[section]] + ["ePatient.02", "eVitals.VitalGroup", "other"]
    leaf = st.builds("<{0}{1}>{2}</{0}>".format, st.sampled_from(names), st.sampled_from(MARKS), st.sampled_from(TEXTS))
    containers = st.sampled_from([name for name in names if not name[-1].isdigit()])
    parts = st.recursive(
        leaf,
        lambda inner: st.builds("<{0}>{1}</{0}>".format, containers, st.lists(inner, max_size=5).map("\n".join)),
        max_leaves=12,
    )
    return f"<{section}>{''.join(draw(st.lists(parts, max_size=6)))}</{section}>"


#: Reports as the standard has them, so that the quick look is tried as much as the other.
USUAL = (
    "<ePatient><ePatient.PatientNameGroup><ePatient.02>Marrowby</ePatient.02></ePatient.PatientNameGroup>"
    '<ePatient.AgeGroup><ePatient.15 PN="8801029">40</ePatient.15><ePatient.16>2516009</ePatient.16>'
    "</ePatient.AgeGroup><ePatient.17>1961-06-15</ePatient.17><ePatient.18>555-555-0142</ePatient.18></ePatient>",
    "<eTimes><eTimes.01>2026-03-14T10:00:00-05:00</eTimes.01>" + nil("eTimes.11", NV="7701003") + "</eTimes>",
    "<eVitals><eVitals.VitalGroup><eVitals.01>2026-03-14T10:00:00-05:00</eVitals.01><eVitals.BloodPressureGroup>"
    "<eVitals.06>120</eVitals.06></eVitals.BloodPressureGroup>" + nil("eVitals.18", PN="8801019")
    + "</eVitals.VitalGroup><eVitals.VitalGroup><eVitals.12>97</eVitals.12></eVitals.VitalGroup></eVitals>",
    '<eMedications><eMedications.MedicationGroup><eMedications.03 CodeType="9924003" PN="8801019">1191'
    "</eMedications.03></eMedications.MedicationGroup></eMedications>",
    f"<eOutcome>{outside('AH-9', '4303005')}{outside(BAND, '4303001')}</eOutcome>",
    f"<eNarrative><eNarrative.01>Strap {BAND} on the left.</eNarrative.01></eNarrative>",
)  # fmt: skip


def _reader(own: str) -> CareReportReader:
    tables = shipped_tables()
    text = f"mapping: own\nkind: care-reports\nabout: A mapping for tests.\nbase: nemsis-3.5\n{own}"
    return compile_care_reports(over_base(read_mapping(text, "test.yaml", tables=tables)), tables)


#: The shipped mapping with the band in a field, and places that make elements serve two rules.
READERS = [
    compile_care_reports(shipped_mapping("band-anywhere-in-report"), shipped_tables()),
    _reader("values:\n  unit: ePatient/ePatient.17\n  service: [eTimes/eTimes.14, ePatient/ePatient.02]\n"),
    _reader("values:\n  unit: eVitals/eVitals.VitalGroup/eVitals.18\n  service: eScene/eScene.Deep/eScene.09\n"),
    _reader("groups:\n  quoted: {each: eVitals/eVitals.VitalGroup, values: {value: eVitals.18, type: eVitals.02}}\n"),
    _reader("groups:\n  medications: {each: eMedications/eMedications.MedicationGroup, values: "
            "{code: {at: eMedications.03, table: sex-nemsis}}}\n"),
]  # fmt: skip


def _without_quick_looks(reader: CareReportReader) -> CareReportReader:
    """The same reader, to which every value takes a closer look."""
    return reader._replace(
        sections={tag: each._replace(plan=_careful(each.plan)) for tag, each in reader.sections.items()},
        careful=(*reader.values, *(each.name for each in reader.conditions.values())),
        groups={name: _careful_group(group) for name, group in reader.groups.items()},
    )


def _careful(plan: Plan) -> Plan:
    return dict.fromkeys(plan)


def _careful_group(group: Group) -> Group:
    return group._replace(plan=_careful(group.plan), careful=tuple(group.values))


CAREFUL = [_without_quick_looks(reader) for reader in READERS]


def _said(record: CareReport) -> CareReport:
    """The record with its findings in one order: the two ways look at the values in different orders."""
    findings = sorted(record.findings, key=lambda each: (each.code, each.path, each.message))
    return msgspec.structs.replace(record, findings=tuple(findings))


def _source(scheme: Scheme) -> Source:
    return Source(feed="f", organisation="o", zone=ZoneInfo("America/Chicago"), schemes=(scheme,))


def _document(*given: str) -> ReportDocument:
    (document,) = reports(file_with(*given))
    return document


some_sections = st.lists(sections() | st.sampled_from(USUAL), max_size=6)


@example(
    given_sections=[
        "<eMedications><eMedications.MedicationGroup><eMedications.01>2026-03-14T24:00:00</eMedications.01>"
        "</eMedications.MedicationGroup></eMedications>"
    ],
    number=0,
)
@given(given_sections=some_sections, number=st.integers(0, len(READERS) - 1))
def test_both_looks_end_in_the_same_record(given_sections: list[str], number: int, scheme: Scheme) -> None:
    document, source = _document(*given_sections), _source(scheme)
    record = READERS[number].read(document, source)
    assert _said(record) == _said(CAREFUL[number].read(document, source))


@given(given_sections=some_sections)
def test_every_origin_is_one_element_on_its_line(given_sections: list[str], scheme: Scheme) -> None:
    """XPath 1.0, as lxml evaluates it on the whole file."""
    document = _document(*given_sections)
    record = READERS[0].read(document, _source(scheme))
    for origin in record.origins.values():
        steps = "/".join(f"n:{step}" for step in origin.path.partition("/@")[0].split("/")[1:])
        (element,) = document.element.getroottree().xpath(f"/{steps}", namespaces={"n": "http://www.nemsis.org"})
        assert element.sourceline == origin.line


def test_a_report_as_the_standard_has_it_takes_the_quick_look(scheme: Scheme) -> None:
    """Else the figures of the benchmark would be those of the closer look."""
    reader = READERS[0]
    sheet = reader.gather(_document(*USUAL), _source(scheme))
    assert sheet.values["patient.family"] == "Marrowby"
    assert sheet.values["patient.phones"] == ("555-555-0142",)
    assert sheet.unsettled == [*reader.careful, "patient.age"]


@pytest.mark.parametrize("blank", ["<ePatient.18> </ePatient.18>", "<ePatient.18></ePatient.18>"])
def test_a_blank_text_is_no_item_of_a_list(blank: str, scheme: Scheme) -> None:
    """NEMSIS 3.5.1 XSD: no text of the data set may be empty; a blank phone is none."""
    record = READERS[0].read(_document(f"<ePatient>{blank}</ePatient>"), _source(scheme))
    assert record.patient.phones == ()
    assert "patient.phones[0]" not in record.origins


@pytest.mark.parametrize("mark", ["", ' PN="8801019"'])
def test_a_table_translates_the_code_of_a_drug_too(mark: str, scheme: Scheme) -> None:
    """As it does any other value: `sex-nemsis` is only the nearest table at hand."""
    drug = (
        f"<eMedications.MedicationGroup><eMedications.03{mark}>9906001</eMedications.03></eMedications.MedicationGroup>"
    )
    (given_drug,) = READERS[4].read(_document(f"<eMedications>{drug}</eMedications>"), _source(scheme)).medications
    assert given_drug.code == "female"
    assert given_drug.negative == ("8801019" if mark else None)
