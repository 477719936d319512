"""What is wrong with a region file of the right form: every mistake at once, with its line, and no false one."""

import hashlib
from pathlib import Path

import pytest

from gateway.region import read_region
from tests.regions import PLACES, SCHEME, SMALL, faults_of


def told(folder: Path, text: str) -> list[str]:
    path = folder / "region.yaml"
    path.write_text(text, encoding="utf-8")
    return faults_of(path)


def places(faults: list[str]) -> list[str]:
    """Line and path of each fault."""
    return [fault.partition(": ")[0].removeprefix("region.yaml:") + " " + fault.split(": ")[1] for fault in faults]


UNFITTING = """\
name: Yarrowfen
time_zone: America/Yarrowfen
address: "http://127.0.0.1:8080"
schemes:
  - name: yarrowfen
    system: "urn:oid:2.16.840.1.113883.19.77.1"
    namespace: YFBAND
    universal_id: "2.16.840.1.113883.19.77.2"
    prefix: yf
    training_prefix: YTT
    alphabet: "0123456789AAB"
    length: 9
    check: mod-x-3
organisations:
  - {id: larkfield, kind: agency, name: Larkfield Fire District, nemsis_number: YF-A-012}
  - {id: larkfield, kind: agency, name: Larkfield again, nemsis_number: YF-A-012}
  - {id: fenwick, kind: facility, name: Fenwick Children's, codes: [FC01]}
  - {id: saint-orla, kind: facility, name: Saint Orla, codes: [SO01, FC01]}
feeds:
  - {name: a, organisation: larkfeild, kind: care-reports, mapping: band-as-patient-id}
  - {name: a, organisation: larkfield, kind: care-reports, mapping: band-in-pid3}
  - {name: b, organisation: fenwick, kind: admissions, mapping: band-in-pid4, sender: {facility: FWC}}
  - {name: c, organisation: fenwick, kind: admissions, mapping: band-in-pid3}
  - {name: d, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {facility: FWC}}
  - {name: e, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {facility: A}, charset: latin-99}
  - {name: f, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {facility: B}, time_zone: America}
subscriptions:
  - {name: s, organisation: fenwik, topic: records-linked, channel: fhir-rest-hook, endpoint: "https://a.example/x"}
  - {name: s, organisation: fenwick, topic: records-linked, channel: fhir-rest-hook, endpoint: "mllp://a.example:1"}
  - {name: t, organisation: fenwick, topic: records-linked, channel: fhir-rest-hook, endpoint: "https://b.example/x"}
  - {name: u, organisation: fenwick, topic: records-linked, channel: fhir-rest-hook, endpoint: "http://a.example/x"}
  - {name: v, organisation: fenwick, topic: records-linked, channel: hl7v2-mllp, endpoint: "mllp://a.example:x"}
  - {name: w, organisation: fenwick, topic: records-linked, channel: hl7v2-mllp, endpoint: "mllp://[:", version: "2.2"}
allowed_hosts: [a.example]
"""


def test_every_mistake_of_meaning_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    faults = told(tmp_path, UNFITTING)
    assert places(faults) == [
        "2 time_zone",
        "6 schemes[0].system",
        "9 schemes[0].prefix",
        "10 schemes[0].training_prefix",
        "11 schemes[0].alphabet",
        "13 schemes[0].check",
        "16 organisations[1].id",
        "16 organisations[1].nemsis_number",
        "18 organisations[3].codes[1]",
        "20 feeds[0].organisation",
        "21 feeds[1].name",
        "21 feeds[1].mapping",
        "22 feeds[2].mapping",
        "23 feeds[3]",
        "24 feeds[4].sender",
        "25 feeds[5].charset",
        "26 feeds[6].time_zone",
        "28 subscriptions[0].organisation",
        "29 subscriptions[1].name",
        "29 subscriptions[1].endpoint",
        "30 subscriptions[2].endpoint",
        "31 subscriptions[3].endpoint",
        "32 subscriptions[4].endpoint",
        "33 subscriptions[5].endpoint",
        "33 subscriptions[5].version",
    ]
    together = "\n".join(faults)
    for remedy in ("did you mean larkfield?", "did you mean fenwick?", "did you mean band-in-pid3?", "use https"):
        assert remedy in together


def test_two_feeds_never_share_a_token(tmp_path: Path) -> None:
    digest = hashlib.sha256(b"x").hexdigest()
    what = f"organisation: larkfield, kind: care-reports, mapping: band-in-narrative, token_sha256: {digest}"
    (fault,) = told(tmp_path, SMALL + f"feeds:\n  - {{name: a, {what}}}\n  - {{name: b, {what}}}\n")
    assert fault.startswith("region.yaml:18: feeds[1].token_sha256: another feed has this token")
    assert digest not in fault


# ── beside mistakes of form ────────────────────────────────────────────────────────────────────────


def test_a_mistake_of_form_in_one_feed_hides_nothing_of_it_or_another(tmp_path: Path) -> None:
    feeds = """\
feeds:
  - {name: a, organisation: fenwik, kind: admision, maping: band-in-pid4, sendr: {facility: FWC}, charset: latin-99}
  - {organisation: larkfild, kind: care-reports, mapping: 5, time_zone: America}
  - {name: c, organisation: fenwick, kind: admissions, mapping: zzzzzz, sender: {facility: FWC}}
  - 7
"""
    assert places(told(tmp_path, SMALL + feeds)) == [
        "17 feeds[0].maping",
        "17 feeds[0].sendr",
        "17 feeds[0].kind",
        "17 feeds[0].organisation",
        "17 feeds[0].charset",
        "17 feeds[0].mapping",
        "18 feeds[1].name",
        "18 feeds[1].mapping",
        "18 feeds[1].organisation",
        "18 feeds[1].time_zone",
        "19 feeds[2].sender",
        "19 feeds[2].mapping",
        "20 feeds[3]",
    ]


ONE_FEED = (
    "feeds:\n  - {name: f, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {facility: F}}\n"
)
ONE_SUBSCRIPTION = (
    "allowed_hosts: [a.example]\nsubscriptions:\n  - {name: s, organisation: fenwick, topic: records-linked, "
    'channel: fhir-rest-hook, endpoint: "https://a.example"}\n'
)


@pytest.mark.parametrize(
    ("right", "wrong", "place"),
    [
        ("{id: fenwick, ", "{", "15 organisations[1].id"),
        ("{id: fenwick, ", "{id: [fenwick], ", "15 organisations[1].id"),
        ("kind: admissions, ", "", "17 feeds[0].kind"),
        ("kind: admissions", "kind: zzz", "17 feeds[0].kind"),
        ("sender: {facility: F}", "sender: F", "17 feeds[0].sender"),
        ("sender: {facility: F}", "token_sha256: F", "17 feeds[0].token_sha256"),
        ("[a.example]", "a.example", "18 allowed_hosts"),
        ("[a.example]", "[{a: example}]", "18 allowed_hosts[0]"),
        ("channel: fhir-rest-hook, ", "", "20 subscriptions[0].channel"),
        ("  prefix: YF\n", "  prefix: [YF]\n", "9 schemes[0].prefix"),
        ("alphabet: ", "alphabet: 7 #", "10 schemes[0].alphabet"),
        ("length: 9", "length: nine", "11 schemes[0].length"),
        ("check: mod-x-2", "check: 2", "12 schemes[0].check"),
        ("universal_id: ", "universal_id: 7 #", "8 schemes[0].universal_id"),
        ("length: 9", "length: 9\n    fold: {O: [0]}", "12 schemes[0].fold.O"),
        ("length: 9", "length: 9\n    groups: [x, 3]", "12 schemes[0].groups[0]"),
        (SCHEME, "schemes: 7\n", "4 schemes"),
        (PLACES, "organisations: 7\n", "13 organisations"),
    ],
)
def test_nothing_is_concluded_from_what_could_not_be_read(tmp_path: Path, right: str, wrong: str, place: str) -> None:
    """Each of these is something that others hang on: an id, a kind, the hosts, a part of the scheme."""
    assert places(told(tmp_path, (SMALL + ONE_FEED + ONE_SUBSCRIPTION).replace(right, wrong, 1))) == [place]


def test_two_senders_of_which_one_is_unread_are_not_the_same(tmp_path: Path) -> None:
    feed = "  - {{name: {}, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {{{}}}}}\n"
    text = SMALL + "feeds:\n" + feed.format("a", "facility: [A]") + feed.format("b", "facility: [B]")
    assert places(told(tmp_path, text)) == ["17 feeds[0].sender.facility", "18 feeds[1].sender.facility"]


# ── a mapping that does not fit its feed ───────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("kind", "mapping", "other"),
    [("care-reports", "band-in-pid3", "admissions"), ("admissions", "band-as-patient-id", "care-reports")],
)
def test_a_mapping_of_the_other_kind_is_told_once(tmp_path: Path, kind: str, mapping: str, other: str) -> None:
    feed = f"feeds:\n  - {{name: f, organisation: fenwick, kind: {kind}, mapping: {mapping}}}\n"
    assert told(tmp_path, SMALL + feed) == [
        f"region.yaml:17: feeds[0].mapping: this mapping reads {other}, and the feed is of kind {kind}: "
        f"name a mapping of {kind}, or write kind: {other}"
    ]


def test_a_broken_mapping_of_the_other_kind_is_told_with_its_own_mistakes(tmp_path: Path) -> None:
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "ours.yaml").write_text("mapping: ours\nkind: admissions\nabot: x\nvalues: {a: PID-3}\n")
    feed = "feeds:\n  - {name: f, organisation: fenwick, kind: care-reports, mapping: ours}\n"
    assert [fault.split(": ")[0] for fault in told(tmp_path, SMALL + feed)] == [
        "region.yaml:17",
        "mappings/ours.yaml:3",
        "mappings/ours.yaml:4",
    ]


# ── listeners and client certificates ──────────────────────────────────────────────────────────────

FEEDS = """\
feeds:
  - {name: reports, organisation: larkfield, kind: care-reports, mapping: band-in-narrative}
  - {name: adt, organisation: fenwick, kind: admissions, mapping: band-in-pid3}
  - {name: ed, organisation: fenwick, kind: admissions, mapping: band-in-pid3, client_certificates: [{name: a.example}]}
"""


def test_a_feed_may_be_told_by_its_port_or_its_certificate_alone(tmp_path: Path) -> None:
    tls = "tls: {certificate: server.pem, client_issuers: issuers.pem}"
    path = tmp_path / "region.yaml"
    path.write_text(
        f"{SMALL}{FEEDS}listeners:\n  - {{name: a, port: 2576, feed: adt}}\n  - {{name: b, port: 0, {tls}}}\n"
    )
    assert [feed.sender for feed in read_region(path).feeds.values()] == [None, None, None]


def test_every_mistake_of_listeners_and_certificates_is_told(tmp_path: Path) -> None:
    faults = told(
        tmp_path,
        SMALL
        + FEEDS.replace("care-reports, mapping", "care-reports, client_certificates: [{name: x}], mapping")
        + "listeners:\n"
        + "  - {name: a, port: 2576, feed: reports}\n"
        + "  - {name: a, port: 2576, feed: adtt}\n",
    )
    assert places(faults) == [
        "17 feeds[0].client_certificates",
        "18 feeds[1]",
        "19 feeds[2].client_certificates",
        "21 listeners[0].feed",
        "22 listeners[1].name",
        "22 listeners[1].port",
        "22 listeners[1].feed",
    ]
    for words in ("use token_sha256", "no listener asks", "name a feed of admissions", "did you mean adt?"):
        assert words in "\n".join(faults)


def test_a_certificate_is_named_in_one_way(tmp_path: Path) -> None:
    digest = "ab" * 32
    for marks in ("{}", f"{{name: a, sha256: {digest}}}"):
        faults = told(tmp_path, SMALL + FEEDS.replace("{name: a.example}", marks))
        assert any("one of name and sha256 is wanted" in fault for fault in faults), marks


def test_nothing_is_concluded_from_listeners_that_could_not_be_read(tmp_path: Path) -> None:
    listeners = "listeners:\n  - {name: a, port: x, feed: [adt]}\n  - {name: b, port: 1, tls: 7}\n"
    assert [fault.split(": ")[1] for fault in told(tmp_path, SMALL + FEEDS + listeners)] == [
        "listeners[0].port",
        "listeners[0].feed",
        "listeners[1].tls",
    ]


def test_two_feeds_of_one_folder_are_told_however_it_is_spelt(tmp_path: Path) -> None:
    feed = "{{name: {0}, organisation: larkfield, kind: care-reports, mapping: band-in-narrative, folder: {1}}}"
    feeds = ", ".join(feed.format(*each) for each in (("a", "drop"), ("b", "./drop/"), ("c", "other")))
    (fault,) = told(tmp_path, f"{SMALL}feeds: [{feeds}]\n")
    assert "feeds[1].folder: another feed has this folder: give each feed a folder of its own" in fault


HASH = "$argon2id$v=19$m=8,t=1,p=1$c2FsdHNhbHRzYWx0$aGFzaGhhc2hoYXNoaGFzaGhhc2g"
ACCOUNT = f'service: {{username: larkfield, password_hash: "{HASH}", organization: LFD}}'


def test_accounts_of_the_report_web_service(tmp_path: Path) -> None:
    """NEMSIS V3 core WSDL: username and organization have 1 to 100 characters; the hash is Argon2id (RFC 9106)."""
    feeds = f"""feeds:
  - {{name: a, organisation: larkfield, kind: care-reports, mapping: band-as-patient-id, {ACCOUNT}}}
  - {{name: b, organisation: larkfield, kind: care-reports, mapping: band-as-patient-id, {ACCOUNT}}}
  - {{name: c, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {{facility: F}},
     {ACCOUNT.replace("larkfield", "fenwick")}}}
  - {{name: d, organisation: larkfield, kind: care-reports, mapping: band-as-patient-id,
     {ACCOUNT.replace("larkfield", "d").replace("$v=19", "")}}}
  - {{name: e, organisation: larkfield, kind: care-reports, mapping: band-as-patient-id,
     {ACCOUNT.replace("larkfield", "e").replace("LFD", "x" * 101)[:-1]}, operations: [SubmitDatta]}}}}
"""
    faults = told(tmp_path, SMALL + feeds)
    said = {fault.split(": ", 1)[1].split(": ")[0]: fault for fault in faults}
    assert "another feed has this user name" in said["feeds[1].service.username"]
    assert "only care reports come by the report web service" in said["feeds[2].service"]
    assert "$argon2id$" in said["feeds[3].service.password_hash"]
    assert "feeds[4].service.organization" in said
    assert "SubmitData" in said["feeds[4].service.operations[0]"]
    assert len(faults) == 5
    assert not any(HASH in fault for fault in faults)


def test_an_account_is_found_by_its_user_name(tmp_path: Path) -> None:
    feed = f"{{name: a, organisation: larkfield, kind: care-reports, mapping: band-as-patient-id, {ACCOUNT}}}"
    (tmp_path / "region.yaml").write_text(f"{SMALL}feeds: [{feed}]\n", encoding="utf-8")
    region = read_region(tmp_path / "region.yaml")
    found = region.find_feed_by_account("larkfield")
    assert found is not None
    assert found.service is not None
    assert (found.name, list(found.service.operations)) == ("a", ["SubmitData", "RetrieveStatus", "QueryLimit"])
    assert region.find_feed_by_account("") is None
