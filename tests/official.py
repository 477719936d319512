"""Schema and rule files in the form of the official ones, as small as they may be; none of the standard's own text.

The data set has a Header with reports, and a report needs a UUID and a number (the shape of NEMSIS 3.5.1).
"""

import zipfile
from pathlib import Path

XS = 'xmlns:xs="http://www.w3.org/2001/XMLSchema"'
XSDS = {
    "EMSDataSet_v3.xsd": f"""<xs:schema {XS} xmlns="http://www.nemsis.org" targetNamespace="http://www.nemsis.org"
        elementFormDefault="qualified"><xs:include schemaLocation="commonTypes_v3.xsd"/>
      <xs:element name="EMSDataSet"><xs:complexType><xs:sequence>
        <xs:element name="Header" maxOccurs="unbounded"><xs:complexType><xs:sequence>
          <xs:element name="DemographicGroup" minOccurs="0"><xs:complexType><xs:sequence>
            <xs:any processContents="skip" maxOccurs="unbounded"/></xs:sequence></xs:complexType></xs:element>
          <xs:element name="PatientCareReport" maxOccurs="unbounded"><xs:complexType><xs:sequence>
            <xs:element name="eRecord"><xs:complexType><xs:sequence>
              <xs:element name="eRecord.01"><xs:simpleType><xs:restriction base="xs:string">
                <xs:minLength value="3"/></xs:restriction></xs:simpleType></xs:element>
            </xs:sequence></xs:complexType></xs:element>
          </xs:sequence><xs:attribute name="UUID" type="UUID" use="required"/></xs:complexType></xs:element>
        </xs:sequence></xs:complexType></xs:element>
      </xs:sequence></xs:complexType></xs:element></xs:schema>""".encode(),
    "commonTypes_v3.xsd": f"""<xs:schema {XS} xmlns="http://www.nemsis.org" targetNamespace="http://www.nemsis.org">
      <xs:simpleType name="UUID"><xs:restriction base="xs:string"><xs:length value="36"/></xs:restriction>
      </xs:simpleType><xs:simpleType name="PhoneNumber"><xs:restriction base="xs:string">
        <xs:pattern value="PHONE"/></xs:restriction></xs:simpleType></xs:schema>""".encode(),
}
XSDS_351 = {**XSDS, "commonTypes_v3.xsd": XSDS["commonTypes_v3.xsd"].replace(b"PHONE", rb"\+[0-9]*")}


def rule_file(version: str = "3.5.1.250403CP1", *tests: str) -> bytes:
    """A rule file about reports; each test is an `assert` or `report` of one rule."""
    found = "".join(tests) or refuse("[ERROR]", "bad")
    return f"""<sch:schema xmlns:sch="http://purl.oclc.org/dsdl/schematron" queryBinding="xslt2" id="EMSDataSet"
        xmlns:xsl="http://www.w3.org/1999/XSL/Transform" schemaVersion="{version}">
      <sch:title>Rules of Yarrowfen</sch:title>
      <sch:ns prefix="n" uri="http://www.nemsis.org"/>
      <sch:pattern id="p"><sch:rule id="r" context="n:PatientCareReport">{found}</sch:rule></sch:pattern>
      <sch:diagnostics><sch:diagnostic id="nemsisDiagnostic"><nemsisDiagnostic xmlns="http://www.nemsis.org"><record>
        <xsl:if test="@UUID"><UUID><xsl:value-of select="@UUID"/></UUID></xsl:if></record></nemsisDiagnostic>
      </sch:diagnostic></sch:diagnostics></sch:schema>""".encode()


def refuse(role: str, number: str) -> str:
    """A test that a report with this in its number fails."""
    return (
        f'<sch:assert id="t-{number}" role="{role}" diagnostics="nemsisDiagnostic"'
        f" test=\"not(contains(n:eRecord/n:eRecord.01, '{number}'))\">The number has {number}.</sch:assert>"
    )


RULES = rule_file()


def zipped(path: Path, files: dict[str, bytes]) -> Path:
    """Pack files."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return path
