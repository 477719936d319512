"""Submissions to the report web service, from the request to what is stored, on both databases and without sockets.

Outside: the NEMSIS V3 core WSDL (codes, and its schema judges every answer here), the NEMSIS V3 web services guide and
the NEMSIS receive-and-process guide (what to answer when), the NEMSIS UUID guide (updates, national-only exports).
"""

import asyncio
import io
import re
import threading
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import delete, update

from gateway.adapters.report_checks import Checked, Role, SchemaError
from gateway.adapters.report_service import Status
from gateway.errors import GatewayFault, StoreUnavailable, TooLarge, UnreadableMessage
from gateway.judging import Submitted
from gateway.records import Stage, Traffic
from gateway.store import messages, pieces, reports, submissions
from gateway.store.database import Database
from gateway.store.messages import Outcome
from gateway.store.pieces import PIECE
from gateway.store.statements import Statement
from gateway.store.tables import MESSAGE_PIECES, SUBMISSIONS
from gateway.submissions import FAULTS, TRIES
from tests.demographics import agency, demographics, facility
from tests.sabotage import refusing
from tests.service import (
    FEED,
    OTHER,
    REPORT,
    Service,
    Told,
    data_set,
    headers,
    nothing_found,
    read_answer,
    region_with_account,
    request,
)
from tests.test_report_intake import many, uuid
from tests.working import yarrowfen

SVRL = b'<svrl:schematron-output xmlns:svrl="http://purl.oclc.org/dsdl/svrl"/>'
FAULTY = SchemaError(description="may not be nil", element="ePatient.02", line=7, xpath="/EMSDataSet/Header[1]")


def finds(**what: Any) -> Any:
    """Official checks that find the same in every file."""
    return lambda *_: Checked(schema="EMSDataSet 3.5.1", **what)


def in_turn(*checks: Any) -> Any:
    """Official checks that say one thing of the first file and another of the next."""
    turns = iter(checks)
    return lambda *asked: next(turns)(*asked)


def raises(error: Exception) -> Any:
    def check(*_: Any) -> Checked:
        raise error

    return check


def agrees(service: Service, told: Told) -> Told:
    """RetrieveStatus tells the same code and the same report (NEMSIS receive-and-process guide)."""
    again = service.retrieve(told.handle)
    assert (again.code, again.handle, again.report) == (told.code, told.handle, told.report)
    return told


def kept_rows(service: Service) -> dict[str, int]:
    """Rows of everything but what tells that somebody tried."""
    rows = service.house.rows()
    return {name: number for name, number in rows.items() if name not in {"submissions", "feed_days"}}


# ── what is imported ───────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("check", "code", "has_svrl"),
    [
        (nothing_found, 1, False),
        (finds(worst=Role.WARNING, svrl=(SVRL,)), 3, True),
        (finds(unchecked=("no rules are registered",)), 1, False),
    ],
)
def test_a_file_that_passes_is_imported(database: Database, check: Any, code: int, has_svrl: bool) -> None:
    service = Service(database, check)
    told = agrees(service, service.submit())
    assert told.code == code
    assert told.text("totalErrorCount") == "0"
    assert (b"schematron-output" in (told.report or b"")) == has_svrl
    assert [outcome for _, outcome in told.outcomes] == ["kept"]
    (message,) = service.house.messages()
    assert (message.id, message.door, message.feed) == (told.handle, "report-service", FEED)
    assert service.house.raw(message.id) == data_set(REPORT)
    assert service.house.rows()["reports"] == 1


def test_what_was_not_checked_is_said(database: Database) -> None:
    says = "no XML Schema is registered for EMSDataSet 3.5.1: not held against it"
    assert Service(database, finds(unchecked=(says,))).submit().notes == [says]


def test_the_same_file_again_is_taken_without_effect_and_the_answer_says_so(database: Database) -> None:
    service = Service(database)
    first = service.submit()
    before = kept_rows(service)
    again = agrees(service, service.submit())
    assert again.code == 1
    assert again.handle != first.handle
    assert [outcome for _, outcome in again.outcomes] == ["unchanged"]
    assert again.notes == ["the same content came before: nothing was changed"]
    after = kept_rows(service)
    assert after.pop("messages") == before.pop("messages") + 1
    assert after == before
    assert service.house.messages()[-1].outcome is Outcome.DUPLICATE


def test_the_same_file_again_is_refused_if_the_setting_says_so(database: Database) -> None:
    service = Service(database, same_submission="refuse")
    assert service.submit().code == 1
    before = kept_rows(service)
    told = agrees(service, service.submit())
    assert (told.code, told.report) == (-11, None)
    assert kept_rows(service) == before
    assert service.submit(OTHER).code == 1


def test_a_changed_file_under_the_same_uuid_is_an_update(database: Database) -> None:
    service = Service(database)
    service.submit()
    told = service.submit(REPORT.replace(b"<ePatient.15>", b"<!-- a year later --><ePatient.15>", 1))
    assert [outcome for _, outcome in told.outcomes] == ["unchanged"], "a comment says nothing new"
    assert told.notes == ["nothing that the gateway reads is new in it: what was there stays"], (
        "other bytes came before"
    )
    changed = REPORT.replace(b"</ePatient.15>", b"9</ePatient.15>", 1)
    assert changed != REPORT
    assert [outcome for _, outcome in service.submit(changed).outcomes] == ["updated"]
    assert service.house.rows()["reports"] == 1


def test_a_national_only_export_never_erases_the_fuller_one(database: Database) -> None:
    """NEMSIS receive-and-process guide: it is known by NAT in xsi:schemaLocation; pre-test pairs share their UUIDs."""
    service = Service(database)
    service.submit()
    fuller = service.house.found()
    start, end = REPORT.index(b"<ePatient.PatientNameGroup>"), REPORT.index(b"</ePatient.PatientNameGroup>") + 28
    national = (REPORT[:start] + REPORT[end:]).replace(b"EMSDataSet_v3.xsd", b"EMSDataSet_v3_NAT.xsd")
    assert b"NAT" in national
    told = agrees(service, service.submit(national))
    assert told.code == 1
    assert told.notes == ["only the national elements are in it: the fuller report that came before stays"]
    assert service.submit(national).notes == ["the same content came before: nothing was changed"]
    assert service.house.found() == fuller
    names = service.house.database.read(lambda tx: _names(tx))
    assert all(names)


def _names(tx: Any) -> list[str | None]:
    return [reports.get(tx, line.id).report.patient.family for line in reports.recent(tx, traffic=Traffic.LIVE)]


def test_a_feed_on_trial_is_test_traffic_here_too(database: Database) -> None:
    base = yarrowfen()
    region = region_with_account(replace(base, feeds=dict(base.feeds)))
    region.set_stage(FEED, Stage.TRIAL)
    service = Service(database, region=region)
    assert service.submit().code == 1
    assert service.house.messages()[0].traffic is Traffic.TEST
    assert service.house.queued() == {}
    region.set_stage(FEED, Stage.LIVE)
    assert [outcome for _, outcome in service.submit().outcomes] == ["kept"], "live, it comes for the first time"


def test_agency_demographics_are_kept_by_their_own_agency(database: Database) -> None:
    service = Service(database)
    about_us = demographics(agency(facility(), number="YF-A-011"))
    told = agrees(service, service.post(request(payload=root_of(about_us), requestDataSchema="62")))
    assert (told.code, told.notes) == (1, ["agencies: 1, with news: 1"])
    again = service.post(request(payload=root_of(about_us), requestDataSchema="62"))
    assert (again.code, again.notes) == (1, ["agencies: 1, with news: 0"])
    foreign = demographics(agency(facility(), number="YF-A-012"))
    assert service.post(request(payload=root_of(foreign), requestDataSchema="62")).code == -3
    assert service.post(request(payload=b"<DEMDataSet/>", requestDataSchema="62")).code == -12


def root_of(document: bytes) -> bytes:
    return document.partition(b"?>")[2]


# ── what is refused ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("check", "code", "errors", "quarantined"),
    [
        (finds(errors=(FAULTY,), total=4), -12, "4", "report-schema"),
        (finds(worst=Role.FATAL, svrl=(SVRL,)), -13, "0", "report-rule"),
        (finds(worst=Role.ERROR, svrl=(SVRL,), failed_uuids=("x",)), -14, "0", "report-rule"),
        (raises(UnreadableMessage("not well-formed XML", code="report-xml")), -12, "1", "report-xml"),
    ],
)  # fmt: skip
def test_what_fails_the_official_checks_is_refused_and_changes_nothing(
    database: Database, check: Any, code: int, errors: str, quarantined: str
) -> None:
    service = Service(database, in_turn(nothing_found, check))
    service.submit(OTHER)
    before = service.house.found()
    told = agrees(service, service.submit())
    assert told.code == code
    assert told.text("totalErrorCount") == errors
    assert (b"schematron-output" in (told.report or b"")) == (code in {-13, -14})
    assert service.house.found() == before
    (item,) = service.house.quarantined()
    assert (item.code, item.message) == (quarantined, told.handle)
    assert service.house.raw(told.handle) == data_set(REPORT)
    assert service.house.messages()[-1].answer == str(code)


def test_an_xsd_error_says_where(database: Database) -> None:
    told = Service(database, finds(errors=(FAULTY,), total=1)).submit()
    assert told.text("desc") == "may not be nil"
    assert (told.text("elementName"), told.text("line")) == ("ePatient.02", "7")
    assert told.text("xpathLocation") == "/EMSDataSet/Header[1]"


def test_our_own_reader_has_a_last_word(database: Database) -> None:
    """Without a registered schema what cannot be read at all is still -12."""
    service = Service(database)
    told = agrees(service, service.submit(b"<EMSDataSet xmlns='http://www.nemsis.org'/>"))
    assert told.code == -12
    assert "no PatientCareReport" in (told.text("errorMessage") or "")
    assert [item.code for item in service.house.quarantined()] == ["report-empty"]


def test_records_with_an_error_may_be_left_out(database: Database) -> None:
    check = finds(worst=Role.ERROR, svrl=(SVRL,), failed_uuids=(uuid(1).upper(),))
    service = Service(database, check, rule_errors="record")
    told = agrees(service, service.submit(many(3)))
    assert told.code == 6
    assert told.outcomes == [(uuid(0), "kept"), (uuid(2), "kept"), (uuid(1).upper(), "left out")]
    assert b"schematron-output" in (told.report or b"")
    assert service.house.rows()["reports"] == 2


@pytest.mark.parametrize(
    ("failed", "unplaced"),
    [((uuid(0), uuid(1)), 0), ((uuid(0),), 1), ((), 2)],
    ids=["all", "some-unplaced", "unplaced"],
)
def test_where_none_is_left_or_none_can_be_told_apart_the_file_is_refused(
    database: Database, failed: tuple[str, ...], unplaced: int
) -> None:
    check = finds(worst=Role.ERROR, failed_uuids=failed, failed_unplaced=unplaced)
    service = Service(database, check, rule_errors="record")
    assert agrees(service, service.submit(many(2))).code == -14
    assert service.house.rows()["reports"] == 0
    assert len(service.house.quarantined()) == 1


@pytest.mark.parametrize(("worst", "code"), [(Role.ERROR, 2), (Role.FATAL, -13)])
def test_what_has_an_error_is_kept_all_the_same_if_the_setting_says_so(
    database: Database, worst: Role, code: int
) -> None:
    """Code 2 of the WSDL; a FATAL finding refuses whatever the setting (NEMSIS V3 Schematron guide)."""
    check = finds(worst=worst, svrl=(SVRL,), failed_uuids=(uuid(0),), failed_unplaced=1)
    service = Service(database, check, rule_errors="none")
    told = agrees(service, service.submit(many(2)))
    assert told.code == code
    assert told.outcomes == ([(uuid(0), "kept"), (uuid(1), "kept")] if code == 2 else [])
    assert b"schematron-output" in (told.report or b"")


@pytest.mark.parametrize(
    ("settings", "worst", "code"),
    [({}, None, 1), ({"keep_faults": "report"}, None, 4), ({"keep_faults": "report"}, Role.WARNING, 3)],
)
def test_faults_that_reading_found_are_reported_if_the_setting_says_so(
    database: Database, settings: dict[str, Any], worst: Role | None, code: int
) -> None:
    """Code 4 of the WSDL: imported, with a warning of what transforms it."""
    spoilt = REPORT.replace(b"YFFPD2J2A", b"YF0000000")
    assert spoilt != REPORT
    service = Service(database, finds(worst=worst), **settings)
    assert agrees(service, service.submit(spoilt)).code == code
    assert service.house.rows()["reports"] == 1
    assert service.submit(OTHER).code == (3 if worst else 1)


def test_a_valid_file_of_which_no_record_can_be_made_is_refused_as_such(database: Database) -> None:
    """Code -15 of the WSDL: what transforms it must refuse it; the schema, were it registered, asks for more."""
    nameless = re.sub(rb'(?<=PatientCareReport) UUID="[^"]*"|<eRecord.01>[^<]*</eRecord.01>', b"", REPORT)
    service = Service(database)
    told = agrees(service, service.submit(nameless))
    assert told.code == -15
    assert (told.text("totalErrorCount"), len(told.notes)) == ("0", 1)
    assert [item.code for item in service.house.quarantined()] == ["report-no-number"]
    assert service.house.messages()[-1].answer == "-15"


def test_a_file_for_another_agency_is_refused(database: Database) -> None:
    service = Service(database)
    told = agrees(service, service.submit(many(2, agency="YF-A-012")))
    assert (told.code, told.report) == (-3, None)
    assert service.house.rows()["reports"] == 0
    assert [item.code for item in service.house.quarantined()] == ["report-agency-unknown"]


def test_what_is_over_a_limit_of_the_reader_is_too_large(database: Database) -> None:
    service = Service(database, raises(TooLarge("too many elements", code="report-too-large")))
    told = agrees(service, service.submit())
    assert (told.code, told.report) == (-30, None)


# ── faults of ours ─────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ZeroDivisionError("a mistake of ours"), -20),
        (StoreUnavailable("away"), -21),
        (OSError(28, "No space left on device"), -22),
    ],
)
def test_a_fault_of_ours_is_told_and_keeps_nothing(database: Database, error: Exception, code: int) -> None:
    service = Service(database, raises(error))
    told = agrees(service, service.submit())
    assert told.code == code
    assert told.text("serverErrorMessage")
    assert told.text("totalErrorCount") == "0", "the WSDL wants the validation report even then"
    assert "mistake of ours" not in (told.text("serverErrorMessage") or "")
    assert service.house.rows() == dict.fromkeys(service.house.rows(), 0)


def test_a_refusal_of_the_database_in_the_middle_keeps_nothing(database: Database, url: str) -> None:
    service = Service(database)
    with refusing(url, "sightings"):
        assert service.submit().code == -20
    assert service.house.rows()["messages"] == 0
    assert service.submit().code == 1


def test_without_a_database_everybody_is_told_so(database: Database) -> None:
    service = Service(database)
    there = service.submit()
    database.close()
    told = service.submit()
    assert told.code == -21
    assert service.retrieve(told.handle).code == -21, "the handle is the answer"
    assert service.retrieve(there.handle).code == -21
    assert service.limit().code == 51


# ── handles ────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("handle", ["", "x", "what's this?", "0" * 99, "A" * 80, "<&>"])
def test_a_malformed_handle(database: Database, handle: str) -> None:
    told = Service(database).retrieve(handle)
    assert (told.code, told.handle) == (-42, handle)


def test_a_handle_that_was_never_issued(database: Database) -> None:
    assert Service(database).retrieve("0" * 28).code == -43


def test_a_handle_is_its_owner_s_alone(database: Database) -> None:
    service = Service(database)
    stored, sealed = service.submit().handle, service.submit(requestDataSchema="99").handle
    another = "larkfield-reports"
    feed = service.region.feeds.pop(FEED)
    account = feed.service
    service.region.feeds[another] = replace(service.region.feeds[another], service=account)
    assert service.retrieve(stored).code == -43
    assert service.retrieve(sealed).code == -43


def test_a_failed_login_has_a_handle_too(database: Database) -> None:
    """NEMSIS receive-and-process guide: the compliance test asks for the status of a failed login."""
    service = Service(database)
    told = service.submit(password="wrong")
    assert (told.code, told.report) == (-1, None)
    assert service.retrieve(told.handle).code == -1
    assert service.house.rows() == dict.fromkeys(service.house.rows(), 0), "it writes nothing, or anybody could"


def test_results_expire(database: Database) -> None:
    service = Service(database, submission_days=2)
    handles = [service.submit().handle, service.submit(password="wrong").handle]
    service.clock.now += timedelta(days=2) - timedelta(minutes=5)
    assert [service.retrieve(each).code for each in handles] == [1, -1]
    service.clock.now += timedelta(minutes=6)
    assert [service.retrieve(each).code for each in handles] == [-41, -41]
    asyncio.run(service.submissions.keep_house())
    assert database.read(lambda tx: submissions.get_report(tx, handles[0])) is None
    assert service.retrieve(handles[0]).code == -41


def test_a_report_that_was_tampered_with_is_not_told(database: Database) -> None:
    service = Service(database)
    one, two = service.submit(), service.submit(OTHER)
    sealed = database.read(
        lambda tx: tx.rows(
            Statement(SUBMISSIONS.select().with_only_columns(SUBMISSIONS.c.handle, SUBMISSIONS.c.report))
        )
    )
    other = next(bytes(report) for handle, report in sealed if handle == two.handle)
    swap = Statement(update(SUBMISSIONS).where(SUBMISSIONS.c.handle == one.handle).values(report=other))
    database.write(lambda tx: tx.run(swap))
    assert (service.retrieve(one.handle).code, service.retrieve(one.handle).report) == (-40, None)


# ── what is finished later ─────────────────────────────────────────────────────────────────────────


def test_a_large_file_is_answered_first_and_finished_later(database: Database) -> None:
    service = Service(database, submission_at_once_bytes=1000)
    told = service.submit()
    assert (told.code, told.report) == (0, None)
    assert (service.retrieve(told.handle).code, service.house.rows()["reports"]) == (0, 0)
    assert service.work()
    found = service.retrieve(told.handle)
    assert (found.code, [outcome for _, outcome in found.outcomes]) == (1, ["kept"])
    assert service.house.rows()["message_pieces"] == 0, "a small one lies with its message"
    assert service.house.raw(told.handle) == data_set(REPORT)
    assert not service.work()


@pytest.mark.parametrize(
    ("check", "code", "left"),
    [
        (nothing_found, 1, 2),
        (finds(errors=(FAULTY,), total=1), -12, 2),
        (raises(ZeroDivisionError()), -20, 0),
        (raises(TooLarge("x", code="report-too-large")), -30, 2),
    ],
)
def test_a_very_large_file_stays_in_its_pieces(database: Database, check: Any, code: int, left: int) -> None:
    service = Service(database, check)
    data = many(2, padding=PIECE // 2 + 1)
    told = service.submit(data)
    assert told.code == 0
    assert service.work()
    assert service.retrieve(told.handle).code == code
    assert service.house.rows()["message_pieces"] == left
    if left:
        assert service.house.raw(told.handle) == data_set(data)


def test_a_very_large_file_again_leaves_nothing_behind(database: Database) -> None:
    service = Service(database)
    data = many(2, padding=PIECE // 2 + 1)
    handles = []
    for _ in range(2):
        handles.append(service.submit(data).handle)
        service.work()
    assert [service.retrieve(each).code for each in handles] == [1, 1]
    assert service.house.rows()["message_pieces"] == 2
    assert database.read(lambda tx: messages.get(tx, handles[1])).outcome is Outcome.DUPLICATE


class Slow:
    """Official checks that wait until they are let go."""

    def __init__(self) -> None:
        self.go = threading.Event()

    def __call__(self, *_: Any) -> Checked:
        assert self.go.wait(30)
        return Checked()


def test_what_takes_too_long_is_answered_and_goes_on(database: Database) -> None:
    slow = Slow()
    service = Service(database, slow, submission_at_once_seconds=0.01)

    async def hand_in() -> tuple[int, int, int]:
        told = read_answer(await service.apost(request(), **headers()))
        pending = database.read(lambda tx: submissions.find(tx, told.handle))
        nobody = await service.submissions.work_on_one()
        assert pending is not None
        assert pending.settled is None
        assert nobody is False, "whoever began it holds the claim"
        slow.go.set()
        await asyncio.gather(*service.submissions._open)
        after = database.read(lambda tx: submissions.find(tx, told.handle))
        assert after is not None
        return told.code, pending.code, after.code

    assert asyncio.run(hand_in()) == (0, 0, 1)
    assert service.house.rows()["message_pieces"] == 0
    assert service.house.rows()["reports"] == 1


def test_what_is_validated_says_so_while_it_waits(database: Database) -> None:
    """Code 10: "File has passed validation, processing is not yet complete"."""
    service = Service(database, submission_at_once_bytes=0)
    handle = service.submit().handle
    database.write(lambda tx: submissions.note(tx, handle, Status.VALIDATED))
    assert (service.retrieve(handle).code, service.retrieve(handle).report) == (10, None)
    service.work()
    assert service.retrieve(handle).code == 1


def test_what_was_left_by_a_process_that_died_is_finished_by_the_next(database: Database) -> None:
    first = Service(database, submission_at_once_bytes=0)
    handle = first.submit().handle
    now = first.clock()
    until = now + timedelta(minutes=2)
    assert database.write(lambda tx: submissions.claim(tx, who="the dead", now=now, until=until)) is not None
    second = Service(database)
    assert not second.work()
    second.clock.now = until
    assert second.work()
    assert second.retrieve(handle).code == 1


@pytest.mark.parametrize("error", [StoreUnavailable("away"), OSError(28, "No space left on device"), GatewayFault("x")])
def test_what_a_passing_fault_of_ours_stopped_waits_on(database: Database, error: Exception) -> None:
    broken = Service(database, raises(error), submission_at_once_bytes=0)
    handle = broken.submit().handle
    with pytest.raises((GatewayFault, OSError)):
        broken.work()
    mended = Service(database)
    mended.clock.now += timedelta(minutes=10)
    assert mended.retrieve(handle).code == 0
    assert mended.work()
    assert mended.retrieve(handle).code == 1


@pytest.mark.parametrize(
    ("error", "code"),
    [(GatewayFault("x"), -20), (OSError(5, "Input/output error"), -22), (StoreUnavailable("away"), -21)],
)
def test_a_fault_that_comes_again_and_again_is_told_in_the_end(database: Database, error: Exception, code: int) -> None:
    """-20 to -22 are failures of the server (NEMSIS V3 core WSDL): the client stops asking, and sends it again."""
    service = Service(database, raises(error), submission_at_once_bytes=0)
    handle = service.submit().handle
    for _ in range(TRIES - 1):
        with pytest.raises((GatewayFault, OSError)):
            service.work()
        assert service.retrieve(handle).code == 0
        assert not service.work(), "until the lease ends nobody tries it again"
        service.clock.now += timedelta(minutes=3)
    assert service.work()
    told = service.retrieve(handle)
    assert (told.code, told.text("serverErrorMessage")) == (code, FAULTS[Status(code)])
    service.clock.now += timedelta(minutes=3)
    assert not service.work(), "it is settled"


def test_a_submission_that_was_stopped_after_it_was_kept_is_not_refused_as_the_same_file(database: Database) -> None:
    service = Service(database, submission_at_once_bytes=0, same_submission="refuse")
    handle = service.submit().handle
    submitted = Submitted(handle, service.region.feeds[FEED], 61, "3.5.1", service.clock())
    verdict = asyncio.run(service.judge.decide(io.BytesIO(data_set(REPORT)), submitted, _nothing))
    assert verdict.code == 1
    assert service.work()
    assert service.retrieve(handle).code == 1


@pytest.mark.parametrize(
    ("check", "code"), [(nothing_found, 1), (finds(errors=(FAULTY,), total=1), -12)], ids=["kept", "refused"]
)
@pytest.mark.parametrize("padding", [0, PIECE], ids=["small", "large"])
def test_who_was_killed_between_keeping_and_telling_does_it_again_without_effect(
    database: Database, check: Any, code: int, padding: int
) -> None:
    service = Service(database, check, submission_at_once_bytes=0)
    data = data_set(many(2, padding=padding))
    handle = service.post(request(payload=data)).handle
    submitted = Submitted(handle, service.region.feeds[FEED], 61, "3.5.1", service.clock())
    verdict = asyncio.run(service.judge.decide(io.BytesIO(data), submitted, _nothing))
    assert verdict.code == code
    before = kept_rows(service)
    assert service.work()
    assert service.retrieve(handle).code == code
    after = kept_rows(service)
    after["message_pieces"] = before["message_pieces"] = 0
    assert after == before
    assert service.house.raw(handle) == data


async def _nothing() -> None:
    """What is done once the checks are passed, where nobody waits."""


def test_a_feed_that_has_left_the_region_is_told_no(database: Database) -> None:
    service = Service(database, submission_at_once_bytes=0)
    handle = service.submit().handle
    feed = service.region.feeds.pop(FEED)
    assert service.work()
    service.region.feeds[FEED] = feed
    assert service.retrieve(handle).code == -3
    assert service.house.rows()["message_pieces"] == 0


def test_pieces_that_a_sender_left_behind_are_dropped_after_a_day(database: Database) -> None:
    service = Service(database, submission_at_once_bytes=0)
    waiting = service.submit().handle
    database.write(lambda tx: tx.run(Statement(update(SUBMISSIONS).values(handle="000000000000waiting-for-it"))))
    database.write(lambda tx: tx.run(Statement(update(MESSAGE_PIECES).values(message="000000000000waiting-for-it"))))
    database.write(lambda tx: pieces.add(tx, "000000000000nobody-wants-it", 0, b"x"))
    asyncio.run(service.submissions.keep_house())
    assert service.house.rows()["message_pieces"] == 1
    assert waiting
    database.write(lambda tx: tx.run(Statement(delete(MESSAGE_PIECES))))
