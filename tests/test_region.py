"""The region file: what a right one becomes, and every mistake of a wrong one, each with its line."""

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import jsonschema_rs
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gateway.cli.region import region_schema
from gateway.documents import read_document
from gateway.errors import ConfigurationFault
from gateway.mapping.rules import Kind
from gateway.mapping_folders import read_mapping_folders, shipped
from gateway.records import Channel, Stage
from gateway.region import Region, read_region
from gateway.region_file import RegionFile
from gateway.region_mistakes import find_mistakes
from tests.regions import SMALL, faults_of
from tests.spoiling import Spoil, every_spoil, load, several, spoil

FIXTURES = Path(__file__).parent.parent / "fixtures"

Write = Callable[[str], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str) -> Path:
        path = tmp_path / "region.yaml"
        path.write_text(text, encoding="utf-8")
        return path

    return written


@pytest.fixture(scope="module")
def yarrowfen() -> Region:
    return read_region(FIXTURES / "region.yaml")


# ── a right one ────────────────────────────────────────────────────────────────────────────────────


def test_everything_of_the_file_is_there(yarrowfen: Region) -> None:
    """Compared with the file as another reader has it."""
    written = load((FIXTURES / "region.yaml").read_text(encoding="utf-8"))
    assert yarrowfen.name == written["name"]
    assert list(yarrowfen.organisations) == [each["id"] for each in written["organisations"]]
    assert list(yarrowfen.feeds) == [each["name"] for each in written["feeds"]]
    assert list(yarrowfen.subscriptions) == [each["name"] for each in written["subscriptions"]]
    assert [each.name for each in yarrowfen.schemes] == [each["name"] for each in written["schemes"]]


def test_a_feed_knows_what_its_messages_need(yarrowfen: Region) -> None:
    source = yarrowfen.feeds["anvil-head-adt"].source
    assert source.zone == ZoneInfo("America/Chicago")
    assert source.facilities == {"AH01": "anvil-head", "SO01": "saint-orla", "BM01": "brackwater", "FC01": "fenwick"}
    assert "DOE" in source.placeholders
    assert source.authorities[-1].system == yarrowfen.schemes[0].system
    assert yarrowfen.feeds["larkfield-reports"].source.agency_numbers == {"YF-A-012"}
    assert source.agency_numbers == frozenset()


def test_an_admission_feed_is_told_by_its_sender(yarrowfen: Region) -> None:
    def named(application: str, facility: str) -> str | None:
        feed = yarrowfen.find_admission_feed(application, facility)
        return feed.name if feed else None

    assert named("AHREG", "AHMC") == "anvil-head-adt"
    assert named("EDTRACK", "AHMC") == "anvil-head-ed"
    assert named("AHREG", "SOH") is None
    assert named("", "") is None


def test_the_closest_description_of_a_sender_wins(write: Write) -> None:
    feed = "  - {{name: {}, organisation: fenwick, kind: admissions, mapping: band-in-pid3, sender: {{{}}}}}\n"
    text = (
        SMALL + "feeds:\n" + feed.format("all", "facility: FWC") + feed.format("one", "facility: FWC, application: ED")
    )
    region = read_region(write(text))
    assert [getattr(region.find_admission_feed(a, "FWC"), "name", None) for a in ("ED", "X")] == ["one", "all"]
    assert region.find_admission_feed("ED", "X") is None


def test_a_token_opens_its_own_feed_and_only_for_its_kind(yarrowfen: Region) -> None:
    found = yarrowfen.find_feed_by_token("demo-skerry-reports", Kind.CARE_REPORTS)
    assert found is not None
    assert found.name == "skerry-reports"
    assert yarrowfen.find_feed_by_token("demo-skerry-reports", Kind.ADMISSIONS) is None
    assert yarrowfen.find_feed_by_token("demo-skerry-report", Kind.CARE_REPORTS) is None
    assert yarrowfen.find_feed_by_token("", Kind.CARE_REPORTS) is None


def test_settings_reach_the_rules_of_linking(write: Write) -> None:
    rules = read_region(write(SMALL + "settings: {episode_hours: 12, age_years_apart: 3, two_identifiers: no}\n")).rules
    assert (rules.episode, rules.age_years, rules.two_identifiers) == (timedelta(hours=12), 3, False)


def test_a_feed_is_on_trial_unless_it_is_said_to_be_live(write: Write) -> None:
    feed = "feeds: [{name: f, organisation: larkfield, kind: care-reports, mapping: band-in-narrative, "
    assert read_region(write(SMALL + feed + "time_zone: America/Denver}]")).feeds["f"].source.trial
    live = read_region(write(SMALL + feed + "time_zone: America/Denver, stage: live}]")).feeds["f"].source
    assert (live.trial, live.zone) == (False, ZoneInfo("America/Denver"))


def test_a_folder_of_a_feed_begins_where_the_region_file_lies(write: Write) -> None:
    feed = "feeds: [{name: f, organisation: larkfield, kind: care-reports, mapping: band-in-narrative, "
    path = write(SMALL + feed + "folder: exports/larkfield}]")
    assert read_region(path).feeds["f"].folder == path.parent / "exports" / "larkfield"
    assert read_region(write(SMALL + feed + "folder: /srv/exports}]")).feeds["f"].folder == Path("/srv/exports")
    assert read_region(write(SMALL + feed + "stage: live}]")).feeds["f"].folder is None


def test_a_folder_tells_the_messages_of_an_admission_feed_apart(write: Write) -> None:
    feed = "feeds: [{name: f, organisation: fenwick, kind: admissions, mapping: band-in-note, folder: drop}]"
    assert read_region(write(SMALL + feed)).find_admission_feed("ANY", "ANY") is None


def test_the_stage_of_a_feed_may_change_while_it_is_served(write: Write) -> None:
    feed = "feeds: [{name: f, organisation: larkfield, kind: care-reports, mapping: band-in-narrative}]"
    region = read_region(write(SMALL + feed))
    region.set_stage("f", Stage.LIVE)
    assert (region.feeds["f"].stage, region.feeds["f"].source.trial) == (Stage.LIVE, False)
    region.set_stage("f", Stage.TRIAL)
    assert (region.feeds["f"].stage, region.feeds["f"].source.trial) == (Stage.TRIAL, True)


def test_a_mapping_of_the_regions_own_folder_goes_before_the_shipped_one(write: Write, tmp_path: Path) -> None:
    (tmp_path / "mappings").mkdir()
    own = "mapping: band-in-note\nkind: admissions\nabout: Ours.\nbase: hl7v2\nband:\n  - {at: ZZZ-1, how: custom}\n"
    (tmp_path / "mappings" / "band-in-note.yaml").write_text(own)
    feed = "feeds: [{name: f, organisation: fenwick, kind: admissions, mapping: band-in-note, sender: {facility: F}}]"
    assert read_region(write(SMALL + feed)).feeds["f"].mapping == "band-in-note"


def test_a_header_keeps_where_its_secret_stands_and_not_the_secret(write: Write) -> None:
    text = SMALL + (
        "allowed_hosts: [fenwick.example]\nsubscriptions: [{name: s, organisation: fenwick, topic: records-linked, "
        "channel: fhir-rest-hook, endpoint: 'https://fenwick.example/in', header: {name: X-Key, from: env:KEY}}]\n"
    )
    told = read_region(write(text)).subscriptions["s"]
    assert told.header == ("X-Key", "env:KEY")
    assert told.channel is Channel.FHIR_REST_HOOK


# ── wrong ones ─────────────────────────────────────────────────────────────────────────────────────

MISSHAPEN = """\
nmae: Yarrowfen
time_zone: 5
address: 127.0.0.1:8080
schemes:
  - name: yarrowfen
    system: 2.16.840.1
    namespace: [YFBAND]
    alphabet: 0123456789
    length: nine
    groops: [3, 3, 3]
organisations:
  - {id: Harrow Point, kind: agency, name: Harrow Point Ambulance}
  - {id: fenwick, kind: hospital, name: Fenwick Children's}
  - {id: skerry, kind: agency, name: Skerry, nemsis_state: 03}
  - {id: tidewater, kind: agency}
feeds:
  - name: larkfield-reports
    organisation: larkfield
    kind: care-report
    maping: band-as-patient-id
    stage: prod
    token_sha256: demo
    authorities: {namespace: LF}
  - {name: fenwick-adt, organisation: fenwick, kind: admissions, mapping: x, sender: {aplication: FW}}
subscriptions:
  - {name: one, organisation: fenwick, topic: linked, channel: rest-hook, endpoint: x, header: {name: A, from: b}}
allowed_hosts: "127.0.0.1"
placeholders: DOE
settings: {idle_second: 9, connections_in_all: many}
"""


def test_every_mistake_of_form_is_told_at_once_with_its_line(write: Write) -> None:
    told = faults_of(write(MISSHAPEN))
    assert [fault.partition(": ")[0] + " " + fault.split(": ")[1] for fault in told] == [
        "region.yaml:1 nmae",
        "region.yaml:2 time_zone",
        "region.yaml:3 address",
        "region.yaml:5 schemes[0].universal_id",
        "region.yaml:6 schemes[0].system",
        "region.yaml:7 schemes[0].namespace",
        "region.yaml:8 schemes[0].alphabet",
        "region.yaml:9 schemes[0].length",
        "region.yaml:10 schemes[0].groops",
        "region.yaml:12 organisations[0].id",
        "region.yaml:13 organisations[1].kind",
        "region.yaml:14 organisations[2].nemsis_state",
        "region.yaml:15 organisations[3].name",
        "region.yaml:19 feeds[0].kind",
        "region.yaml:20 feeds[0].maping",
        "region.yaml:21 feeds[0].stage",
        "region.yaml:22 feeds[0].token_sha256",
        "region.yaml:23 feeds[0].authorities",
        "region.yaml:24 feeds[1].sender.aplication",
        "region.yaml:24 feeds[1].mapping",
        "region.yaml:26 subscriptions[0].topic",
        "region.yaml:26 subscriptions[0].channel",
        "region.yaml:26 subscriptions[0].header.from",
        "region.yaml:27 allowed_hosts",
        "region.yaml:28 placeholders",
        "region.yaml:29 settings.idle_second",
        "region.yaml:29 settings.connections_in_all",
    ]
    together = "\n".join(told)
    for remedy in (
        "did you mean name?",
        "did you mean groups?",
        "did you mean care-reports?",
        "did you mean mapping?",
        "did you mean application?",
        "did you mean fhir-rest-hook?",
        "did you mean records-linked?",
        "did you mean idle_seconds?",
        "one of: agency, facility",
        "one of: live, trial",
        "put it in quotes",
        "write it as in harrow-point",
        "write it as in env:",
    ):
        assert remedy in together


def test_a_broken_mapping_is_told_once_and_not_called_missing(write: Write, tmp_path: Path) -> None:
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "ours.yaml").write_text("mapping: ours\nkind: admissions\nabot: x\n")
    feed = "feeds: [{name: f, organisation: fenwick, kind: admissions, mapping: ours, sender: {facility: F}}]"
    told = faults_of(write(SMALL + feed))
    assert told == ["mappings/ours.yaml:3: abot: unknown key: did you mean about?"]
    assert len(faults_of(write(SMALL + feed + "\nallowed_host: []\n"))) == 2


def test_faults_of_mappings_are_told_beside_what_is_no_yaml(write: Write, tmp_path: Path) -> None:
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "ours.yaml").write_text("mapping: ours\nkind: admissions\nabot: x\n")
    assert [fault.split(": ")[0] for fault in faults_of(write("name: [a"))] == [
        "region.yaml:1",
        "mappings/ours.yaml:3",
    ]


def test_a_file_that_cannot_be_read_is_told_in_one_line_with_a_remedy(tmp_path: Path) -> None:
    (tmp_path / "region.yaml").write_bytes(b"name: \xe9\n")
    (tmp_path / "mappings").mkdir()
    (tmp_path / "mappings" / "ours.yaml").write_text("mapping: [")
    assert faults_of(tmp_path / "region.yaml") == ["region.yaml:1: not UTF-8 text: save the file as UTF-8"]
    assert faults_of(tmp_path / "nothing.yaml") == [
        "nothing.yaml: there is no such file: check the name, and the folder it is looked for in"
    ]
    assert faults_of(tmp_path) == [f"{tmp_path.name}: a folder, not a file: name the file in it"]


def test_a_region_file_without_its_mappings_is_told_where_they_belong(write: Write, tmp_path: Path) -> None:
    told = faults_of(write("".join(LINES)))
    at = "".join(LINES).partition("mapping: anvil-head-ed")[0].count("\n") + 1
    assert told == [
        f"region.yaml:{at}: feeds[5].mapping: no mapping anvil-head-ed in mappings (there is no such folder) or "
        f"{shipped('mappings')}: bring the region's own mappings along to mappings"
    ]


LINES = (FIXTURES / "region.yaml").read_text(encoding="utf-8").splitlines(keepends=True)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, len(LINES) - 1), min_size=1, max_size=6), st.sampled_from(["", "x", "  ", "- ", ": "]))
def test_lines_lost_or_spoilt_are_a_region_or_faults(tmp_path: Path, spoilt: list[int], by: str) -> None:
    text = "".join((by and by + line) if number in spoilt else line for number, line in enumerate(LINES))
    path = tmp_path / "region.yaml"
    path.write_text(text, encoding="utf-8")
    told = []
    try:
        read_region(path)
    except ConfigurationFault as error:
        told = [str(fault) for fault in error.faults]
    assert all(fault.startswith(str(tmp_path)) and "\n" not in fault for fault in told)


REGION = load("".join(LINES))


VALIDATOR = jsonschema_rs.Draft202012Validator(region_schema())
FOLDERS = read_mapping_folders([FIXTURES / "mappings", shipped("mappings")])


@settings(max_examples=40, deadline=None)
@given(several(every_spoil(REGION, region_schema())))
def test_every_mistake_is_told_in_one_round_once_and_with_its_line(spoils: list[Spoil]) -> None:
    """Up to eight at once; lines by the marks of ruamel.yaml, and refused by jsonschema-rs, a foreign validator."""
    spoilt = spoil(REGION, spoils)
    document = read_document(spoilt.text, RegionFile, file="region.yaml")
    faults = document.find_faults(find_mistakes(document.content, FOLDERS))
    told = sorted((fault.line, *re.findall(r"\w+", fault.path)[-1:]) for fault in faults)
    assert told == sorted((each.line, str(each.last)) for each in spoilt.made)
    assert not VALIDATOR.is_valid(spoilt.document)


# ── the published schema, by a validator that is not ours ──────────────────────────────────────────


def test_the_published_schema_takes_the_region() -> None:
    jsonschema_rs.Draft202012Validator(region_schema()).validate(load("".join(LINES)))
    jsonschema_rs.Draft202012Validator(region_schema()).validate(load(SMALL))


@pytest.mark.parametrize("line", range(len(LINES)))
def test_the_published_schema_refuses_every_misspelt_key(line: int) -> None:
    """Every key of the region, one at a time; free names (what folds to what) are no keys of the form."""
    key, colon, _ = LINES[line].partition(": ")
    bare = key.strip(" -\n").rstrip(":")
    if not bare.isidentifier() or bare in {"fold"} or not (colon or LINES[line].rstrip().endswith(":")):
        return
    misspelt = LINES[line].replace(bare, bare + "x", 1)
    text = "".join([*LINES[:line], misspelt, *LINES[line + 1 :]])
    assert not jsonschema_rs.Draft202012Validator(region_schema()).is_valid(load(text))


@pytest.mark.parametrize("wrong", ["settings: {idle_second: 1}", "feeds: [{}]", "placeholders: DOE", "naem: x"])
def test_the_published_schema_refuses_what_the_reader_refuses(write: Write, wrong: str) -> None:
    validator = jsonschema_rs.Draft202012Validator(region_schema())
    assert not validator.is_valid(load(SMALL + wrong))
    assert faults_of(write(SMALL + wrong))


def test_the_examples_ship_with_the_gateway() -> None:
    assert (shipped("fixtures") / "region.yaml").is_file()
    assert (shipped("mappings") / "hl7v2.yaml").is_file()
