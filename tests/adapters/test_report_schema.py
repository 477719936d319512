"""What the standard's schema finds in a file, told without a word of its values."""

from collections.abc import Callable
from pathlib import Path

import pytest
from lxml import etree

from gateway.adapters.report_schema import validate
from gateway.errors import TooLarge, UnreadableMessage
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


def test_a_bomb_of_elements_is_refused_before_it_is_a_tree(schema: etree.XMLSchema) -> None:
    with pytest.raises(TooLarge):
        validate(data_set(header("<a/>" * 1_000_000)), schema)
