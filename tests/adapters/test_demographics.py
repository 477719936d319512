"""Agency demographics, read.

The agency's elements are those of dAgency_v3.xsd (NEMSIS 3.5.1); where the facility and location groups lie is from
memory, for their XSD is not at hand, and their elements' names are those of the national Schematron's list.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from gateway.adapters.demographics import agencies
from gateway.adapters.report_payload import Limits
from gateway.errors import SenderFault, TooLarge, UnreadableMessage
from gateway.records.demographics import Agency, Facility, Station
from tests.demographics import agency, demographics, facility, station
from tests.fixtures.committed import SHARED, needs_standards


def test_an_agency_with_its_facilities_and_stations() -> None:
    data = demographics(agency(facility(), facility("Brackwater Memorial", "BM02", npi=()), stations=station()))
    assert list(agencies(data)) == [
        Agency(
            state_id="YF-HP01",
            number="HP01",
            name="Harrow Point Ambulance",
            state="99",
            national_ids=("1999999984",),
            facilities=(
                Facility(
                    kind="1701005", name="Saint Orla Hospital", code="SO01", national_ids=("1999999976",), state="99"
                ),
                Facility(kind="1701005", name="Brackwater Memorial", code="BM02", state="99"),
            ),
            stations=(Station(kind="1703001", name="Station One", number="1"),),
        )
    ]


def test_uuids_are_kept_in_one_case() -> None:
    data = demographics(agency(facility(uuid="5F0C1D9E-7A3B-4C21-9D11-0A1B2C3D4E5F")))
    (found,) = agencies(data)
    assert found.facilities[0].uuid == "5f0c1d9e-7a3b-4c21-9d11-0a1b2c3d4e5f"


@needs_standards
def test_the_names_are_those_of_the_standard() -> None:
    """dAgency_v3.xsd and the list of element names of the national rules (NEMSIS 3.5.1)."""
    xsd = etree.parse(SHARED / "nemsis" / "xsd" / "dAgency_v3.xsd")
    rules = etree.parse(SHARED / "nemsis" / "schematron" / "national" / "EMSDataSet.sch")
    listed = {each.get("name"): each.text for each in rules.iter("{http://www.nemsis.org}element")}
    for name in ("dAgency.01", "dAgency.02", "dAgency.03", "dAgency.04", "dAgency.25"):
        assert xsd.find(f".//{{*}}element[@name='{name}']") is not None
    for name, title in {
        "dFacility.01": "Type of Facility", "dFacility.02": "Facility Name", "dFacility.03": "Facility Location Code",
        "dFacility.05": "Facility National Provider Identifier", "dFacility.09": "Facility State",
        "dLocation.01": "EMS Location Type", "dLocation.02": "EMS Location Name", "dLocation.03": "EMS Location Number",
    }.items():  # fmt: skip
        assert listed[name] == title


def test_nil_elements_are_no_values_and_empty_groups_no_facilities() -> None:
    nil = '<dFacility.02 xsi:nil="true" NV="7701003"/>'
    group, name = f"<dFacility.FacilityGroup>{nil}</dFacility.FacilityGroup>", nil.replace("dFacility.02", "dAgency.03")
    data = demographics(agency(group, name=name))
    (found,) = agencies(data)
    assert (found.name, found.facilities) == (None, ())


def test_staff_is_not_read() -> None:
    """A gateway that links patients has no business with the agency's people."""
    group = "<dPersonnel.PersonnelGroup><dPersonnel.01>Marrowby</dPersonnel.01></dPersonnel.PersonnelGroup>"
    people = f"<dPersonnel>{group}</dPersonnel>"
    assert "Marrowby" not in str(list(agencies(demographics(agency(facility(), more=people)))))


def test_several_agencies_come_in_their_order() -> None:
    data = demographics(agency(number="B"), agency(number="A"))
    assert [each.number for each in agencies(data)] == ["B", "A"]


@pytest.mark.parametrize("name", ["dAgency.02", "dAgency.04"])
def test_an_agency_without_number_or_state_is_refused_at_its_place(name: str) -> None:
    data = demographics(agency(), agency().replace(f"<{name}>", "<x>").replace(f"</{name}>", "</x>"))
    with pytest.raises(UnreadableMessage) as caught:
        list(agencies(data))
    assert (caught.value.code, caught.value.path) == (
        "report-no-agency", f"/DEMDataSet/DemographicReport[2]/dAgency/{name}",
    )  # fmt: skip


def test_a_national_export_is_told_by_its_schema() -> None:
    """The text NAT in xsi:schemaLocation, as the standard's own test service (standards/nemsis.md, section 5)."""
    (found,) = agencies(demographics(agency(), location="http://www.nemsis.org DEMDataSet_NAT_v3.xsd"))
    assert found.is_partial


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"<EMSDataSet/>", "report-root"),
        (b"<!DOCTYPE a><DEMDataSet/>", "report-doctype"),
        (b"", "report-xml"),
        (b"<DEMDataSet/>", "report-no-agency"),
        (b"<DEMDataSet>" + b"<a>" * 5000, "report-too-deep"),
        (b'<DEMDataSet xmlns="http://www.nemsis.org"><DemographicReport/></DEMDataSet>', "report-no-agency"),
    ],
)
def test_what_is_no_demographics_is_refused(data: bytes, code: str) -> None:
    with pytest.raises(UnreadableMessage) as caught:
        list(agencies(data))
    assert caught.value.code == code


def test_limits_hold() -> None:
    with pytest.raises(TooLarge):
        list(agencies(demographics(agency()), limits=Limits(size=100)))
    with pytest.raises(TooLarge):
        list(agencies(demographics("<a/>" * 200_000), limits=Limits(marks=1_000)))


@settings(max_examples=150, deadline=None)
@given(changes=st.dictionaries(st.integers(0, 5_000), st.integers(0, 255), min_size=1, max_size=5))
def test_anything_is_read_or_refused_without_a_word_of_it(changes: dict[int, int]) -> None:
    data = bytearray(demographics(agency(facility("Marrowby"), name="<dAgency.03>Marrowby</dAgency.03>")))
    for place, byte in changes.items():
        data[place % len(data)] = byte
    try:
        list(agencies(bytes(data)))
    except SenderFault as fault:
        if "Marrowby" in str(fault):
            pytest.fail("a value of the file in the fault")
