"""One message through the house: what is kept, what is answered, and that both are one thing or nothing.

Outside: HL7 v2, edition 2.9.1, chapter 2 (2.8.2 and 2.8.3 for the codes, tables 0008, 0155, 0357) and NEMSIS v3
("UUIDs": an update is the whole report again). That what is kept is acknowledged whatever its faults, and that
the rest lies in quarantine, is our own contract: a needless AE halts a hospital's feed (common practice, no source).
"""

import asyncio
import dataclasses
import io
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.adapters.er7 import Position, read
from gateway.errors import GatewayFault, SenderFault
from gateway.intake import Intake
from gateway.keeping import ReportOutcome
from gateway.reading import read_admission
from gateway.records import CareReport, Stage, Traffic
from gateway.region import Region
from gateway.report_intake import TOGETHER, InvalidReport
from gateway.schemas import load_schema
from gateway.settings import Settings
from gateway.store import reports, visits
from gateway.store.database import Database
from gateway.store.messages import Outcome
from tests.sabotage import refusing
from tests.store.samples import NOW
from tests.working import FIXTURES, House, bad_files, cases, edited, yarrowfen

DAY = FIXTURES / "day"
SCHEMAS = FIXTURES.parents[1] / "shared" / "standards" / "nemsis" / "xsd"
A04 = (DAY / "admissions" / "chest-pain-1-2-anvil-head-adt-a04.hl7").read_bytes()
A08 = (DAY / "admissions" / "chest-pain-1-3-anvil-head-adt-a08.hl7").read_bytes()
REPORT = (DAY / "care-reports" / "chest-pain-1-1-harrow-point.xml").read_bytes()
HEAD = b"MSH|^~\\&|AHREG|AHMC|"
UUID = "4367901b-5c1f-5444-a52b-591a2d31b548"
BANDS = ("YFFPD2J2A",)
ALWAYS_WRITTEN = {"messages", "feed_days"}  # of a message that did nothing: that it came


def part(message: bytes, place: str) -> str:
    return str(read(message).value(Position.parse(place)) or "")


def stored_report(house: House, key: str = UUID) -> CareReport:
    found = house.database.read(lambda tx: reports.find(tx, organisation="harrow-point", key=key, traffic=Traffic.LIVE))
    assert found is not None
    return found.report


def changed(before: dict[str, int], after: dict[str, int]) -> set[str]:
    return {table for table in after if after[table] != before[table]}


def with_settings(**values: object) -> Region:
    return dataclasses.replace(yarrowfen(), settings=Settings.model_validate(values))


# ── kept, and known again ──────────────────────────────────────────────────────────────────────────


def test_a_message_is_kept_as_it_came_and_sealed(house: House) -> None:
    assert house.admit(A04) == "AA"
    (message,) = house.messages()
    assert (message.outcome, message.answer, message.feed) == (Outcome.KEPT, "AA", "anvil-head-adt")
    assert message.control_id == "AHR000001"
    assert house.raw(message.id) == A04
    assert house.woken == 0, "there is nobody to tell, so nobody is woken"


def test_nothing_of_a_person_stands_in_the_database_file_in_clear(tmp_path: Path) -> None:
    with Database.open(f"sqlite:///{tmp_path}/gateway.db", key_file=tmp_path / "key", now=NOW) as database:
        house = House(database)
        house.admit(A04)
        house.report(REPORT)
    content = b"".join(path.read_bytes() for path in tmp_path.glob("gateway.db*"))
    for secret in ("Grünbóra", "Orson", "19650303", "1965-03-03", "Beacon Row"):
        assert secret.encode() not in content, secret


def test_the_same_bytes_again_are_answered_as_before_and_do_nothing(house: House) -> None:
    """HL7 v2 2.9.2 leaves the recognition of repeats to the receiver; MSH-10 and the bytes are our choice."""
    house.play(cases()["chest-pain-1"]["files"])
    before, there = house.rows(), house.found()
    first = house.answer(A04)
    again = house.answer(A04)
    assert part(first, "MSA-1") == part(again, "MSA-1") == "AA"
    assert part(again, "MSA-2") == "AHR000001"
    assert changed(before, house.rows()) <= ALWAYS_WRITTEN
    assert house.found() == there
    assert [each.outcome for each in house.messages()[-2:]] == [Outcome.DUPLICATE] * 2


def test_the_same_control_id_with_other_bytes_is_another_message(house: House) -> None:
    """Some senders count anew after a restart (common practice, no source)."""
    house.admit(A04)
    assert house.admit(edited(A04, PV1_3=b"ED^17^2^AHMC")) == "AA"
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT] * 2
    stay = house.database.read(
        lambda tx: visits.find(tx, organisation="anvil-head", key="visit:A260730001", traffic=Traffic.LIVE)
    )
    assert stay is not None
    assert stay.version == 2
    assert stay.visit.admission.location is not None
    assert stay.visit.admission.location.room == "17"


def test_a_repeat_is_answered_as_the_first_was_though_the_setting_has_changed(database: Database) -> None:
    faulty = (FIXTURES / "bad" / "wrong-check.hl7").read_bytes()
    assert House(database, with_settings(keep_faults="report")).admit(faulty) == "AE"
    assert House(database, with_settings(keep_faults="accept"), new_id=iter("abcdef").__next__).admit(faulty) == "AE"


# ── refused, and in quarantine ─────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", [n for n, each in bad_files().items() if each.get("answer") == "AR"])
def test_what_cannot_be_read_or_attributed_is_refused_and_kept(house: House, name: str) -> None:
    house.play(cases()["chest-pain-1"]["files"])
    before, there = house.rows(), house.found()
    data = (FIXTURES / "bad" / name).read_bytes()
    answer = house.answer(data)
    assert part(answer, "MSA-1") == "AR"
    assert part(answer, "ERR-3.1"), "table 0357 says why, for a version that has ERR-3 (2.5)"
    (item,) = house.quarantined()
    assert item.code == bad_files()[name]["code"]
    assert house.raw(item.message) == data
    assert changed(before, house.rows()) <= ALWAYS_WRITTEN | {"quarantine", "strangers"}
    assert house.found() == there


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One store for all hostile examples: they are many, and none minds the others."""
    folder = tmp_path_factory.mktemp("hostile")
    with Database.open(f"sqlite:///{folder}/gateway.db", key_file=folder / "key", now=NOW) as opened:
        yield House(opened)


@settings(max_examples=80, deadline=None)
@example(b"MSH" + bytes(14) + b"!")
@given(
    st.one_of(
        st.binary(max_size=300),
        st.binary(max_size=60).map(lambda tail: A04[:200] + tail),
        st.tuples(st.integers(0, len(A04) - 1), st.binary(max_size=4)).map(
            lambda cut: A04[: cut[0]] + cut[1] + A04[cut[0] + 1 :]
        ),
        st.text(alphabet="MSH|^~\\&\rPID\n\0é", max_size=120).map(lambda text: HEAD + text.encode()),
    )
)
def test_whatever_comes_is_answered_and_kept(hostile: House, data: bytes) -> None:
    # what stands where MSH-15 would be asks for enhanced mode, and so for the codes of its commit (2.9.3)
    assert hostile.admit(data) in {"AA", "AR", "CA", "CR", ""}
    newest = hostile.messages()[-1]
    assert newest.outcome is Outcome.DUPLICATE or hostile.raw(newest.id) == data


# ── what is answered ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(("setting", "code"), [("accept", "AA"), ("report", "AE")])
def test_faults_of_a_kept_message_go_to_the_work_list_and_the_setting_says_what_is_answered(
    database: Database, setting: str, code: str
) -> None:
    house = House(database, with_settings(keep_faults=setting))
    answer = house.answer((FIXTURES / "bad" / "wrong-check.hl7").read_bytes())
    assert part(answer, "MSA-1") == code
    assert (part(answer, "ERR-2.1") == "PID") is (code == "AE")
    assert house.work_list()["anvil-head-adt", "band-check"] == 1
    assert [each.answer for each in house.messages()] == [code]
    assert house.quarantined() == []


@pytest.mark.parametrize(
    ("accept", "application", "code"),
    [(b"", b"", "AA"), (b"AL", b"NE", "CA"), (b"SU", b"NE", "CA"), (b"NE", b"NE", ""), (b"ER", b"NE", "")],
)
def test_a_kept_message_is_answered_as_its_sender_asks(
    house: House, accept: bytes, application: bytes, code: str
) -> None:
    """HL7 v2 2.8.3 and table 0155: MSH-15 asks for CA, CE or CR on receipt; without both it is original mode."""
    assert house.admit(edited(A04, MSH_15=accept, MSH_16=application)) == code
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT]


@pytest.mark.parametrize(("accept", "code"), [(b"AL", "CR"), (b"ER", "CR"), (b"SU", ""), (b"NE", "")])
def test_a_refused_message_is_answered_as_its_sender_asks(house: House, accept: bytes, code: str) -> None:
    """HL7 v2 2.8.3, table 0155."""
    unknown = edited(A04, MSH_3=b"ELSEWHERE", MSH_15=accept, MSH_16=b"NE")
    assert house.admit(unknown) == code
    assert [each.code for each in house.quarantined()] == ["unknown-feed"]


# ── triggers ───────────────────────────────────────────────────────────────────────────────────────


def test_an_unknown_trigger_is_kept_acknowledged_and_put_on_the_work_list(house: House) -> None:
    message = edited(A04, MSH_9=b"ADT^Z99", EVN_1=b"Z99")
    assert house.admit(message) == "AA"
    assert house.work_list()["anvil-head-adt", "hl7-trigger-unknown"] == 1
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT]
    assert house.rows()["visits"] == 0


@pytest.mark.parametrize("trigger", ["A02", "A05", "A11", "A13", "A31", "A40"])
def test_a_known_trigger_that_does_not_act_yet_is_kept_and_noted(house: House, trigger: str) -> None:
    """The triggers are those of HL7 v2 chapter 3; that A01, A03, A04 and A08 act first is our own order of work."""
    house.play(cases()["chest-pain-1"]["files"])
    there = house.found()
    message = edited(A04, MSH_9=f"ADT^{trigger}".encode(), EVN_1=trigger.encode(), PID_8=b"F")
    assert house.admit(message) == "AA"
    assert house.found() == there
    assert house.raw(house.messages()[-1].id) == message
    noted = read_admission(house.region, message).admissions[0].findings
    assert [(each.path, each.line) for each in noted if each.code == "hl7-trigger-stored"] == [("MSH-9.2", 1)]


def test_an_acting_trigger_is_not_noted() -> None:
    assert "hl7-trigger-stored" not in {each.code for each in read_admission(yarrowfen(), A04).admissions[0].findings}


# ── test traffic ───────────────────────────────────────────────────────────────────────────────────


def test_an_exercise_never_meets_live_traffic(house: House) -> None:
    """HL7 v2 table 0103: MSH-11 T is training."""
    house.play(cases()["exercise"]["files"])
    assert house.found().episodes == {}
    assert list(house.found(Traffic.TEST).episodes) == [("YT547J7F0",)]
    assert {each.traffic for each in house.messages()} == {Traffic.TEST}
    assert house.queued() == {}


def test_the_same_visit_in_training_and_in_life_is_two_visits(house: House) -> None:
    house.admit(A04)
    house.admit(edited(A04, MSH_10=b"AHR000002", MSH_11=b"T"))
    (live,) = house.found().episodes.values()
    (test,) = house.found(Traffic.TEST).episodes.values()
    assert len(live) == len(test) == 1
    assert house.rows()["visits"] == 2


def test_a_feed_on_trial_brings_test_traffic_only(database: Database) -> None:
    region = yarrowfen()
    feed = region.feeds["harrow-point-reports"]
    trial = dataclasses.replace(feed, stage=Stage.TRIAL, source=dataclasses.replace(feed.source, trial=True))
    house = House(database, dataclasses.replace(region, feeds={**region.feeds, feed.name: trial}))
    house.report(REPORT)
    assert house.found().episodes == {}
    assert list(house.found(Traffic.TEST).episodes) == [BANDS]


def test_what_came_on_trial_and_is_sent_again_once_live_comes_for_the_first_time(database: Database) -> None:
    region = yarrowfen()

    numbers = itertools.count(1)

    def with_stage(*, trial: bool) -> House:
        feeds = {
            name: dataclasses.replace(feed, source=dataclasses.replace(feed.source, trial=trial))
            for name, feed in region.feeds.items()
        }
        return House(database, dataclasses.replace(region, feeds=feeds), new_id=lambda: f"id{next(numbers):018d}")

    trial = with_stage(trial=True)
    assert [trial.admit(A04), trial.report(REPORT)[0].outcome] == ["AA", ReportOutcome.KEPT]
    assert trial.found().episodes == {}
    live = with_stage(trial=False)
    live.clock.now = trial.clock.now
    assert [live.admit(A04), live.report(REPORT)[0].outcome] == ["AA", ReportOutcome.KEPT]
    assert [(each.outcome, each.traffic) for each in live.messages()] == [
        (Outcome.KEPT, Traffic.TEST),
        (Outcome.KEPT, Traffic.TEST),
        (Outcome.KEPT, Traffic.LIVE),
        (Outcome.KEPT, Traffic.LIVE),
    ]
    assert live.found().episodes == live.found(Traffic.TEST).episodes != {}
    assert live.admit(A04) == "AA"
    assert live.messages()[-1].outcome is Outcome.DUPLICATE


# ── all or nothing ─────────────────────────────────────────────────────────────────────────────────

WRITTEN_AT_ONCE = ["messages", "visits", "sightings", "links"]
WRITTEN_AT_THE_END = ["feed_days", "audit", "events", "deliveries"]


@pytest.mark.parametrize("table", WRITTEN_AT_ONCE + WRITTEN_AT_THE_END)
def test_an_admission_that_cannot_be_kept_whole_is_not_kept_at_all(house: House, url: str, table: str) -> None:
    """HL7 v2 2.8.2: an answer that accepts promises that the message is stored; AR invites to send it again."""
    house.report(REPORT)
    before, there = house.rows(), house.found()
    with refusing(url, table):
        answer = house.answer(A04)
        assert part(answer, "MSA-1") == "AR"
        assert part(answer, "ERR-8") == "the message could not be stored now: send it again later"
    assert house.rows() == before
    assert house.found() == there
    assert house.admit(A04) == "AA"
    (found,) = house.found().episodes.values()
    assert set(found.values()) == {("linked", True)}


@pytest.mark.parametrize("table", ["episodes", "episode_bands", "worklist"])
def test_an_admission_that_opens_an_episode_is_kept_whole_or_not_at_all(house: House, url: str, table: str) -> None:
    message = edited(A04, PV1_19=b"", PID_18=b"", PV1_44=b"at noon")  # brings faults for the work list too
    with refusing(url, table):
        assert house.admit(message) == "AR"
    assert set(house.rows().values()) == {0}
    assert house.admit(message) == "AA"


@pytest.mark.parametrize("table", ["messages", "reports", "sightings", "links", "events", "deliveries", "audit"])
def test_a_care_report_that_cannot_be_kept_whole_is_not_kept_at_all(house: House, url: str, table: str) -> None:
    house.admit(A04)
    before, there = house.rows(), house.found()
    with refusing(url, table), pytest.raises(GatewayFault):
        house.report(REPORT)
    assert house.rows() == before
    assert house.found() == there
    assert [each.outcome for each in house.report(REPORT)] == [ReportOutcome.KEPT]


def test_what_cannot_even_be_kept_in_quarantine_is_to_be_sent_again(house: House, url: str) -> None:
    with refusing(url, "quarantine"):
        assert house.admit(b"no message at all") == "AR"
    assert set(house.rows().values()) == {0}


def test_while_the_store_is_down_everything_is_to_be_sent_again(database: Database) -> None:
    """HL7 v2 2.8.2 and 2.8.3: AR invites a retry in original mode, CE is an internal failure in enhanced mode."""
    house = House(database)
    database.close()
    later = "the message could not be stored now: send it again later"
    answer = house.answer(A04)
    assert (part(answer, "MSA-1"), part(answer, "ERR-8")) == ("AR", later)
    assert house.admit(edited(A04, MSH_15=b"AL", MSH_16=b"NE")) == "CE"
    assert part(house.answer(b"rubbish"), "ERR-8") == later
    with pytest.raises(GatewayFault):
        house.report(REPORT)
    with pytest.raises(GatewayFault):
        house.report(b"rubbish")


def test_a_mistake_of_ours_is_answered_too(house: House, capsys: pytest.CaptureFixture[str]) -> None:
    """A sender that gets no answer stands still (common practice, no source)."""

    def broken() -> str:
        raise KeyError("Grünbóra")

    broken_house = House(house.database, new_id=_first_then("x1", broken))
    assert broken_house.admit(A04) == "AR"
    assert "Grünbóra" not in capsys.readouterr().out


def _first_then(name: str, then: object) -> object:
    """Ids that fail once the work has begun, and work again for the answer."""
    state = {"calls": 0}

    def make() -> str:
        state["calls"] += 1
        if state["calls"] == 2:
            return then()  # type: ignore[operator,no-any-return]
        return f"{name}{state['calls']}"

    return make


# ── care reports ───────────────────────────────────────────────────────────────────────────────────


def test_a_report_is_kept_then_updated_and_a_repeat_says_nothing(house: House) -> None:
    """NEMSIS v3 "UUIDs": the same UUID is the same report, and an update is the whole report again."""
    files = [(FIXTURES / name).read_bytes() for name in cases()["doe"]["files"] if name.endswith(".xml")]
    outcomes = [house.report(each)[0].outcome for each in (files[0], files[1], files[1])]
    assert outcomes == [ReportOutcome.KEPT, ReportOutcome.UPDATED, ReportOutcome.UNCHANGED]
    assert house.rows()["reports"] == 1
    assert house.rows()["report_versions"] == 1
    assert [each.outcome for each in house.messages()] == [Outcome.KEPT, Outcome.KEPT, Outcome.DUPLICATE]


def test_a_payload_that_comes_twice_is_counted_once_on_the_work_list(house: House) -> None:
    faulty = (FIXTURES / "bad" / "wrong-check.xml").read_bytes()
    house.report(faulty)
    before = house.rows()
    house.report(faulty)
    assert house.work_list()["harrow-point-reports", "band-check"] == 1
    assert changed(before, house.rows()) <= ALWAYS_WRITTEN


def test_the_same_report_at_another_place_of_another_file_says_nothing_new(house: House) -> None:
    """Agencies export again and again what they have (common practice, no source)."""
    house.admit(A04)
    house.report(REPORT)
    queued = house.queued()
    (again,) = house.report(REPORT.replace(b"<PatientCareReport ", b"\n\n<PatientCareReport "))
    assert again.outcome is ReportOutcome.UNCHANGED
    assert house.queued() == queued
    assert queued


ELSEWHERE = {"report-schema", "unknown-feed"}  # judged with the official schema (below), and at the door


@pytest.mark.parametrize(
    "name",
    [n for n, each in bad_files().items() if each.get("answer") == "4xx" and each["code"] not in ELSEWHERE],
)
def test_a_payload_that_cannot_be_read_is_refused_and_kept(house: House, name: str) -> None:
    case = bad_files()[name]
    house.play(cases()["chest-pain-1"]["files"])
    before, there = house.rows(), house.found()
    data = (FIXTURES / "bad" / name).read_bytes()
    with pytest.raises(SenderFault) as caught:
        house.report(data)
    assert caught.value.code == case["code"]
    (item,) = house.quarantined()
    assert (item.code, item.feed) == (case["code"], "harrow-point-reports")
    assert house.raw(item.message) == data
    assert changed(before, house.rows()) <= ALWAYS_WRITTEN | {"quarantine", "strangers"}
    assert house.found() == there


def test_with_the_official_schema_an_invalid_report_is_refused_with_every_place(database: Database) -> None:
    if not SCHEMAS.is_dir():
        pytest.skip("the NEMSIS schemas are not beside this checkout (../shared/standards/nemsis/xsd)")
    house = House(database, schema=load_schema(SCHEMAS))
    with pytest.raises(InvalidReport) as caught:
        house.report((FIXTURES / "bad" / "schema-invalid.xml").read_bytes())
    assert [(each.code, "eRecord" in each.path) for each in caught.value.findings] == [("report-schema", True)]
    assert [each.code for each in house.quarantined()] == ["report-schema"]
    assert [each.outcome for each in house.report(REPORT)] == [ReportOutcome.KEPT]


def payload(*copies: bytes) -> bytes:
    """One file with several reports, put together by hand."""
    head, _, rest = REPORT.partition(b"<PatientCareReport ")
    tail = rest.rpartition(b"</PatientCareReport>")[2]
    bodies = [re.search(rb"<PatientCareReport .*</PatientCareReport>", each, re.DOTALL) for each in copies]
    return head + b"\n".join(body.group() for body in bodies if body) + tail


def numbered(number: int) -> bytes:
    """The report under another UUID, and with another band in its place for bands: each its own patient's."""
    uuid = f"00000000-0000-4000-8000-{number:012d}".encode()
    return REPORT.replace(UUID.encode(), uuid).replace(BANDS[0].encode(), b"unreadable")


def test_one_faulty_report_keeps_its_whole_payload_out(house: House) -> None:
    broken = payload(numbered(1), numbered(2)).replace(b"</EMSDataSet>", b"")
    with pytest.raises(SenderFault):
        house.report(broken)
    assert house.rows()["reports"] == 0


def test_a_large_payload_that_stopped_in_the_middle_is_completed_when_it_comes_again(house: House, url: str) -> None:
    many = payload(*(numbered(n) for n in range(TOGETHER + 5)))
    last = f"00000000-0000-4000-8000-{TOGETHER + 4:012d}"
    with refusing(url, "reports", when=f"NEW.key = '{last}'"), pytest.raises(GatewayFault):
        house.report(many)
    assert house.rows()["reports"] == TOGETHER
    outcomes = [each.outcome for each in house.report(many)]
    assert outcomes == [ReportOutcome.UNCHANGED] * TOGETHER + [ReportOutcome.KEPT] * 5
    assert house.rows()["reports"] == TOGETHER + 5
    first, again = house.messages()
    assert (first.outcome, again.outcome) == (Outcome.KEPT, Outcome.DUPLICATE)
    source = house.database.read(
        lambda tx: reports.find(tx, organisation="harrow-point", key=last, traffic=Traffic.LIVE)
    )
    assert source is not None
    assert house.raw(source.message) == many, "what was kept later still knows the bytes it came from"


POORER = re.sub(rb"<ePatient\.17>.*?</ePatient\.17>", b"", REPORT)


@pytest.mark.parametrize("fuller_first", [True, False])
def test_of_one_report_twice_in_a_payload_the_fuller_is_kept(house: House, *, fuller_first: bool) -> None:
    """The contract's: never two records, and a finding says so."""
    copies = (REPORT, POORER) if fuller_first else (POORER, REPORT)
    kept = house.report(payload(*copies))
    assert house.rows()["reports"] == 1
    assert stored_report(house).patient.birth_date == "1965-03-03"
    assert [[f.code for f in each.findings if f.code == "report-twice"] for each in kept] == [[], ["report-twice"]]
    assert house.work_list()["harrow-point-reports", "report-twice"] == 1


def test_a_later_report_that_leaves_a_value_out_does_so_on_purpose(house: House) -> None:
    """NEMSIS v3 "UUIDs": there is no delete; the newest full export counts. In one payload it is a slip."""
    house.report(REPORT)
    house.report(POORER)
    assert stored_report(house).patient.birth_date is None


def test_an_exercise_in_a_payload_of_its_own_is_a_test_message(house: House) -> None:
    (name,) = (name for name in cases()["exercise"]["files"] if name.endswith(".xml"))
    house.report((FIXTURES / name).read_bytes())
    assert [each.traffic for each in house.messages()] == [Traffic.TEST]


def test_intake_may_be_asked_by_many_at_once(house: House) -> None:
    """Every sender gets its own answer, whichever commit its message shared."""

    async def flood(intake: Intake) -> list[bytes]:
        each = [edited(A04, MSH_10=b"N%d" % n, PV1_19=b"V%d" % n, PID_3=b"%d^^^AHMC^MR" % n) for n in range(50)]
        answers = [intake.admission(data, door="test") for data in each]
        sent = [
            intake.care_reports(io.BytesIO(numbered(n)), house.region.feeds["harrow-point-reports"], door="test")
            for n in range(5)
        ]
        answered, _ = await asyncio.gather(asyncio.gather(*answers), asyncio.gather(*sent))
        return answered

    answers = asyncio.run(flood(house.intake))
    assert [part(each, "MSA-2") for each in answers] == [f"N{n}" for n in range(50)]
    assert {part(each, "MSA-1") for each in answers} == {"AA"}
    assert house.rows()["visits"] == 50
    assert house.rows()["reports"] == 5
