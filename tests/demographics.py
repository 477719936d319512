"""Demographics of the invented region, written for tests.

The agency's part follows dAgency_v3.xsd (NEMSIS 3.5.1) in its names; the groups of facilities and locations are from
memory.
"""

from tests.care_reports import XSI

HARROW, ORLA = "Harrow Point Ambulance", "Saint Orla Hospital"


def facility(name: str = ORLA, code: str = "SO01", *, npi: tuple[str, ...] = ("1999999976",), uuid: str = "") -> str:
    """One facility within the group that says of which kind it is."""
    ids = "".join(f"<dFacility.05>{each}</dFacility.05>" for each in npi)
    given = f' UUID="{uuid}"' if uuid else ""
    return (
        f"<dFacilityGroup><dFacility.01>1701005</dFacility.01><dFacility.FacilityGroup{given}>"
        f"<dFacility.02>{name}</dFacility.02><dFacility.03>{code}</dFacility.03>{ids}"
        "<dFacility.09>99</dFacility.09></dFacility.FacilityGroup></dFacilityGroup>"
    )


def station(name: str = "Station One", number: str = "1") -> str:
    """One place of the agency."""
    return (
        "<dLocation.LocationGroup><dLocation.01>1703001</dLocation.01>"
        f"<dLocation.02>{name}</dLocation.02><dLocation.03>{number}</dLocation.03></dLocation.LocationGroup>"
    )


def agency(
    *facilities: str,
    number: str = "HP01",
    name: str = f"<dAgency.03>{HARROW}</dAgency.03>",
    stations: str = "",
    more: str = "",
) -> str:
    """One DemographicReport."""
    return (
        '<DemographicReport timeStamp="2026-03-14T08:00:00-05:00"><dAgency>'
        f"<dAgency.01>YF-{number}</dAgency.01><dAgency.02>{number}</dAgency.02>{name}<dAgency.04>99</dAgency.04>"
        "<dAgency.25>1999999984</dAgency.25></dAgency>"
        f"<dLocation>{stations}</dLocation>{more}<dFacility>{''.join(facilities)}</dFacility></DemographicReport>"
    )


def demographics(*agencies: str, location: str = "http://www.nemsis.org DEMDataSet_v3.xsd") -> bytes:
    """A whole file."""
    return (
        f'<?xml version="1.0"?><DEMDataSet xmlns="http://www.nemsis.org" {XSI} xsi:schemaLocation="{location}">'
        f"{''.join(agencies)}</DEMDataSet>"
    ).encode()
