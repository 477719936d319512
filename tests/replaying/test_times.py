"""Moved times: distances kept, every other byte the same, birth dates where they were.

The arithmetic is checked against the standard library's own parsing of the same digits. Forms of times are
those of HL7 v2 (2A, DTM) and of the NEMSIS schema's DateTimeType; the rounding of coarser values is our rule.
"""

import re
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import UsageFault
from gateway.replaying.times import earliest_of_admission, earliest_of_report, shift_admission, shift_report

SHARED = Path(__file__).parents[3] / "shared"
SAMPLES = SHARED / "standards" / "nemsis" / "samples"
CORPUS = SHARED / "corpus" / "hl7"
CHICAGO = ZoneInfo("America/Chicago")
SHIFTS = st.timedeltas(timedelta(days=-9000), timedelta(days=9000))
MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1))  # noqa: DTZ001 - digits, as they are written
OFFSETS = st.sampled_from(["", "+0000", "-0600", "+0545", "-0330"])
SECOND = timedelta(seconds=1)


def segment(name: str, fields: dict[int, str]) -> str:
    return "|".join([name, *(fields.get(number, "") for number in range(1, max(fields) + 1))]) + "\r"


BAND = "YF7K4M2QG^^^YFBAND^PNT"
ADMISSION = (
    "MSH|^~\\&|ADT|AHMC|GATE|YF|{}||ADT^A03^ADT_A03|C20260314|P|2.5.1\r"
    + segment("EVN", {2: "{}", 6: "{}"})
    + segment(
        "PID", {1: "1", 3: f"77^^^AHMC^MR^^{{}}^{{}}~{BAND}", 5: "DOE^QUILL", 7: "19610615120000", 11: "12 PIER RD"}
    )
    + segment("NK1", {1: "1", 2: "DOE^WREN", 8: "20100101", 16: "19590101120000"})
    + segment("PV1", {1: "1", 2: "E", 19: "V20260314", 37: "HOME^{}", 44: "{}", 45: "{}~{}"})
    + segment("OBX", {1: "1", 2: "TS", 3: "8302^TIME SEEN", 5: "20260314120000", 11: "F", 14: "{}"})
    + segment("IN1", {1: "1", 12: "20200101", 13: "20301231"})
)
SLOTS = ADMISSION.count("{}")


def digits(moment: datetime, width: int) -> str:
    return f"{moment:%Y%m%d%H%M%S}"[:width]


@given(st.data(), SHIFTS)
def test_an_admission_keeps_its_distances_and_every_other_byte(data: st.DataObject, shift: timedelta) -> None:
    moments = data.draw(st.lists(MOMENTS, min_size=SLOTS, max_size=SLOTS))
    offsets = data.draw(st.lists(OFFSETS, min_size=SLOTS, max_size=SLOTS))
    fractions = data.draw(st.lists(st.sampled_from(["", ".1", ".2034"]), min_size=SLOTS, max_size=SLOTS))
    values = [f"{digits(m, 14)}{f}{o}" for m, f, o in zip(moments, fractions, offsets, strict=True)]
    before = ADMISSION.format(*values)
    after = shift_admission(before.encode(), shift, UTC).decode()
    pattern = re.compile(
        "".join(re.escape(part) + r"([0-9.+-]+)" for part in ADMISSION.split("{}")[:-1]) + "(.*)", re.DOTALL
    )
    found = pattern.fullmatch(after)  # so all that is no slot is as it was, birth dates among it
    assert found is not None
    for moved, moment, fraction, offset in zip(found.groups()[:-1], moments, fractions, offsets, strict=True):
        assert moved[14:] == fraction + offset
        distance = datetime.strptime(moved[:14], "%Y%m%d%H%M%S") - moment.replace(microsecond=0)  # noqa: DTZ007
        assert distance == round(shift / SECOND) * SECOND
    assert shift_admission(after.encode(), -shift, UTC).decode() == before


@given(MOMENTS, SHIFTS, st.sampled_from([(8, timedelta(days=1)), (10, timedelta(hours=1)), (12, timedelta(minutes=1))]))
def test_a_coarser_value_moves_by_whole_units(moment: datetime, shift: timedelta, form: tuple[int, timedelta]) -> None:
    width, unit = form
    text = digits(moment, width)
    body = ADMISSION.format(*[text] * SLOTS).encode()
    after = shift_admission(body, shift, UTC)
    start = datetime.strptime(text.ljust(14, "0"), "%Y%m%d%H%M%S")  # noqa: DTZ007
    expected = digits(start + round(shift / unit) * unit, width)
    assert after == ADMISSION.format(*[expected] * SLOTS).encode()


@pytest.mark.parametrize(
    ("before", "days", "after"),
    [
        ("2026", 365, "2027"),
        ("2026", 100, "2026"),
        ("202601", 59, "202603"),
        ("202601", -31, "202512"),
        ("00000000", 100, "00000000"),  # a filler
        ("20269101", 100, "20269101"),  # month 91, met in practice
        ('""', 100, '""'),
        ("TODAY", 100, "TODAY"),
        (" 20260101120000", 1, " 20260102120000"),
        ("20260101120000-500", 1, "20260102120000-500"),  # a zone of three digits, in the standard's own examples
        ("20260101120000Z", 1, "20260102120000Z"),
    ],
)
def test_odd_values(before: str, days: int, after: str) -> None:
    body = "MSH|^~\\&|A|B|||20260101||ADT^A08|7|P|2.5\rEVN||{}\r"
    moved = shift_admission(body.format(before).encode(), timedelta(days=days), UTC)
    assert moved.decode().split("EVN||")[1] == f"{after}\r"


@given(MOMENTS.map(lambda moment: moment.replace(microsecond=0)), SHIFTS.map(lambda s: round(s / SECOND) * SECOND))
def test_local_times_keep_their_distance_over_a_change_of_the_clock(moment: datetime, shift: timedelta) -> None:
    body = f"MSH|^~\\&|A|B|||{digits(moment, 14)}||ADT^A08|7|P|2.5\r".encode()
    moved = shift_admission(body, shift, CHICAGO).split(b"|")[6].decode()
    instant = moment.replace(tzinfo=CHICAGO).astimezone(UTC) + shift
    assert moved == digits(instant.astimezone(CHICAGO), 14)


def test_from_winter_into_summer() -> None:
    """Noon in Chicago in January is 18:00 UTC; half a year later 13:00 there is (IANA time zone database)."""
    body = b"MSH|^~\\&|A|B|||20260115120000||ADT^A08|7|P|2.5\rEVN||20260115120000-0600\r"
    moved = shift_admission(body, timedelta(days=181), CHICAGO)
    assert moved == b"MSH|^~\\&|A|B|||20260715130000||ADT^A08|7|P|2.5\rEVN||20260715120000-0600\r"


def test_the_zone_of_the_header_holds_for_the_message() -> None:
    """MSH-7: the offset given there is the default for the times of the message."""
    body = b"MSH|^~\\&|A|B|||20260115120000-0600||ADT^A08|7|P|2.5\rEVN||20260115110000\r"
    assert earliest_of_admission(body, UTC) == datetime(2026, 1, 15, 17, tzinfo=UTC)


def test_the_earliest_time_of_an_admission() -> None:
    """Neither the birth date, nor the last update of the person, nor a day without an hour dates the message."""
    body = (
        b"MSH|^~\\&|A|B|||20260314120500||ADT^A03|7|P|2.5\rEVN||202603141204\r"
        b"PID|1||1||X||1961|||||||||||||||||||||||20190101000000||||20180101000000\r"
        b"PV1|1|E||||||||||||||||||||||||||||||||||||||||||20260314\r"
    )
    assert earliest_of_admission(body, UTC) == datetime(2026, 3, 14, 12, 4, tzinfo=UTC)
    assert earliest_of_admission(b"MSH|^~\\&|A|B|||||ADT^A03|7|P|2.5\r", UTC) is None
    assert earliest_of_admission(b"no message", UTC) is None


@pytest.mark.parametrize("shift", [timedelta(days=3_000_000), timedelta(days=-3_000_000)])
def test_no_time_leaves_the_calendar(shift: timedelta) -> None:
    for value in ("20260314120000", "20260314120000+0000", "20260314", "202603", "2026"):
        with pytest.raises(UsageFault, match="calendar"):
            shift_admission(f"MSH|^~\\&|A|B|||{value}||ADT^A08|7|P|2.5\r".encode(), shift, UTC)
    with pytest.raises(UsageFault, match="calendar"):
        shift_report(b"<a>2026-03-14T12:00:00-05:00</a>", shift, UTC)


def test_a_message_that_cannot_be_read_stays() -> None:
    assert shift_admission(b"MSH|^~&|20260314\r", timedelta(days=1), UTC) == b"MSH|^~&|20260314\r"


# ── care reports ───────────────────────────────────────────────────────────────────────────────────

REPORT = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<!-- exported <eTimes.01>2020-01-01T00:00:00-05:00</eTimes.01> -->\n'
    '<EMSDataSet xmlns="urn:x"><Header><PatientCareReport UUID="5f1d0f0e-2f6b-4b0e-9d2f-0a1b2c3d4e5f">\n'
    "<eTimes><eTimes.01>{}</eTimes.01>\n<eTimes.03>\t{} </eTimes.03><eTimes.05><!-- seen -->{}</eTimes.05></eTimes>\n"
    "<ePatient.17>1961-06-15</ePatient.17><eVitals.01 PN='a > b'>{}</eVitals.01><x:eLabs.01>{}</x:eLabs.01>\n"
    "<eNarrative.01>Called 2026-03-14T12:00:00-05:00 by the harbour.</eNarrative.01>"
    "<eTimes.02 xsi:nil='true' NV='7701003'/><![CDATA[<a>2026-03-14T12:00:00-05:00</a>]]>"
    "</PatientCareReport></Header></EMSDataSet>\n"
)


@given(st.data(), SHIFTS)
def test_a_report_keeps_its_distances_and_every_other_byte(data: st.DataObject, shift: timedelta) -> None:
    slots = REPORT.count("{}")
    moments = [m.replace(microsecond=0) for m in data.draw(st.lists(MOMENTS, min_size=slots, max_size=slots))]
    rests = data.draw(
        st.lists(
            st.sampled_from(["-05:00", "+00:00", "Z", "", ".5-06:00", ".123456789+05:45"]),
            min_size=slots,
            max_size=slots,
        )
    )
    before = REPORT.format(*(m.isoformat() + rest for m, rest in zip(moments, rests, strict=True)))
    expected = REPORT.format(
        *((m + round(shift / SECOND) * SECOND).isoformat() + rest for m, rest in zip(moments, rests, strict=True))
    )
    assert shift_report(before.encode(), shift, UTC).decode() == expected


def test_midnight_at_the_end_of_a_day() -> None:
    """24:00:00 is allowed and is the next day's 00:00:00 (XML Schema part 2, 3.2.7)."""
    body = b"<eTimes.01>2026-03-14T24:00:00-05:00</eTimes.01>"
    assert shift_report(body, timedelta(hours=1), UTC) == b"<eTimes.01>2026-03-15T01:00:00-05:00</eTimes.01>"
    assert earliest_of_report(body, UTC) == datetime(2026, 3, 15, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    "value",
    [
        "2026-02-30T12:00:00-05:00",
        "2026-03-14",
        "2026-03-14T12:00",
        "0000-01-01T00:00:00Z",
        "2026-03-14T12:00:00-99:99",
        "",
    ],
)
def test_what_is_no_time_stays(value: str) -> None:
    body = f"<eTimes.01>{value}</eTimes.01>".encode()
    assert shift_report(body, timedelta(days=1), UTC) == body
    assert earliest_of_report(body, UTC) is None


def test_only_the_times_of_the_run_date_a_report() -> None:
    body = (
        b"<eSituation.01>2026-03-01T08:00:00-06:00</eSituation.01><eTimes.03>2026-03-14T12:00:00-05:00</eTimes.03>"
        b"<eTimes.07>2026-03-14T16:59:59+00:00</eTimes.07>"
    )
    assert earliest_of_report(body, UTC) == datetime(2026, 3, 14, 16, 59, 59, tzinfo=UTC)


def test_local_times_of_a_report() -> None:
    """Not valid since 3.5, met in older exports; read by the clock of the zone."""
    body = b"<eTimes.03>2026-01-15T12:00:00</eTimes.03>"
    assert shift_report(body, timedelta(days=181), CHICAGO) == b"<eTimes.03>2026-07-15T13:00:00</eTimes.03>"


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="the standard's samples (../shared) are not there")
def test_every_time_of_the_standards_samples_moves_and_nothing_else() -> None:
    """Source: the sample files of the NEMSIS standard; what is a time is told by lxml and the schema's form."""
    from lxml import etree

    form = re.compile(r"\s*\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?[+-]\d\d:\d\d\s*")
    day = timedelta(days=100)
    moved_times = 0
    for path in sorted(SAMPLES.rglob("*.xml")):
        body = path.read_bytes()
        before, after = etree.fromstring(body), etree.fromstring(shift_report(body, day, UTC))
        for old, new in zip(before.iter("{*}*"), after.iter("{*}*"), strict=True):
            assert (old.tag, dict(old.attrib), old.tail) == (new.tag, dict(new.attrib), new.tail)
            if not form.fullmatch(old.text or ""):
                assert old.text == new.text
                continue
            moved_times += 1
            assert old.text is not None
            assert new.text is not None
            assert datetime.fromisoformat(new.text.strip()) - datetime.fromisoformat(old.text.strip()) == day
            assert new.text.strip()[19:] == old.text.strip()[19:]
        assert shift_report(shift_report(body, day, UTC), -day, UTC) == body
    assert moved_times > 200


@given(st.binary(max_size=300) | st.text(alphabet="<>!-a /\"'2026T:", max_size=200).map(str.encode))
def test_any_bytes_are_borne(body: bytes) -> None:
    shift_report(body, timedelta(days=1), UTC)
    earliest_of_report(body, timezone(timedelta(hours=-6)))
    shift_admission(body, timedelta(days=1), UTC)


@pytest.mark.skipif(not CORPUS.is_dir(), reason="the corpus of messages (../shared) is not there")
def test_messages_from_elsewhere_move_there_and_back() -> None:
    """Source: the corpus of example messages; only digits may change, and a whole day back is where it was."""
    moved = 0
    for path in sorted(CORPUS.rglob("*.hl7")):
        body = path.read_bytes()
        there = shift_admission(body, timedelta(days=100), UTC)
        assert len(there) == len(body)
        changed = [(old, new) for old, new in zip(body, there, strict=True) if old != new]
        assert {byte for pair in changed for byte in pair} <= set(b"0123456789")
        assert shift_admission(there, timedelta(days=-100), UTC) == body, path.name
        moved += bool(changed)
    assert moved > 50
