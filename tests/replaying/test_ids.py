"""New ids: unique, in order, and the same new one wherever the old one stood.

Sources: MSH-10 holds 20 characters until 2.6 (from memory); the form of a report UUID is the schema's type
UUID; the base-32 alphabet and its order are Crockford's (from memory).
"""

import itertools
import re
import uuid
from datetime import UTC, datetime, timedelta

import hl7
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.replaying.ids import control_ids, report_ids, with_control_id, with_report_ids

NOW = datetime(2026, 3, 14, 12, tzinfo=UTC)
BITS = st.integers(0, 2**30 - 1)


@given(BITS)
def test_control_ids_are_short_unique_and_in_order(chance: int) -> None:
    ids = list(itertools.islice(control_ids(NOW, chance), 3000))
    assert all(re.fullmatch(r"[0-9A-Z]{20}", each) for each in ids)
    assert ids == sorted(set(ids))


@given(BITS, BITS, st.timedeltas(timedelta(milliseconds=1), timedelta(days=3650)))
def test_control_ids_of_a_later_run_sort_later(first: int, second: int, later: timedelta) -> None:
    earlier = list(itertools.islice(control_ids(NOW, first), 50))
    assert max(earlier) < next(control_ids(NOW + later, second))


@given(BITS, BITS)
def test_control_ids_of_two_runs_at_once_differ(first: int, second: int) -> None:
    one, other = (set(itertools.islice(control_ids(NOW, chance), 50)) for chance in (first, second))
    assert one == other if first == second else one.isdisjoint(other)


@pytest.mark.parametrize("old", ["M1", "M1^X", "20260314-0001~2"])
def test_only_the_control_id_changes(old: str) -> None:
    body = f"MSH|^~\\&|A|M1|||20260314||ADT^A08|{old}|P|2.5|M1\rPID|1||M1\r"
    changed = with_control_id(body.encode(), "NEW").decode()
    assert changed == body.replace(f"|{old}|P", "|NEW|P")
    assert str(hl7.parse(changed)["MSH"][0][10]) == "NEW"


@pytest.mark.parametrize(
    "body", [b"MSH|^~\\&|A|B|||1||ADT^A08||P|2.5\r", b"MSH|^~\\&|A|B|||1||ADT^A08\r", b"MSH|^~&|A\r", b""]
)
def test_a_message_without_a_control_id_gets_none(body: bytes) -> None:
    assert with_control_id(body, "NEW") == body


OLD, NEW = "5f1d0f0e-2f6b-4b0e-9d2f-0a1b2c3d4e5f", "0a0a0a0a-1b1b-4c4c-8d8d-2e2e2e2e2e2e"


def test_the_ids_of_the_reports_in_a_file() -> None:
    body = (
        f'<Header><PatientCareReport UUID="{OLD.upper()}"><a UUID="{NEW}"/></PatientCareReport></Header>'
        f"<n:PatientCareReport\n x='1' UUID = '{NEW}'></n:PatientCareReport><PatientCareReport UUID='7'/>"
        f"<PatientCareReportX UUID='{OLD}'/><PatientCareReport>"
    )
    assert list(report_ids(body.encode())) == [OLD, NEW]


def test_a_report_id_is_replaced_wherever_it_is_quoted() -> None:
    replacements = {OLD: NEW}
    report = f'<PatientCareReport UUID="{OLD.upper()}"><x>{OLD}</x><y>{OLD}0</y><z>x{OLD}</z></PatientCareReport>'
    expected = f'<PatientCareReport UUID="{NEW.upper()}"><x>{NEW}</x><y>{OLD}0</y><z>x{OLD}</z></PatientCareReport>'
    assert with_report_ids(report.encode(), replacements) == expected.encode()
    admission = f"PID|1||{OLD}^^^PCR~77^^^AHMC\r"
    assert with_report_ids(admission.encode(), replacements) == admission.replace(OLD, NEW).encode()


@given(st.lists(st.uuids(), max_size=5), st.dictionaries(st.uuids().map(str), st.uuids().map(str), max_size=3))
def test_unknown_ids_stay(quoted: list[uuid.UUID], replacements: dict[str, str]) -> None:
    body = "|".join(str(each) for each in quoted if str(each) not in replacements).encode()
    assert with_report_ids(body, replacements) == body
