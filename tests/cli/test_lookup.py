"""`bandgate lookup`: what is known under a band, from a gateway's folder or from a running gateway."""

import asyncio
import base64
import json
from datetime import UTC, datetime
from io import BytesIO
from itertools import count
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from gateway.intake import Intake
from gateway.keeping import Keeping
from gateway.region import read_region
from gateway.store.database import Database
from tests.cli.conftest import FIXTURES, REGION, Bandgate
from tests.cli.people import said_of, secrets_of
from tests.fixtures.committed import order, read_yaml
from tests.receivers import http_receiver

NOW = datetime(2026, 3, 15, 9, 0, tzinfo=UTC)
FEEDS = {Path(row["file"]).name: row["feed"] for row in order()}
CASES = {case["id"]: case for case in read_yaml("expected.yaml")["cases"]}

#: What the outside may rely on, as a schema; more keys may stand beside these.
REVIEWS = {"type": "array", "items": {"type": "object"}}
RECORD = {
    "type": "object",
    "required": ["kind", "organisation", "id", "when", "link"],
    "properties": {
        "kind": {"enum": ["care-report", "visit"]},
        "when": {"type": ["string", "null"]},
        "link": {"type": "object", "required": ["state", "reasons"], "properties": {"reasons": {"type": "array"}}},
    },
}
EPISODE = {
    "type": "object",
    "required": ["id", "state", "bands", "records", "reviews"],
    "properties": {
        "bands": {"type": "array", "minItems": 1, "items": {"type": "string"}},
        "records": {"type": "array", "items": RECORD},
        "reviews": REVIEWS,
    },
}
ANSWER = jsonschema_rs.Draft202012Validator(
    {
        "type": "object",
        "required": ["band", "episode"],
        "properties": {
            "band": {
                "type": "object",
                "required": ["given", "canonical"],
                "properties": {"canonical": {"type": ["string", "null"]}},
            },
            "episode": {"anyOf": [{"type": "null"}, EPISODE]},
        },
    }
)


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a gateway that has taken three runs of the day."""
    folder = tmp_path_factory.mktemp("data")
    region = read_region(REGION)
    ids = count(1)
    url = f"sqlite:///{folder / 'gateway.db'}"
    with Database.open(url, key_file=folder / "gateway.key", now=NOW) as database:
        intake = Intake(region, Keeping(region, database, lambda: f"id-{next(ids)}"), clock=lambda: NOW)
        for case in ("chest-pain-1", "stroke-1", "narrative-only", "exercise"):
            for file in CASES[case]["files"]:
                asyncio.run(_take(intake, FIXTURES / file))
    return folder


async def _take(intake: Intake, path: Path) -> None:
    if path.suffix == ".hl7":
        assert b"|AA|" in await intake.admission(path.read_bytes(), door="admissions")
    else:
        feed = intake.region.feeds[FEEDS[path.name]]
        await intake.care_reports(BytesIO(path.read_bytes()), feed, door="reports")


def band_of(case: str) -> str:
    return str(CASES[case]["becomes"]["episodes"][0]["bands"][0])


@pytest.fixture
def lookup(bandgate: Bandgate, data: Path) -> Any:
    def looked_up(band: str, status: int) -> dict[str, Any]:
        said = bandgate("lookup", band, "--data", data, "--region", REGION, "--json")
        assert (said.status, said.faults) == (status, [])
        document: dict[str, Any] = said.document
        ANSWER.validate(document)
        return document

    return looked_up


@pytest.mark.parametrize("case", ["chest-pain-1", "stroke-1"])
def test_the_episode_of_a_band_is_what_was_expected(lookup: Any, case: str) -> None:
    expected = CASES[case]["becomes"]["episodes"][0]
    episode = lookup(band_of(case), status=0)["episode"]
    assert episode["bands"] == expected["bands"]
    told = {(each["kind"], each["organisation"], each["id"]): each["link"] for each in episode["records"]}
    for record in expected["records"]:
        (link,) = [
            told[key] for key in told if key[:2] == (record["kind"], record["organisation"]) and record["id"] in key[2]
        ]
        assert (link["state"], link["confirmed"]) == (record["link"], record["confirmed"])
        assert all(reason["says"] for reason in link["reasons"])
    assert len(told) == len(expected["records"])


@pytest.mark.parametrize("form", ["{}", " {} ", "lower", "grouped"])
def test_a_band_may_be_given_as_printed_scanned_or_typed(lookup: Any, form: str) -> None:
    band = band_of("stroke-1")
    given = {"lower": band.lower(), "grouped": f"{band[:3]} {band[3:6]} {band[6:]}"}.get(form) or form.format(band)
    document = lookup(given, status=0)
    assert document["band"]["canonical"] == band
    assert document["band"]["given"] == given


def test_an_unknown_band_is_1_and_null(lookup: Any) -> None:
    document = lookup("YF7K4M2QG", status=1)
    assert document["band"]["canonical"] == "YF7K4M2QG"
    assert document["episode"] is None


@pytest.mark.parametrize("given", ["YF7K4M2QH", "hello", "", "%", "\N{GREEK CAPITAL LETTER PSI}", "Y" * 500])
def test_what_is_no_band_is_2_and_null(lookup: Any, given: str) -> None:
    """A slip of the finger must not look like a patient of whom nothing is known."""
    document = lookup(given, status=2)
    assert (document["band"]["canonical"], document["episode"]) == (None, None)
    assert document["band"]["message"]
    assert document["band"]["remedy"].startswith("a band looks like YT0 123 45")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("YF7K4M2QH", "the check character does not fit"),
        ("7K4M2QG", "it does not begin with YF or YT"),
        ("YF7 K4M", "6 characters where a band has 9"),
        ("YF7-K4U-2QG", "character 6, not counting separators, can stand in no band"),
    ],
)
def test_one_line_says_what_is_wrong_and_what_a_band_looks_like(
    bandgate: Bandgate, data: Path, given: str, says: str
) -> None:
    said = bandgate("lookup", given, "--data", data, "--region", REGION)
    assert (said.status, said.out) == (2, "")
    (fault,) = said.faults
    assert fault.startswith(f"BAND: no band identifier: {says}")
    assert "a band looks like YT0 123 45" in fault
    assert "live ones begin with YF" in fault
    assert given not in said.err


def test_training_is_never_shown_beside_live_data(lookup: Any) -> None:
    assert lookup(band_of("exercise"), status=1)["episode"] is None


def test_training_is_pointed_to_and_shown_when_it_is_asked_for(bandgate: Bandgate, data: Path) -> None:
    where = (band_of("exercise"), "--data", data, "--region", REGION)
    pointed = bandgate("lookup", *where)
    assert "in test traffic" in pointed.out
    assert "--test-traffic shows it" in pointed.out
    shown = bandgate("lookup", *where, "--test-traffic")
    assert (shown.status, "anvil-head" in shown.out) == (0, True), shown.out


def test_the_answer_names_records_and_nobody(bandgate: Bandgate, data: Path) -> None:
    files = [FIXTURES / file for case in ("chest-pain-1", "stroke-1") for file in CASES[case]["files"]]
    secrets = {secret for file in files for secret in secrets_of(file.read_bytes())}
    for case in ("chest-pain-1", "stroke-1"):
        for options in ([], ["--json"]):
            said = bandgate("lookup", band_of(case), "--data", data, "--region", REGION, *options)
            assert said_of(secrets, said.out + said.err) == set()


def test_a_person_reads_records_links_and_reasons(bandgate: Bandgate, data: Path) -> None:
    said = bandgate("lookup", band_of("chest-pain-1"), "--data", data, "--region", REGION)
    assert "linked, two identifiers agree: " in said.out
    assert "anvil-head" in said.out
    assert "harrow-point" in said.out


def test_looking_up_changes_nothing_in_the_folder(lookup: Any, data: Path) -> None:
    before = (data / "gateway.db").read_bytes()
    lookup(band_of("stroke-1"), status=0)
    assert (data / "gateway.db").read_bytes() == before


@pytest.mark.parametrize("spoil", ["garbage", "empty", "no-key", "other-key"])
def test_a_folder_that_cannot_be_read_is_told(bandgate: Bandgate, data: Path, tmp_path: Path, spoil: str) -> None:
    for path in data.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    if spoil in {"garbage", "empty"}:
        (tmp_path / "gateway.db").write_bytes(b"no database " * 1000 if spoil == "garbage" else b"")
    elif spoil == "no-key":
        (tmp_path / "gateway.key").unlink()
    else:
        (tmp_path / "gateway.key").write_bytes(b"no key\n")
    said = bandgate("lookup", "YF7K4M2QG", "--data", tmp_path, "--region", REGION, "--json")
    assert said.status in {2, 3}
    assert said.out == ""
    assert len(said.faults) == 1


# ── a running gateway ──────────────────────────────────────────────────────────────────────────────


UNKNOWN = {"band": {"given": "YF7K4M2QG", "canonical": "YF7K4M2QG", "printed": "YF7 K4M 2QG"}, "episode": None}
UNKNOWN |= {"traffic": "live", "known_elsewhere": False}


def test_the_band_stands_in_the_body_and_not_in_the_address(
    bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BANDGATE_PASSWORD", "gull-landing")
    with http_receiver(lambda _: (404, "application/json", json.dumps(UNKNOWN).encode())) as gateway:
        said = bandgate("lookup", "YF7K4M2QG", "--url", f"{gateway.address}/", "--json")
    assert (said.status, said.document) == (1, UNKNOWN)
    ((path, headers, body),) = gateway.requests
    assert (path, json.loads(body)) == ("/lookup", {"band": "YF7K4M2QG", "traffic": "live"})
    assert base64.b64decode(headers["authorization"].removeprefix("Basic ")) == b"coordinator:gull-landing"


@pytest.mark.parametrize("more", [{}, {"message": "6 characters where a band has 9", "remedy": "a band looks like X"}])
def test_a_gateway_says_what_is_wrong_with_a_band_as_far_as_it_knows(
    bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch, more: dict[str, str]
) -> None:
    monkeypatch.setenv("BANDGATE_PASSWORD", "gull-landing")
    answer = {"band": {"given": "YF7", "canonical": None, "fault": "band-pattern", **more}, "episode": None}
    with http_receiver(lambda _: (404, "application/json", json.dumps(answer).encode())) as gateway:
        said = bandgate("lookup", "YF7", "--url", gateway.address)
    told = ": ".join(more.values()) or "band-pattern"
    assert (said.status, said.faults) == (2, [f"BAND: no band identifier: {told}"])


@pytest.mark.parametrize(
    ("status", "body", "leaves", "told"),
    [
        (401, b"", 2, "wrong account or password"),
        (429, b"", 2, "try again later"),
        (500, b"oops", 3, "answered 500"),
        (302, b"", 3, "answered 302"),
        (200, b"<html>", 3, "no gateway answers here"),
        (200, b"[]", 3, "no gateway answers here"),
        (200, b"{}", 3, "no gateway answers here"),
        (404, b"not found", 3, "no gateway answers here"),
        (404, b'{"band": null, "episode": null}', 3, "no gateway answers here"),
        (404, b'{"band": {"canonical": "YF7K4M2QG"}, "episode": null}', 3, "of another version"),
    ],
)
def test_another_answer_is_a_line_and_a_status(  # noqa: PLR0917 - fixtures, and a row of the table
    bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch, status: int, body: bytes, leaves: int, told: str
) -> None:
    monkeypatch.setenv("BANDGATE_PASSWORD", "gull-landing")
    with http_receiver(lambda _: (status, "text/plain", body)) as gateway:
        said = bandgate("lookup", "YF7K4M2QG", "--url", gateway.address)
    assert (said.status, said.out) == (leaves, "")
    assert told in said.faults[0]
    assert "gull-landing" not in said.err


@pytest.mark.parametrize("url", ["gateway", "http://", "http://[::1", "ftp://gateway"])
def test_what_is_no_address_is_wrong_usage(bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch, url: str) -> None:
    monkeypatch.setenv("BANDGATE_PASSWORD", "x")
    said = bandgate("lookup", "YF7K4M2QG", "--url", url)
    assert said.status == 2
    assert len(said.faults) == 1


def test_without_a_password_nothing_is_sent(bandgate: Bandgate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BANDGATE_PASSWORD", raising=False)
    said = bandgate("lookup", "YF7K4M2QG", "--url", "http://127.0.0.1:1")
    assert said.status == 2
    assert "set BANDGATE_PASSWORD" in said.faults[0]
