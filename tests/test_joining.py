"""What a kept record does to its episode: through the whole intake, on both databases, with the invented day.

What each run must become stands in fixtures/expected.yaml, which is written without the gateway. The rules are
those of the trade, as the region's programme agreed on them (common practice, no source): the event's own time
decides and never the order of arrival; a band identifies only while it is worn; prose never makes a link.
"""

import itertools
import random
import re
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from gateway.linking.questions import SETTLED_BY_NEWER_DATA
from gateway.records import Episode, EpisodeState, LinkState, RecordKind, ReviewState, Traffic
from gateway.settings import Settings
from gateway.store import episodes, links, reviews, visits
from gateway.store.database import Database
from tests.store.samples import NOW
from tests.working import FIXTURES, House, cases, edited, expected, yarrowfen

DAY = FIXTURES / "day"
NEEDS_ORDER = {"second-band"}  # two bands of one patient meet only when somebody shows both: later work
MOST = 10  # permutations of a run that are tried


def fixture(name: str) -> bytes:
    (found,) = DAY.glob(f"*/{name}")
    return found.read_bytes()


def said(report: bytes, element: str) -> bytes:
    """The text of the first such element, cut by hand."""
    found = re.search(rf"<{element}(?: [^>]*)?>([^<]+)<".encode(), report)
    assert found is not None
    return found.group(1)


def uuid_of(name: str) -> str:
    found = re.search(rb'UUID="([^"]+)"', (FIXTURES / name).read_bytes())
    return found.group(1).decode() if found else ""


# ── every run, in any order ────────────────────────────────────────────────────────────────────────


def runs() -> list[str]:
    """The runs with two to five messages; of the plain ones, which are alike, one of each way."""
    chosen: dict[object, str] = {}
    for name, case in cases().items():
        ways = tuple(file.rpartition("-")[2] if "care" in file else file.split("-", 3)[3] for file in case["files"])
        alike = ways if case["about"].startswith("A plain run") or case.get("incident") else name
        if 2 <= len(case["files"]) <= 5 and name not in NEEDS_ORDER:
            chosen.setdefault(alike, name)
    return list(chosen.values())


def orders(name: str) -> Iterator[tuple[str, ...]]:
    """Orders of a run's messages, at most `MOST`: full exports of one report stay in theirs.

    NEMSIS v3 ("UUIDs") gives a report's versions neither number nor time: the one that comes last is the newest.
    """
    files = cases()[name]["files"]
    every = list(itertools.permutations(files))
    random.Random(name).shuffle(every)
    updates = [f for f in files if f.endswith(".xml") and name != "national-only"]
    same = [(a, b) for a, b in itertools.combinations(updates, 2) if uuid_of(a) == uuid_of(b)]
    fitting = (order for order in every if all(order.index(a) < order.index(b) for a, b in same))
    return itertools.islice(fitting, MOST)


@pytest.fixture(scope="module")
def one_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One SQLite store for all permutations, emptied before each."""
    folder = tmp_path_factory.mktemp("orders")
    with Database.open(f"sqlite:///{folder}/gateway.db", key_file=folder / "key", now=NOW) as opened:
        yield House(opened)


@pytest.mark.parametrize("name", runs())
def test_any_order_of_arrival_ends_in_the_same_links(one_house: House, name: str) -> None:
    case = cases()[name]
    for order in orders(name):
        one_house.empty()
        one_house.play(order)
        assert one_house.found(Traffic(case.get("traffic", "live"))) == expected(case), order


MIXED = (
    "doe",
    "two-in-one-report",
    "replaced-band",
    "contradiction",
    "band-on-two-patients",
    "note-only",
    "late-report",
)


def test_runs_that_arrive_all_at_once_do_not_disturb_each_other(house: House) -> None:
    files = [iter(cases()[name]["files"]) for name in MIXED]
    house.play(name for turn in itertools.zip_longest(*files) for name in turn if name)
    found = house.found()
    wanted = [expected(cases()[name]) for name in MIXED]
    assert found.episodes == {bands: links for each in wanted for bands, links in each.episodes.items()}
    assert found.reviews == sorted(question for each in wanted for question in each.reviews)


# ── which band, and since when ─────────────────────────────────────────────────────────────────────


def only_episode(house: House, band: str, traffic: Traffic = Traffic.LIVE) -> Episode:
    (episode,) = house.database.read(lambda tx: episodes.of_band(tx, band, traffic=traffic))
    return episode


@pytest.mark.parametrize("turned", [False, True])
def test_the_primary_band_is_the_one_that_was_seen_first_in_time(house: House, *, turned: bool) -> None:
    """Common practice, no source: the original identifier persists for the whole episode."""
    files = cases()["two-in-one-report"]["files"]
    house.play(files[::-1] if turned else files)
    assert only_episode(house, "YFMTFGVNY").bands == ("YF9X89FTX", "YFMTFGVNY")


@pytest.mark.parametrize("turned", [False, True])
def test_an_episode_begins_with_its_earliest_event(house: House, *, turned: bool) -> None:
    files = cases()["chest-pain-1"]["files"]
    house.play(files[::-1] if turned else files)
    contact = said((FIXTURES / files[0]).read_bytes(), "eTimes.07").decode()
    assert only_episode(house, "YFFPD2J2A").opened == datetime.fromisoformat(contact)


# ── time: a band is worn once, and later by somebody else ──────────────────────────────────────────

A04 = fixture("chest-pain-1-2-anvil-head-adt-a04.hl7")
REPORT = fixture("chest-pain-1-1-harrow-point.xml")
BAND = "YFFPD2J2A"
ADMITTED = datetime(2026, 3, 14, 0, 49, 19)  # noqa: DTZ001  as the message writes it, in the feed's zone


def admission(days: int, *, number: int = 1, bands: tuple[str, ...] = (BAND,)) -> bytes:
    """The admission of somebody else, so many days after the invented day."""
    at = (ADMITTED + timedelta(days=days)).strftime("%Y%m%d%H%M%S").encode()
    numbers = [b"%08d^^^AHMC^MR" % number, *(b.encode() + b"^^^YFBAND^PNT" for b in bands)]
    return edited(
        A04,
        MSH_7=at,
        MSH_10=b"LATE%04d" % (number * 1000 + days),
        EVN_2=at,
        EVN_6=at,
        PID_3=b"~".join(numbers),
        PID_18=b"",
        PV1_19=b"V%d^^^AHMC^VN" % number,
        PV1_44=at,
    )


def states(house: House, band: str = BAND) -> list[EpisodeState]:
    """The states of a band's episodes, the oldest first."""
    found = house.database.read(lambda tx: episodes.of_band(tx, band, traffic=Traffic.LIVE))
    return [each.state for each in reversed(found)]


def members(house: House, band: str = BAND) -> list[list[RecordKind]]:
    """What belongs to each of a band's episodes, the oldest episode first."""
    found = house.database.read(lambda tx: episodes.of_band(tx, band, traffic=Traffic.LIVE))[::-1]
    each = (house.database.read(lambda tx, e=episode.id: links.of_episode(tx, e)) for episode in found)
    return [[link.kind for link in held] for held in each]


OPEN, CLOSED = EpisodeState.OPEN, EpisodeState.CLOSED


def test_a_sighting_weeks_later_begins_another_episode_and_ends_the_first(house: House) -> None:
    house.report(REPORT)
    assert house.admit(admission(21)) == "AA"
    assert states(house) == [CLOSED, OPEN]
    first, second = house.database.read(lambda tx: episodes.of_band(tx, BAND, traffic=Traffic.LIVE))[::-1]
    assert first.closed == second.opened


def test_a_late_record_joins_the_episode_of_its_own_time(house: House) -> None:
    house.admit(A04)
    house.admit(admission(21, number=2))
    house.report(REPORT)
    assert members(house) == [[RecordKind.VISIT, RecordKind.CARE_REPORT], [RecordKind.VISIT]]
    assert states(house) == [CLOSED, OPEN]


def test_a_late_record_of_a_time_that_nobody_knew_of_is_an_episode_already_over(house: House) -> None:
    house.admit(admission(21))
    house.report(REPORT)
    assert states(house) == [CLOSED, OPEN]
    newest, oldest = house.database.read(lambda tx: episodes.of_band(tx, BAND, traffic=Traffic.LIVE))
    assert oldest.closed == newest.opened
    house.admit(A04)
    assert members(house) == [[RecordKind.CARE_REPORT, RecordKind.VISIT], [RecordKind.VISIT]]


@pytest.mark.parametrize("order", list(itertools.permutations([0, 21, 42])))
def test_the_order_of_arrival_makes_no_episodes(house: House, order: tuple[int, ...]) -> None:
    for days in order:
        assert house.admit(admission(days, number=1 + days)) == "AA"
    assert states(house) == [CLOSED, CLOSED, OPEN]


OTHER = "YF7K4M2QG"


@pytest.mark.parametrize("order", list(itertools.permutations([0, 1, 2])))
def test_a_second_band_that_was_another_patients_weeks_ago_is_no_obstacle(house: House, order: tuple[int, ...]) -> None:
    """The alias of one episode, long ago the only band of another; whichever is heard of first."""
    heard = [
        admission(0, number=1, bands=(OTHER,)),
        admission(30, number=2, bands=(BAND,)),
        admission(30, number=2, bands=(BAND, OTHER)).replace(b"LATE2030", b"LATE2031"),
    ]
    for which in order:
        assert house.admit(heard[which]) == "AA"
    newest, oldest = house.database.read(lambda tx: episodes.of_band(tx, OTHER, traffic=Traffic.LIVE))
    assert (oldest.bands, oldest.state) == ((OTHER,), CLOSED)
    assert (newest.bands, newest.state) == ((BAND, OTHER), OPEN)


def test_an_alias_that_is_somebody_elses_by_now_stays_theirs(house: House) -> None:
    """A record of long ago names two bands, the second of which is worn by another patient today."""
    house.admit(admission(30, number=1, bands=(OTHER,)))
    house.admit(admission(0, number=2, bands=(BAND,)))
    assert house.admit(admission(0, number=2, bands=(BAND, OTHER)).replace(b"LATE2000", b"LATE2001")) == "AA"
    found = house.database.read(lambda tx: episodes.find_open(tx, OTHER, traffic=Traffic.LIVE))
    assert found is not None
    assert found.bands == (OTHER,)
    assert house.admit(admission(31, number=3, bands=(OTHER,))) == "AA"
    assert states(house, OTHER) == [OPEN, OPEN]  # that of long ago is open under its own band


def test_an_alias_seen_late_closes_with_its_episode(house: House) -> None:
    house.admit(admission(0, number=1))
    house.admit(admission(30, number=2))
    assert house.admit(admission(0, number=1, bands=(BAND, OTHER)).replace(b"LATE1000", b"LATE1001")) == "AA"
    assert house.database.read(lambda tx: episodes.find_open(tx, OTHER, traffic=Traffic.LIVE)) is None
    assert house.admit(admission(60, number=3, bands=(OTHER,))) == "AA"
    assert states(house, OTHER) == [CLOSED, OPEN]


# ── a report that changes ──────────────────────────────────────────────────────────────────────────

WITHOUT_BAND = REPORT.replace(b"<eOutcome.04>YFFPD2J2A</eOutcome.04>", b"<eOutcome.04>none seen</eOutcome.04>")
OTHER_BAND = REPORT.replace(b"YFFPD2J2A", OTHER.encode())


def test_a_band_that_is_added_later_makes_the_link(house: House) -> None:
    house.admit(A04)
    house.report(WITHOUT_BAND)
    assert [len(each) for each in house.found().episodes.values()] == [1]
    house.report(REPORT)
    assert house.found() == expected(cases()["chest-pain-1"])


def test_a_band_that_is_dropped_takes_the_link_back(house: House) -> None:
    house.admit(A04)
    house.report(REPORT)
    house.report(WITHOUT_BAND)
    assert house.found().episodes == {(BAND,): {("visit", "anvil-head", "A260730001"): ("linked", False)}}
    history = house.database.read(lambda tx: links.of_episode(tx, only_episode(house, BAND).id))
    assert [each.state for each in history if each.kind is RecordKind.CARE_REPORT] == [LinkState.WITHDRAWN]
    house.report(REPORT)
    assert house.found() == expected(cases()["chest-pain-1"])


def test_a_band_that_is_changed_moves_the_report_to_the_other_episode(house: House) -> None:
    house.admit(A04)
    house.report(REPORT)
    house.report(OTHER_BAND)
    found = house.found().episodes
    assert [kind for kind, _, _ in found[BAND,]] == ["visit"]
    assert [kind for kind, _, _ in found[OTHER,]] == ["care-report"]
    assert house.found().reviews == []


def test_what_only_the_full_export_said_survives_the_national_one(house: House) -> None:
    """NEMSIS: the national export holds the national elements only: no name, no destination, no identifier."""
    files = cases()["national-only"]["files"]
    house.play(files)
    before = house.found()
    house.play(files[-1:])
    assert house.found() == before == expected(cases()["national-only"])


def test_a_report_without_a_patient_joins_nothing(house: House) -> None:
    house.play(cases()["no-patient"]["files"])
    assert house.found().episodes == {}
    assert house.rows()["reports"] == 1


# ── questions ──────────────────────────────────────────────────────────────────────────────────────


def test_prose_alone_opens_a_question_once_and_no_link(house: House) -> None:
    name = "narrative-only-1-harrow-point.xml"
    house.report(fixture(name), "tidewater-reports")
    house.report(fixture(name).replace(b"</eNarrative.01>", b" Later addition.</eNarrative.01>"), "tidewater-reports")
    assert len(house.reviews("free-text-only")) == 1
    assert house.rows()["links"] == house.rows()["episodes"] == 0


def test_the_question_about_prose_is_settled_when_the_band_stands_in_its_field(house: House) -> None:
    admissions = [f for f in cases()["note-only"]["files"] if f.endswith(".hl7")]
    house.play(admissions)
    (asked,) = house.reviews("free-text-only")
    in_its_field = (FIXTURES / admissions[0]).read_bytes().replace(b"WALKIN|SOH", b"ORLAHIS|SOH")
    band = expected(cases()["note-only"]).episodes
    ((value, *_),) = band
    with_band = re.sub(rb"(\rPID\|[^|]*\|[^|]*\|[^|]*)", rb"\1~" + value.encode(), in_its_field, count=1)
    assert house.admit(edited(with_band, MSH_10=b"SETTLED1")) == "AA"
    assert house.reviews("free-text-only") == []
    answer = house.database.read(lambda tx: reviews.find_answer(tx, asked.id))
    assert answer is not None
    assert (answer.answer, answer.by) == (SETTLED_BY_NEWER_DATA, "gateway")


def test_a_contradiction_is_asked_once_and_settled_by_newer_data(house: House) -> None:
    files = cases()["contradiction"]["files"]
    house.play(files)
    (asked,) = house.reviews("contradiction")
    assert asked.episode == only_episode(house, "YFYMJR950").id
    house.play(files)
    newest = (FIXTURES / files[-1]).read_bytes()
    house.admit(edited(newest, MSH_10=b"AGAIN1"))
    assert [each.id for each in house.reviews("contradiction")] == [asked.id], "never twice about the same records"
    report = (FIXTURES / files[0]).read_bytes()
    family, given, born = (said(report, element) for element in ("ePatient.02", "ePatient.03", "ePatient.17"))
    right = {"PID_5": family + b"^" + given, "PID_7": born.replace(b"-", b""), "PID_8": b"F"}
    house.admit(edited(newest, MSH_10=b"RIGHT1", **right))
    assert house.reviews("contradiction") == []
    assert [each.id for each in house.reviews("contradiction", ReviewState.ANSWERED)] == [asked.id]
    (found,) = house.found().episodes.values()
    assert set(found.values()) == {("linked", True)}


def test_a_contradiction_is_settled_when_the_other_record_leaves(house: House) -> None:
    """The band was typed into the wrong patient's record, and is moved."""
    house.play(cases()["contradiction"]["files"])
    assert len(house.reviews("contradiction")) == 1
    report = (FIXTURES / cases()["contradiction"]["files"][0]).read_bytes()
    house.report(report.replace(b"YFYMJR950", OTHER.encode()))
    assert house.reviews("contradiction") == []
    found = house.found().episodes
    assert {state for each in found.values() for state in each.values()} == {("linked", False)}


def test_a_third_record_in_doubt_makes_a_new_question_of_the_old_one(house: House) -> None:
    files = cases()["band-on-two-patients"]["files"]
    house.play(files)
    (asked,) = house.reviews("contradiction")
    assert len(asked.records) == 3


def test_a_held_link_tells_nobody(house: House) -> None:
    house.play(cases()["contradiction"]["files"])
    assert house.queued() == {}


def test_two_bands_in_one_record_are_asked_about_once(house: House) -> None:
    house.play(cases()["two-in-one-report"]["files"] * 2)
    assert len(house.reviews("several-bands")) == 1


def test_a_training_band_in_a_live_message_is_asked_about_and_never_linked(house: House) -> None:
    house.play(cases()["mixed-signals"]["files"] * 2)
    assert len(house.reviews("mixed-signals")) == 1
    assert house.rows()["links"] == 0


@pytest.mark.parametrize("band", [b"", b"~YF7K4M2QG^^^YFBAND^PNT"])
def test_a_training_band_never_links_in_live_traffic_whatever_comes_later(house: House, band: bytes) -> None:
    """A visit gathers its bands; the message that named the training band is not the last one about it."""
    (name,) = cases()["mixed-signals"]["files"]
    first = (FIXTURES / name).read_bytes()
    house.admit(first)
    own = first.split(b"\rPID|")[1].split(b"|")[2].split(b"~")[0]
    later = dict.fromkeys(("MSH_7", "EVN_2", "EVN_6"), b"20260314235900-0500")
    house.admit(edited(first, MSH_9=b"ADT^A08^ADT_A01", EVN_1=b"A08", MSH_10=b"LATER1", PID_3=own + band, **later))
    assert list(house.found().episodes) == ([("YF7K4M2QG",)] if band else [])


def test_a_band_that_some_system_fills_in_by_itself_is_asked_about_once(database: Database) -> None:
    """A default value in an export, a band that was never cleared from a template: common practice, no source."""
    house = House(database, replace(yarrowfen(), settings=Settings(episode_records=3)))
    report = fixture("chest-pain-1-1-harrow-point.xml")
    own = uuid_of("day/care-reports/chest-pain-1-1-harrow-point.xml").encode()
    copies = [report.replace(own, b"00000000-0000-4000-8000-%012d" % number) for number in range(6)]
    for each in copies:
        house.report(each)
    (linked,) = house.found().episodes.values()
    assert (house.rows()["reports"], len(linked)) == (6, 3)
    (asked,) = house.reviews("crowded-band")
    assert asked.episode is not None
    (kept,) = house.report(copies[0].replace(b"</eNarrative.01>", b" Later.</eNarrative.01>"))
    assert kept.outcome == "updated", "a member goes on"
    assert list(house.found().episodes.values()) == [linked]
    assert len(house.reviews("crowded-band")) == 1


# ── who is told ────────────────────────────────────────────────────────────────────────────────────


def test_news_is_told_once_and_only_to_the_chain_of_care(house: House) -> None:
    house.play(cases()["chest-pain-1"]["files"])
    first = house.queued()
    assert set(first) == {"anvil-head-fhir", "anvil-head-adt"}
    house.play(cases()["chest-pain-1"]["files"])
    assert house.queued() == first


def test_a_bed_change_in_the_own_house_is_no_news(house: House) -> None:
    house.play(cases()["chest-pain-1"]["files"])
    before = house.queued()
    later = dict.fromkeys(("MSH_7", "EVN_2", "EVN_6"), b"20260314235900-0500")
    moved = edited(fixture("chest-pain-1-3-anvil-head-adt-a08.hl7"), MSH_10=b"MOVED1", PV1_3=b"ICU^1^1^AHMC", **later)
    house.admit(moved)
    stay = house.database.read(
        lambda tx: visits.find(tx, organisation="anvil-head", key="visit:A260730001", traffic=Traffic.LIVE)
    )
    assert stay is not None
    assert stay.visit.admission.location is not None
    assert stay.visit.admission.location.unit == "ICU"
    assert house.queued() == before


def test_a_discharge_is_news_for_the_next_hospital_and_not_for_the_own(house: House) -> None:
    files = cases()["transfer-child"]["files"]
    discharge = next(each for each in files if each.endswith("brackwater-adt-a03.hl7"))
    house.play([each for each in files if each != discharge])
    before = house.queued()
    house.play([discharge])
    after = house.queued()
    assert {name: more - before[name] for name, more in after.items() if more != before[name]} == {"fenwick-fhir": 1}


# ── several processes ──────────────────────────────────────────────────────────────────────────────


def test_two_processes_that_hear_of_the_same_patients_agree(house: House, open_again: Callable[[], Database]) -> None:
    """Any number of processes work on one PostgreSQL (design, section 6); SQLite takes them one after the other."""
    other = House(open_again(), new_id=(f"other{n:015d}" for n in itertools.count()).__next__)
    names = ["chest-pain-1", "two-in-one-report", "stroke-1", "two-crews", "replaced-band"]
    turns = itertools.zip_longest(*(cases()[name]["files"] for name in names))
    files = [name for turn in turns for name in turn if name]
    with ThreadPoolExecutor(2) as threads:
        both = [threads.submit(house.play, files), threads.submit(other.play, files[::-1])]
        for each in both:
            each.result()
    wanted = {bands: there for name in names for bands, there in expected(cases()[name]).episodes.items()}
    assert house.found().episodes == wanted
