"""The settings of a region: one table with name, default, unit and meaning; `settings:` in region.yaml changes them.

An unknown name or a value of the wrong kind stops the start, with a suggestion. Every setting stands in
DEVELOPERS.md or README.md too; a test compares the two.
"""

from typing import Literal

from pydantic import Field

from gateway.documents import Section

TEN_YEARS = 87_660  # in hours: more than any rule of linking can mean


class Settings(Section):
    """What an operator may change; the defaults are the contract with the outside."""

    mllp_frame_bytes: int = Field(
        16 * 1024 * 1024,
        ge=1024,
        description="largest HL7 v2 message taken, in bytes; emergency-department PDFs are big",
    )
    care_report_bytes: int = Field(100_000_000, ge=1024, description="largest care-report payload taken, in bytes")
    submission_at_once_bytes: int = Field(
        2_000_000,
        ge=0,
        le=4_000_000,
        description="a payload of the report web service larger than so many bytes is answered with 0 and worked on "
        "afterwards; RetrieveStatus tells the result",
    )
    submission_at_once_seconds: float = Field(
        20, ge=0, description="a submission that takes longer is answered with 0, or 10 once it is validated"
    )
    submission_days: float = Field(
        180, gt=0, le=3660, description="so long RetrieveStatus tells the result of a submission; then its code is -41"
    )
    same_submission: Literal["accept", "refuse"] = Field(
        "accept",
        description="a submission whose payload came before: accept takes it again, changes nothing and says so; "
        "refuse answers -11",
    )
    rule_errors: Literal["file", "record", "none"] = Field(
        "file",
        description="what is refused where a rule finds an ERROR in a submission: the whole file (-14), only the "
        "records that have one (6), or none (2), although the standard's Schematron guide forbids that",
    )
    idle_seconds: float = Field(900, gt=0, description="an MLLP connection that says nothing for so long is closed")
    half_frame_seconds: float = Field(30, gt=0, description="a started frame must be complete within so long")
    connections_per_address: int = Field(200, ge=1, description="MLLP connections taken from one address")
    connections_in_all: int = Field(2000, ge=1, description="MLLP connections taken in all")
    tls_handshake_seconds: float = Field(10, gt=0, description="a TLS handshake must be over within so long")
    messages_in_flight: int = Field(
        512, ge=1, description="MLLP messages that are worked on at once; further connections wait their turn"
    )
    unanswered_bytes: int = Field(
        256 * 1024 * 1024,
        ge=64 * 1024,
        description="what messages that are not answered yet, whole or begun, may hold together on all MLLP "
        "connections, in bytes; over it the connection that brings more is closed",
    )
    duplicate_days: float = Field(
        14,
        gt=0,
        le=3660,
        description="the same bytes under the same control id within so many days are answered as before, and change "
        "nothing",
    )
    stranger_messages: int = Field(
        100,
        ge=1,
        description="messages of one unknown sender that are kept in quarantine; further ones are refused and counted",
    )
    feed_requests_per_second: float = Field(
        200, gt=0, description="HTTP requests a feed may send on average; twice as many at once"
    )
    address_requests_per_second: float = Field(
        400,
        gt=0,
        description="HTTP requests from one address on average, those for its health apart; twice as many at once",
    )
    http_connections: int = Field(2000, ge=1, description="HTTP connections taken in all")
    request_seconds: float = Field(
        30,
        gt=0,
        description="the head of an HTTP request, and then its body if it is small, must have come within so long",
    )
    body_bytes_per_second: int = Field(
        16_384, ge=1, description="a request's body that takes longer must come as fast as this on average"
    )
    folder_scan_seconds: float = Field(10, gt=0, description="a watched folder is looked through so often")
    folder_settle_seconds: float = Field(
        10, ge=0, description="a file in a watched folder is taken when it has not changed for so long"
    )
    folder_file_bytes: int = Field(
        1_000_000_000, ge=1024, description="largest file of care reports taken from a watched folder, in bytes"
    )
    sign_in_attempts: int = Field(10, ge=1, description="failed sign-ins an account and address may have in 15 minutes")
    look_up_misses: int = Field(
        60, ge=1, description="band look-ups that find nothing an account may have in 10 minutes"
    )
    keep_faults: Literal["accept", "report"] = Field(
        "accept",
        description="how a message that was kept but has faults is acknowledged: accept says AA and puts the faults "
        "on the feed's work list (a wrong AE halts a hospital's feed); report says AE, and 4 to those of the web "
        "service",
    )
    two_identifiers: bool = Field(
        True, description="clinical content moves only when the band and one independent fact agree"
    )
    arrival_hours_before: float = Field(
        2,
        ge=0,
        le=TEN_YEARS,
        description="a visit may start so long before the report's arrival time and still be the same",
    )
    arrival_hours_after: float = Field(
        24,
        ge=0,
        le=TEN_YEARS,
        description="a visit may start so long after the report's arrival time and still be the same",
    )
    episode_hours: float = Field(
        72,
        ge=1,
        le=TEN_YEARS,
        description="so long after an episode's latest event a sighting of its band still belongs to it",
    )
    episode_records: int = Field(
        50,
        ge=2,
        le=1000,
        description="records that an episode takes; a further one with its band is kept, not linked, and a person is "
        "asked whether some system fills the band in by itself",
    )
    age_years_apart: int = Field(
        2,
        ge=0,
        description="ages may differ by so many years before they contradict (estimated ages: three times that)",
    )
    delivery_attempts: int = Field(40, ge=1, description="a delivery is tried so often before a person must decide")
    delivery_first_wait_seconds: float = Field(1, gt=0, description="wait before the second attempt; doubles each time")
    delivery_longest_wait_seconds: float = Field(300, gt=0, description="longest wait between two attempts")
    delivery_lease_seconds: float = Field(
        120, gt=0, description="a claimed delivery returns to the queue after so long"
    )
    group_commit: int = Field(256, ge=1, description="most messages that share one commit")
