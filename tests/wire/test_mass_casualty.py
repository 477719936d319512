"""The standard's own mass-casualty report and a published admission, linked and delivered over real sockets.

Outside: the NEMSIS v3.5.1 pre-test report of a mass-casualty crash with its schema, an ADT message of the public
corpus, python-hl7's MLLP client, httpx, the FHIR R4 schema. Only at run time do the two get one patient and a band;
what is read from the files is never written down here.
"""

import hashlib
import re
from pathlib import Path
from typing import Any

import hl7
import httpx
import orjson
import pytest
from hl7.client import MLLPClient

from gateway.records import Traffic
from tests.r4 import R4, check_history_bundle
from tests.receivers import http_receiver
from tests.wire.process import FIXTURES, Gateway, running, subscription
from tests.wire.waiting import until
from tests.working import edited, found_in

SHARED = FIXTURES.parents[1] / "shared"
SAMPLE = SHARED / "standards" / "nemsis" / "samples" / "pretest-full" / "2025-EMS-3-MVC_v351.xml"
SCHEMAS = SHARED / "standards" / "nemsis" / "xsd"
CORPUS = SHARED / "corpus" / "hl7" / "good"
BAND, BAND_SYSTEM = "YF7K4M2QG", "urn:oid:2.16.840.1.113883.19.77.1"
DISASTER_TAG = "4303001"  # NEMSIS v3.5.1, eOutcome.03
TOKEN = "for this test only"

pytestmark = pytest.mark.skipif(
    not (SAMPLE.is_file() and CORPUS.is_dir()),
    reason="the standard's samples and the corpus are not beside this checkout (../shared)",
)


def said(report: bytes, element: str) -> str:
    """The text of the first such element, cut out by hand."""
    found = re.search(rf"<{element}(?: [^>]*)?>([^<]+)<".encode(), report)
    assert found is not None, element
    return found.group(1).decode()


def banded() -> bytes:
    """The sample with one more outside identifier, as the mapping guide has it."""
    group = f"<eOutcome.03>{DISASTER_TAG}</eOutcome.03><eOutcome.04>{BAND}</eOutcome.04>"
    first = b"<eOutcome.ExternalDataGroup>"
    put = f"<eOutcome.ExternalDataGroup>{group}</eOutcome.ExternalDataGroup>".encode()
    return SAMPLE.read_bytes().replace(first, put + first, 1)


def admissions() -> list[Path]:
    """The admissions and registrations of the corpus that name a patient and a stay."""
    every = sorted([*CORPUS.glob("ADT_A01*"), *CORPUS.glob("ADT_A04*")], key=lambda path: path.stat().st_size)
    whole = [each for each in every if b"\rPID|" in each.read_bytes() and b"\rPV1|" in each.read_bytes()]
    return [whole[0], whole[-1]]


def readdressed(message: bytes, report: bytes) -> bytes:
    """The message as one of Anvil Head about the report's patient: who sends, who is meant, and when."""
    own, arrived = said(report, "eOutcome.04").encode(), said(report, "eOutcome.18")
    band = f"{BAND}^^^YFBAND&{BAND_SYSTEM.removeprefix('urn:oid:')}&ISO^PNT".encode()
    return edited(
        message,
        MSH_3=b"AHREG",
        MSH_4=b"AHMC",
        PID_3=own + b"^^^AHMC^MR~" + band,
        PID_5=f"{said(report, 'ePatient.02')}^{said(report, 'ePatient.03')}".encode(),
        PID_7=said(report, "ePatient.17").replace("-", "").encode(),
        PID_8=b"",
        PV1_44=re.sub(r"[-:T]", "", arrived[:19]).encode() + arrived[19:].replace(":", "").encode(),
    )


def with_the_samples_agency(hook: str, report: bytes) -> Any:
    """The invented region with the sample's agency, its destination as a code of Anvil Head, and one subscriber."""

    def change(region: dict[str, Any]) -> None:
        number, state = said(report, "dAgency.02"), said(report, "dAgency.04")
        agency = {"id": "pretest", "kind": "agency", "name": "Pre-test", "nemsis_number": number, "nemsis_state": state}
        region["organisations"].append(agency | {"system": "urn:oid:2.16.840.1.113883.19.77.99"})
        next(o for o in region["organisations"] if o["id"] == "anvil-head")["codes"] = [said(report, "eDisposition.02")]
        feed = {"name": "pretest-reports", "organisation": "pretest", "kind": "care-reports", "stage": "live"}
        digest = hashlib.sha256(TOKEN.encode()).hexdigest()
        region["feeds"].append(feed | {"mapping": "band-as-disaster-tag", "token_sha256": digest})
        region["subscriptions"] = [subscription("by-fhir", "anvil-head", hook)]

    return change


def post(gateway: Gateway, report: bytes) -> httpx.Response:
    headers = {"Authorization": f"Bearer {TOKEN}", "Content-Type": "application/xml"}
    return httpx.post(f"{gateway.web}/care-reports", content=report, headers=headers, timeout=30, trust_env=False)


def of_type(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


@pytest.mark.parametrize("which", [0, -1], ids=["shortest", "longest"])
def test_a_mass_casualty_report_and_an_admission_become_one_linked_record(tmp_path: Path, r4: R4, which: int) -> None:
    report = banded()
    message = readdressed(admissions()[which].read_bytes(), SAMPLE.read_bytes())
    with http_receiver() as receiver:
        change = with_the_samples_agency(f"{receiver.address}/hook", report)
        with running(tmp_path, change, arguments=("--schemas", str(SCHEMAS))) as gateway:
            taken = post(gateway, report)
            assert taken.status_code == 200, [each["details"]["text"] for each in taken.json()["issue"]]
            with MLLPClient(*gateway.mllp) as client:
                answer = hl7.parse(client.send_message(message).strip(b"\x0b\x1c\r").decode() + "\r")
            assert str(answer.segment("MSA")[1]) in {"AA", "CA"}, "CA where the message asks for enhanced mode"
            until(lambda: bool(receiver.requests), "the notification")
            found = gateway.read(lambda tx: found_in(tx, Traffic.LIVE))
            log = gateway.log()
    ((bands, links),) = found.episodes.items()
    assert bands == (BAND,)
    assert {kind for kind, _, _ in links} == {"care-report", "visit"}
    assert set(links.values()) == {("linked", True)}
    assert found.reviews == []
    check_bundle(orjson.loads(receiver.requests[0][2]), r4, report)
    for secret in (BAND, said(report, "ePatient.02"), said(report, "ePatient.17")):
        assert secret not in log


def check_bundle(bundle: dict[str, Any], r4: R4, report: bytes) -> None:
    """What arrived says what the report says."""
    r4.check(bundle)
    check_history_bundle(bundle, "http://127.0.0.1:8080/fhir")
    (patient,) = of_type(bundle, "Patient")
    assert (BAND_SYSTEM, BAND) in {(i.get("system"), i["value"]) for i in patient["identifier"]}
    assert patient["name"][0]["family"] == said(report, "ePatient.02")
    (composition,) = of_type(bundle, "Composition")
    assert composition["identifier"]["value"].lower().endswith(uuid_of(report))
    drugs = len(re.findall(rb"<eMedications\.03 ", report)) + len(re.findall(rb"<eMedications\.03>", report))
    assert 0 < len(of_type(bundle, "MedicationAdministration")) <= drugs
    assert of_type(bundle, "Observation")
    assert of_type(bundle, "Provenance")


def uuid_of(report: bytes) -> str:
    found = re.search(rb'<PatientCareReport UUID="([^"]+)"', report)
    assert found is not None
    return found.group(1).decode().lower()
