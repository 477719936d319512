"""The report web service of the real process, used by zeep, a foreign SOAP client, with the standard's own files.

Outside: the official NEMSIS V3 core WSDL, the official samples, schemas and rule files (NEMSIS 3.5.1.250403CP1), and
what their authors' own tools say of them: the pre-test files are clean, the generated and custom-element files have
warnings only, and of the must-fail files one fails the schema and one both rule files.
"""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import requests
import zeep
from lxml import etree

from gateway.records import Traffic
from gateway.store import quarantine, reports
from tests.demographics import agency, demographics, facility
from tests.service import (
    CHEAP,
    NEMSIS,
    OFFICIAL,
    ORGANIZATION,
    PASSWORD,
    USER,
    data_set,
    headers,
    read_answer,
    request,
)
from tests.wire.process import ROOT, Gateway, running

pytestmark = pytest.mark.skipif(not OFFICIAL.exists(), reason="the NEMSIS files are not beside this checkout")
SAMPLES = NEMSIS / "samples"
FAILS_RULES, FAILS_SCHEMA = "2025-EMS-FailSchematron_v351.xml", "2025-EMS-FailXsd_v351.xml"
WHO = {"username": USER, "password": PASSWORD, "organization": ORGANIZATION}
BINDING = "{http://ws.nemsis.org/}NemsisWsPortBinding"
RULES = "{http://purl.oclc.org/dsdl/svrl}"


def _accounts(region: dict[str, Any]) -> None:
    """One agency whose number nobody has noted, which may send the samples of any, and one that is known."""
    region["organisations"][0].pop("nemsis_number")
    for feed, username in zip(region["feeds"], (USER, "larkfield"), strict=False):
        account = {"username": username, "password_hash": CHEAP.hash(PASSWORD), "organization": ORGANIZATION}
        feed["service"] = account
    region["settings"] = {"rule_errors": "record"}


@pytest.fixture(scope="module")
def gateway(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway whose operator has registered the official files."""
    folder = tmp_path_factory.mktemp("official")
    for files in ("xsd", "schematron"):
        command = [
            sys.executable,
            "-m",
            "gateway",
            "schemas",
            "add",
            str(NEMSIS / files),
            "--data",
            str(folder / "data"),
        ]
        subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    with running(folder, _accounts) as started:
        yield started


class Client:
    """zeep, made from one WSDL, speaking to the gateway."""

    def __init__(self, gateway: Gateway, wsdl: str) -> None:
        session = requests.Session()
        session.trust_env = False
        client = zeep.Client(wsdl, transport=zeep.Transport(session=session))
        self.service = client.create_service(BINDING, gateway.doors["reports"])

    def submit(self, root: etree._Element, *, schema: int = 61, version: str = "3.5.1", **who: str) -> Any:
        return self.service.SubmitData(
            **WHO | who,
            requestType="SubmitData",
            submitPayload={"payloadOfXmlElement": {"_value_1": root}},
            requestDataSchema=schema,
            schemaVersion=version,
            additionalInfo="",
        )

    def retrieve(self, handle: str, **who: str) -> Any:
        return self.service.RetrieveStatus(
            **WHO | who,
            requestType="RetrieveStatus",
            requestHandle=handle,
            originalRequestType="SubmitData",
            additionalInfo="",
        )

    def limit(self, **who: str) -> Any:
        return self.service.QueryLimit(**WHO | who, requestType="QueryLimit")


@pytest.fixture(scope="module", params=["official", "ours"])
def client(request: pytest.FixtureRequest, gateway: Gateway) -> Client:
    return Client(gateway, str(OFFICIAL) if request.param == "official" else f"{gateway.doors['reports']}?wsdl")


def test_our_wsdl_sends_a_trial_to_the_port_that_was_asked(gateway: Gateway) -> None:
    """WSDL 1.1, 3.7 (soap:address); a client made from it needs no other address. Whatever `Host` says, it is ours."""
    address = gateway.doors["reports"]
    answer = requests.get(f"{address}?wsdl", headers={"Host": "elsewhere.example"}, timeout=20)
    location = etree.fromstring(answer.content).find(".//{http://schemas.xmlsoap.org/wsdl/soap/}address")
    assert location is not None
    assert location.get("location") == address


def sample(path: str) -> etree._Element:
    return etree.parse(str(SAMPLES / path)).getroot()


def svrl(answer: Any) -> list[etree._Element]:
    """The rule reports of an answer."""
    complete = answer.schematronReport.completeSchematronReport if answer.schematronReport else []
    return [each.payloadOfXmlElement._value_1 for part in complete for each in part.completeReport]


def expected(path: Path) -> int:
    if path.name == FAILS_SCHEMA:
        return -12
    if path.name == FAILS_RULES:
        return -14
    return 1 if path.parent.name.startswith("pretest") else 3


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*/*.xml")), ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_every_official_file_gets_the_code_it_must(client: Client, path: Path) -> None:
    answer = client.submit(etree.parse(str(path)).getroot())
    code = expected(path)
    assert int(answer.statusCode) == code
    assert (answer.reports.xmlValidationErrorReport.totalErrorCount > 0) == (code == -12)
    rules = svrl(answer.reports)
    assert len(rules) == (0 if code == -12 else 2), "the national rules and those of the pre-test"
    failed = [each.get("role") for report in rules for each in report.iter(f"{RULES}failed-assert")]
    assert failed.count("[ERROR]") == (2 if code == -14 else 0)
    assert ("[WARNING]" in failed) == (code == 3)
    again = client.retrieve(answer.requestHandle)
    assert (int(again.statusCode), again.requestHandle) == (code, answer.requestHandle)
    found = again.retrieveResult.retrieveSubmitStatus
    assert found.xmlValidationErrorReport == answer.reports.xmlValidationErrorReport
    assert [etree.tostring(each) for each in svrl(found)] == [etree.tostring(each) for each in rules]


def test_the_file_that_fails_the_schema_says_where(client: Client) -> None:
    """Card, section 13: eSituation lacks .19 and .20; libxml2 says so at eSituation.18 or its parent."""
    answer = client.submit(sample(f"pretest-fail/{FAILS_SCHEMA}"))
    (error,) = answer.reports.xmlValidationErrorReport.xmlError
    (info,) = error.failedElementList.xmlElementInfo
    assert info.elementName.startswith("eSituation")
    assert info.elementLocation.line > 0
    assert info.elementLocation.xpathLocation.startswith("/EMSDataSet/Header[1]/PatientCareReport[1]/eSituation")
    assert info.value is None, "a value may be a patient's"


def test_rule_reports_tell_nothing_of_our_machine(client: Client) -> None:
    """Card, section 11: SVRL shows the server's file path unless it is blanked; locations begin at the data set."""
    for report in svrl(client.submit(sample(f"pretest-fail/{FAILS_RULES}")).reports):
        text = etree.tostring(report).decode()
        assert str(ROOT) not in text
        assert "/tmp" not in text
        assert {each.get("document", "") for each in report.iter(f"{RULES}active-pattern")} == {""}
        for each in report.iter(f"{RULES}failed-assert"):
            assert "EMSDataSet" in each.get("location", "").split("/")[1]
            assert "Envelope" not in each.get("location", "")


def test_a_rejected_file_changes_nothing_stored(gateway: Gateway, client: Client) -> None:
    """The must-fail files carry the UUID of a valid test case (card, section 5)."""
    client.submit(sample("pretest-full/2025-EMS-1-Overdose_v351.xml"))
    lookups = gateway.read(_reports)
    before = len(gateway.read(lambda tx: quarantine.open_items(tx, limit=1000)))
    for name in (FAILS_SCHEMA, FAILS_RULES):
        assert int(client.submit(sample(f"pretest-fail/{name}")).statusCode) < 0
    assert gateway.read(_reports) == lookups
    assert len(gateway.read(lambda tx: quarantine.open_items(tx, limit=1000))) == before + 2


def test_of_a_file_with_one_bad_record_the_others_are_imported(client: Client) -> None:
    """Code 6: "Partially successful import of a file, with [ERROR] level Schematron rule violation reported"."""
    root = sample(f"pretest-fail/{FAILS_RULES}")
    good = sample("pretest-full/2025-EMS-1-Overdose_v351.xml")
    bad_uuid = root.find(".//{*}PatientCareReport").get("UUID")  # type: ignore[union-attr]
    good_uuid = good.find(".//{*}PatientCareReport").get("UUID")  # type: ignore[union-attr]
    root.append(good.find("{*}Header"))  # type: ignore[arg-type]
    answer = client.submit(root)
    assert int(answer.statusCode) == 6
    lines = answer.reports.customReport[0].customReport[0].payloadOfXmlElement._value_1
    assert {each.get("name"): each.get("outcome") for each in lines}.items() >= {bad_uuid: "left out"}.items()
    assert good_uuid in {each.get("name") for each in lines}


def test_the_limit_and_what_a_wrong_sign_in_gets(client: Client) -> None:
    told = client.limit()
    assert (int(told.statusCode), told.limit) == (51, 100_000_000 // 1024)
    refused = client.submit(sample("pretest-national/2025-EMS-1-Overdose_v351.xml"), password="wrong")
    assert (int(refused.statusCode), refused.reports) == (-1, None)
    assert int(client.retrieve(refused.requestHandle).statusCode) == -1
    assert int(client.limit(organization="another").statusCode) == -3
    assert int(client.retrieve("never issued?").statusCode) == -42


def test_agency_demographics_are_taken(client: Client) -> None:
    file = demographics(agency(facility(), number="YF-A-012"))
    answer = client.submit(etree.fromstring(file), schema=62, username="larkfield")
    assert int(answer.statusCode) == 1
    assert int(client.retrieve(answer.requestHandle, username="larkfield").statusCode) == 1
    foreign = etree.fromstring(demographics(agency(facility(), number="YF-A-011")))
    assert int(client.submit(foreign, schema=62, username="larkfield").statusCode) == -3


def test_one_data_set_declared_to_be_the_other_is_invalid(client: Client) -> None:
    report = sample("pretest-full/2025-EMS-1-Overdose_v351.xml")
    assert int(client.submit(report, schema=62).statusCode) == -12
    about_us = etree.fromstring(demographics(agency()))
    assert int(client.submit(about_us, schema=61).statusCode) == -12


def test_a_version_without_a_registered_schema_is_judged_by_the_reader_and_says_so(client: Client) -> None:
    answer = client.submit(sample(f"pretest-fail/{FAILS_SCHEMA}"), version="3.4.0")
    assert int(answer.statusCode) == 1
    notes = next(each for each in answer.reports.customReport if each.reportType == "notes")
    told = [each.text for each in notes.customReport[0].payloadOfXmlElement._value_1]
    assert any("no XML Schema is registered" in each for each in told)


def test_a_foreign_client_understands_our_faults(gateway: Gateway) -> None:
    client = Client(gateway, str(OFFICIAL))
    with pytest.raises(zeep.exceptions.Fault) as caught:
        client.submit(_deep(300))
    assert caught.value.code == "soap:Client"
    assert "nested deeper" in caught.value.message


def _deep(levels: int) -> etree._Element:
    root = inner = etree.Element("a")
    for _ in range(levels):
        inner = etree.SubElement(inner, "a")
    return root


def test_bytes_sent_by_hand_get_the_same_codes(gateway: Gateway) -> None:
    """Whatever a client library makes of a file, the file itself is what is judged."""
    for path in sorted(SAMPLES.glob("pretest-*/*.xml")):
        document = path.read_bytes()
        message = request(payload=data_set(document[: document.rindex(b">") + 1]))
        answer = httpx.post(gateway.doors["reports"], content=message, headers=headers(), timeout=60, trust_env=False)
        assert read_answer(answer).code == expected(path)


def test_no_person_and_no_password_stands_in_the_log(gateway: Gateway, client: Client) -> None:
    root = sample("pretest-full/2025-EMS-3-MVC_v351.xml")
    client.submit(root)
    people = {
        each.text
        for name in ("ePatient.02", "ePatient.03", "ePatient.17", "ePatient.01", "eOutcome.04")
        for each in root.iter(f"{{*}}{name}")
        if each.text
    }
    log = gateway.log()
    assert len(people) >= 3
    assert '"submission_settled"' in log
    assert [each for each in people if f'"{each}"' in log] == []
    assert PASSWORD not in log
    assert "Traceback" not in log


def _reports(tx: Any) -> list[Any]:
    return [(line.id, line.version) for line in reports.recent(tx, traffic=Traffic.LIVE, limit=1000)]
