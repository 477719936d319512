"""What the standard's schema finds in a file, told without a word of its values."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.report_payload import Limits, payload
from gateway.adapters.report_schema import COUNTED, MOST, schema_errors, validate
from gateway.errors import UnreadableMessage
from tests.care_reports import data_set, header, report

STANDARD = Path(__file__).parents[3] / "shared" / "standards" / "nemsis"
NS = "{http://www.nemsis.org}"
pytestmark = pytest.mark.skipif(not STANDARD.exists(), reason="the standard's files are not beside the project")


@pytest.fixture(scope="module")
def schema() -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(STANDARD / "xsd" / "EMSDataSet_v3.xsd"))


def sample(name: str) -> bytes:
    return (STANDARD / "samples" / name).read_bytes()


def test_valid_samples_have_no_findings(schema: etree.XMLSchema) -> None:
    """NEMSIS 3.5.1: all but the must-fail samples are valid by its own schema."""
    for path in sorted((STANDARD / "samples").glob("*/*.xml")):
        if path.name != "2025-EMS-FailXsd_v351.xml":
            assert validate(path.read_bytes(), schema) == [], path.name


def test_the_must_fail_sample_is_refused_at_its_place(schema: etree.XMLSchema) -> None:
    """The sample's own comment: eSituation lacks the elements that 3.5 asks for at its end."""
    (finding,) = validate(sample("pretest-fail/2025-EMS-FailXsd_v351.xml"), schema)
    assert (finding.code, finding.line) == ("report-schema", 121)
    assert finding.path == "/EMSDataSet/Header[1]/PatientCareReport[1]/eSituation"
    assert "eSituation.19" in finding.message


SECRET = "Marrowby"


def _text(name: str, text: str = SECRET) -> Callable[[etree._Element], None]:
    def change(root: etree._Element) -> None:
        element = root.find(f".//{NS}{name}")
        assert element is not None
        element.text = text

    return change


def _attribute(name: str, attribute: str, value: str = SECRET) -> Callable[[etree._Element], None]:
    def change(root: etree._Element) -> None:
        element = root.find(f".//{NS}{name}")
        assert element is not None
        element.set(attribute, value)

    return change


def _without_uuid(root: etree._Element) -> None:
    element = root.find(f".//{NS}PatientCareReport")
    assert element is not None
    del element.attrib["UUID"]


@pytest.mark.parametrize(
    ("change", "end", "words"),
    [
        (_text("eScene.08"), "/eScene/eScene.08", "none of the codes"),
        (_text("eTimes.03"), "/eTimes/eTimes.03", "not of the type"),
        (_text("ePatient.18"), "/ePatient/ePatient.18[1]", "form"),
        (_text("eVitals.06", "900"), "/eVitals.BloodPressureGroup/eVitals.06", "most allowed"),
        (_text("eNarrative.01", SECRET * 2000), "/eNarrative/eNarrative.01", "too long"),
        (_text("eSituation"), "/eSituation", "holds text"),
        (_attribute("ePatient.03", "Foo"), "/ePatient/ePatient.PatientNameGroup/ePatient.03/@Foo", "does not know"),
        (_attribute("ePatient.02", "NV"), "/ePatient/ePatient.PatientNameGroup/ePatient.02/@NV", "type"),
        (_without_uuid, "/PatientCareReport[1]", "lacks an attribute: UUID"),
    ],
)  # fmt: skip
def test_each_rule_is_told_by_name_and_place_alone(
    change: Callable[[etree._Element], None], end: str, words: str, schema: etree.XMLSchema
) -> None:
    """XML Schema part 1, appendix C.1, has the rules; libxml2's own sentences quote the value."""
    root = etree.fromstring(sample("pretest-full/2025-EMS-3-MVC_v351.xml"))
    change(root)
    found = validate(etree.tostring(root), schema)
    assert found[0].path.endswith(end)
    assert words in found[0].message
    assert found[0].line
    assert all(SECRET not in f"{each.message} {each.path}" for each in found)


def test_an_element_of_nobody_is_told(schema: etree.XMLSchema) -> None:
    found = validate(data_set(header(report("<eUnknown/>"))), schema)
    assert found
    assert all(each.code == "report-schema" for each in found)


def test_what_is_no_data_set_is_refused_as_in_reading(schema: etree.XMLSchema) -> None:
    for data, code in (
        (b"<a/>", "report-root"),
        (data_set(header("<a>")), "report-xml"),
        (b"<!DOCTYPE a><a/>", "report-doctype"),
    ):
        with pytest.raises(UnreadableMessage) as caught:
            validate(data, schema)
        assert caught.value.code == code


def test_a_bomb_of_elements_is_told_by_its_first(schema: etree.XMLSchema) -> None:
    data = data_set(header("<a/>" * 100_000))
    found = validate(data, schema)
    assert [(each.path, each.line) for each in found][:1] == [
        ("/EMSDataSet/Header[1]/a[1]", data[: data.index(b"<a/>")].count(b"\n") + 1)
    ]


def test_a_wrong_version_is_counted_up_to_a_limit(schema: etree.XMLSchema) -> None:
    """NEMSIS 3.5.1 asks for a UUID in every report; 3.4.0 had none."""
    data = data_set(header(*(report(uuid=None) for _ in range(COUNTED))))
    errors, total = schema_errors(lambda: payload(data, Limits()), schema)
    assert (len(errors), total >= COUNTED) == (MOST, True)


# ── places ─────────────────────────────────────────────────────────────────────────────────────────


def test_lines_and_columns_are_known_in_a_file_of_any_length(schema: etree.XMLSchema) -> None:
    """libxml2 keeps line numbers in 16 bits; the places come from expat."""
    good = sample("pretest-full/2025-EMS-3-MVC_v351.xml")
    begins, ends = good.index(b"<PatientCareReport"), good.index(b"</Header>")
    bad = good[begins:ends].replace(b"<eScene.08>2708003", b"<eScene.08>0")
    assert bad != good[begins:ends]
    data = good[:begins] + good[begins:ends] * 100 + bad + good[ends:]
    (error,), total = schema_errors(lambda: payload(data, Limits()), schema)
    line = data[: data.index(b"<eScene.08>0")].count(b"\n") + 1
    assert line > 65_535
    assert (error.line, total) == (line, 1)
    assert error.xpath == "/EMSDataSet/Header[1]/PatientCareReport[101]/eScene/eScene.08"
    assert data.splitlines()[error.line - 1][error.column - 1 :].startswith(b"<eScene.08>0")  # type: ignore[operator]


def test_on_one_line_columns_tell_elements_apart(schema: etree.XMLSchema) -> None:
    root = etree.fromstring(sample("pretest-full/2025-EMS-3-MVC_v351.xml"), etree.XMLParser(remove_blank_text=True))
    for name in ("eTimes.03", "eTimes.05", "eScene.08"):
        _text(name)(root)
    data = etree.tostring(root)
    assert b"\n" not in data
    errors, _ = schema_errors(lambda: payload(data, Limits()), schema)
    assert [each.element for each in errors] == ["eTimes.03", "eTimes.05", "eScene.08"]
    assert all(data[each.column - 1 :].startswith(f"<{each.element}>".encode()) for each in errors if each.column)


@pytest.mark.parametrize("encoding", ["utf-16", "iso-8859-1", "windows-1252"])
def test_other_encodings_have_the_same_errors(encoding: str, schema: etree.XMLSchema) -> None:
    root = etree.fromstring(sample("pretest-full/2025-EMS-3-MVC_v351.xml"))
    _text("eNarrative.01", "é" * 10_001)(root)
    data = etree.tostring(root, encoding=encoding, xml_declaration=True)
    (found,) = validate(data, schema)
    assert found.path.endswith("/eNarrative/eNarrative.01")
    assert "10000" in found.message


# ── words ──────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (_text("eScene.08"), "none of the codes allowed here: 2708001, 2708003, 2708005, 2708007, 2708009"),
        (_text("eResponse.05"), "2205013, 2205021, 2205023 and 6 more"),
        (_text("eTimes.03"), "a date and time with its offset, as 2026-04-30T13:05:00-05:00"),
        (_text("ePatient.17"), "a date, as 1956-01-19"),
        (_text("eVitals.06", "900"), "more than the most allowed: 500"),
        (_text("eRecord.01", "a"), "too short: 3"),
        (_attribute("PatientCareReport", "UUID"), "[1-5][a-fA-F0-9]{3}"),
    ],
)  # fmt: skip
def test_what_is_allowed_is_told(change: Callable[[etree._Element], None], said: str, schema: etree.XMLSchema) -> None:
    """The codes and limits are those of the NEMSIS 3.5.1 XSD."""
    root = etree.fromstring(sample("pretest-full/2025-EMS-3-MVC_v351.xml"))
    change(root)
    found = validate(etree.tostring(root), schema)
    assert any(said in each.message for each in found), found


#: Values that imitate the end of libxml2's own sentences, behind which the schema's limit stands.
IMITATIONS = st.sampled_from(
    [
        f"is not an element of the set {{'{SECRET}'}}.",
        f"is not accepted by the pattern '{SECRET}'.",
        f"Expected is ( {SECRET} ).",
        f"The attribute '{SECRET}' is required but missing.",
        f"greater than the maximum value allowed ('{SECRET}').",
        f"is not a valid value of the atomic type '{SECRET}'.",
        f"this underruns the allowed minimum length of '{SECRET}'.",
    ]
)


@settings(max_examples=60, deadline=None)
@given(
    value=st.lists(IMITATIONS | st.just(SECRET) | st.sampled_from(["'", "}", ")", ".", " ", "\n"]), min_size=1).map(
        "".join
    ),
    name=st.sampled_from(["eScene.08", "eTimes.03", "ePatient.18", "eVitals.06", "eResponse.05", "ePatient.17"]),
)
def test_no_value_is_ever_quoted(value: str, name: str, schema: etree.XMLSchema) -> None:
    root = etree.fromstring(sample("pretest-full/2025-EMS-3-MVC_v351.xml"))
    _text(name, f"{SECRET}{value}")(root)
    assert all(SECRET not in f"{each.message} {each.path}" for each in validate(etree.tostring(root), schema))
