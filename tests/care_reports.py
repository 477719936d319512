"""Care reports of the invented region, written for tests: only what a test is about, the rest as short as it may be.

They follow the order and names of the NEMSIS 3.5.1 data set but leave out most required elements, so they are
well-formed and readable, not valid.
"""

from collections.abc import Sequence

XSI = 'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
UUID = "5f0c1d9e-7a3b-4c21-9d11-0a1b2c3d4e5f"


def nil(name: str, **why: str) -> str:
    """An element without a value, and the NV or PN that says why."""
    return f'<{name} xsi:nil="true"{"".join(f" {key}={value!r}" for key, value in why.items())}/>'


def report(*sections: str, uuid: str | None = UUID, number: str = "HP-2026-0042") -> str:
    """One PatientCareReport with the given sections behind its number; `number` may be empty."""
    identity = f' UUID="{uuid}"' if uuid is not None else ""
    record = f"<eRecord><eRecord.01>{number}</eRecord.01></eRecord>" if number else ""
    return f"<PatientCareReport{identity}>\n{record}\n" + "\n".join(sections) + "\n</PatientCareReport>"


def header(*reports: str, agency: str = "HP01", custom: str = "") -> str:
    """One Header of an invented agency."""
    agency_texts = (
        f"<dAgency.01>YF-{agency}</dAgency.01>\n<dAgency.02>{agency}</dAgency.02>\n<dAgency.04>99</dAgency.04>"
    )
    group = f"<DemographicGroup>\n{agency_texts}\n</DemographicGroup>"
    return "\n".join(["<Header>", group, custom, *reports, "</Header>"])


def data_set(
    *headers: str, location: str = "http://www.nemsis.org EMSDataSet_v3.xsd", encoding: str = "UTF-8"
) -> bytes:
    """A whole file."""
    text = (
        f'<?xml version="1.0" encoding="{encoding}"?>\n'
        f'<EMSDataSet xmlns="http://www.nemsis.org" {XSI} xsi:schemaLocation="{location}">\n'
        + "\n".join(headers)
        + "\n</EMSDataSet>\n"
    )
    return text.encode(encoding)


def file_with(*sections: str) -> bytes:
    """A file of one report."""
    return data_set(header(report(*sections)))


def outside(value: str, kind: str = "", registry: str = "") -> str:
    """One outside identifier (eOutcome.ExternalDataGroup)."""
    parts = [("03", kind), ("04", value), ("05", registry)]
    inner = "".join(f"<eOutcome.{number}>{text}</eOutcome.{number}>\n" for number, text in parts if text)
    return f"<eOutcome.ExternalDataGroup>\n{inner}</eOutcome.ExternalDataGroup>"


def custom_element(element_id: str, title: str) -> str:
    """The configuration of one custom element."""
    return (
        f'<eCustomConfiguration.CustomGroup CustomElementID="{element_id}">\n'
        f'<eCustomConfiguration.01 nemsisElement="ePatient">{title}</eCustomConfiguration.01>\n'
        "<eCustomConfiguration.02>What the strap on the wrist says.</eCustomConfiguration.02>\n"
        "<eCustomConfiguration.03>9902009</eCustomConfiguration.03>\n"
        "<eCustomConfiguration.04>9923003</eCustomConfiguration.04>\n"
        "<eCustomConfiguration.05>9903007</eCustomConfiguration.05>\n"
        "</eCustomConfiguration.CustomGroup>"
    )


def custom_result(element_id: str, values: Sequence[str], *, about: str = "", correlation: str = "") -> str:
    """The results of one custom element."""
    own = f' CorrelationID="{correlation}"' if correlation else ""
    texts = "".join(f"<eCustomResults.01>{value}</eCustomResults.01>\n" for value in values)
    to = f"<eCustomResults.03>{about}</eCustomResults.03>" if about else ""
    element = f"<eCustomResults.02>{element_id}</eCustomResults.02>"
    return f"<eCustomResults.ResultsGroup{own}>\n{texts}{element}{to}\n</eCustomResults.ResultsGroup>"
