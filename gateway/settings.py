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
    idle_seconds: float = Field(900, gt=0, description="an MLLP connection that says nothing for so long is closed")
    half_frame_seconds: float = Field(30, gt=0, description="a started frame must be complete within so long")
    connections_per_address: int = Field(200, ge=1, description="MLLP connections taken from one address")
    connections_in_all: int = Field(2000, ge=1, description="MLLP connections taken in all")
    sign_in_attempts: int = Field(10, ge=1, description="failed sign-ins an account and address may have in 15 minutes")
    look_up_misses: int = Field(
        60, ge=1, description="band look-ups that find nothing an account may have in 10 minutes"
    )
    keep_faults: Literal["accept", "report"] = Field(
        "accept",
        description="how a message that was kept but has faults is acknowledged: accept says AA and puts the faults "
        "on the feed's work list (a wrong AE halts a hospital's feed); report says AE",
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
