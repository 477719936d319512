"""Payloads of care reports as a whole: large ones in pieces, foreign ones refused, some reports left out."""

import asyncio
import hashlib
import io
from typing import Any

import pytest

from gateway.errors import SenderFault, UnknownSender
from gateway.keeping import KeptReport, ReportOutcome
from gateway.report_intake import TOGETHER, Terms, measure
from gateway.store import messages, pieces
from gateway.store.messages import Outcome
from gateway.store.pieces import PIECE
from tests.care_reports import data_set, header, report
from tests.service import OTHER, REPORT
from tests.working import House

FEED = "harrow-point-reports"
AGENCY = "YF-A-011"


def uuid(number: int) -> str:
    return f"5f0c1d9e-7a3b-4c21-9d11-{number:012x}"


def many(count: int, *, agency: str = AGENCY, padding: int = 0) -> bytes:
    """A payload of small reports, each a little larger by a comment if need be."""
    reports = [report(f"<!--{'x' * padding}-->", uuid=uuid(each), number=f"HP-{each}") for each in range(count)]
    return data_set(header(*reports, agency=agency))


def take(house: House, data: bytes, **terms: Any) -> list[KeptReport]:
    feed = house.region.feeds[FEED]
    return asyncio.run(house.intake.reports.take(io.BytesIO(data), feed, Terms("test", **terms)))


def outcomes(kept: list[KeptReport]) -> set[ReportOutcome]:
    return {each.outcome for each in kept}


def test_a_large_payload_lies_in_pieces_and_is_given_back_whole(house: House) -> None:
    data = many(3, padding=2 * PIECE // 3 + 100_000)
    assert len(data) > 2 * PIECE
    kept = take(house, data, message="a-large-one")
    assert [each.name for each in kept] == [uuid(each) for each in range(3)]
    (message,) = house.messages()
    assert (message.id, message.size, message.outcome) == ("a-large-one", len(data), Outcome.KEPT)
    assert message.content_hash == messages.fingerprint(data)
    assert house.raw("a-large-one") == data
    assert house.rows()["message_pieces"] == 3


def test_a_large_payload_sent_again_leaves_no_pieces_behind(house: House) -> None:
    data = many(2, padding=PIECE // 2 + 1)
    take(house, data)
    before = house.rows()
    assert outcomes(take(house, data)) == {ReportOutcome.UNCHANGED}
    after = house.rows()
    assert after.pop("messages") == before.pop("messages") + 1
    assert after.pop("feed_days") == before.pop("feed_days") + 1
    assert after == before


def test_pieces_that_are_there_are_not_written_again(house: House) -> None:
    data = many(1, padding=PIECE)
    for number in range(2):
        piece = data[number * PIECE : (number + 1) * PIECE]
        house.database.write(lambda tx, n=number, p=piece: pieces.add(tx, "mine", n, p))
    take(house, data, message="mine")
    assert house.raw("mine") == data


def test_a_large_payload_that_is_refused_lies_whole_in_quarantine(house: House) -> None:
    data = many(1, padding=PIECE)[:-20]
    with pytest.raises(SenderFault):
        take(house, data, refused=lambda _: "-12")
    (item,) = house.quarantined()
    assert item.code == "report-xml"
    assert house.raw(item.message) == data
    assert house.messages()[0].answer == "-12"


@pytest.mark.parametrize("count", [TOGETHER, TOGETHER + 1, 2 * TOGETHER + 1])
def test_every_report_is_kept_once_however_many(house: House, count: int) -> None:
    kept = take(house, many(count))
    assert [each.name for each in kept] == [uuid(each) for each in range(count)]
    assert outcomes(kept) == {ReportOutcome.KEPT}
    assert house.rows()["reports"] == count


def test_a_report_of_another_agency_refuses_the_whole_where_that_is_asked_for(house: House) -> None:
    foreign = many(2, agency="YF-A-999")
    with pytest.raises(UnknownSender) as caught:
        take(house, foreign, is_own_only=True)
    assert caught.value.code == "report-agency-unknown"
    assert caught.value.path.endswith("dAgency.02")
    assert house.rows()["reports"] == 0
    assert [each.code for each in house.quarantined()] == ["report-agency-unknown"]
    assert len(take(house, foreign)) == 2, "another door keeps it and says so"


@pytest.mark.parametrize("count", [3, TOGETHER + 1])
def test_reports_are_left_out_by_their_uuid_whatever_its_capitals(house: House, count: int) -> None:
    data = many(count).replace(uuid(1).encode(), uuid(1).upper().encode())
    kept = take(house, data, left_out=frozenset({uuid(1)}))
    assert len(kept) == count - 1
    assert house.rows()["reports"] == count - 1


def test_nothing_is_kept_where_all_are_left_out(house: House) -> None:
    assert take(house, REPORT, left_out=frozenset(_uuids(REPORT))) == []
    assert house.rows()["messages"] == 0


def _uuids(data: bytes) -> list[str]:
    at = data.index(b'UUID="') + 6
    return [data[at : at + 36].decode()]


@pytest.mark.parametrize("data", [b"", b"x", OTHER, b"y" * (PIECE + 1)])
def test_size_and_hash_are_those_of_the_bytes(data: bytes) -> None:
    source = io.BytesIO(data)
    source.seek(len(data))
    assert measure(source) == (len(data), hashlib.sha256(data).digest())
