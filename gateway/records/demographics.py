"""What an agency says about itself: who it is, where it stands, and the facilities it takes patients to (NEMSIS DEM).

Kept is what helps to find organisations; the agency's staff, vehicles and devices are none of the gateway's business
and are not read.
"""

from gateway.records.base import Record


class Facility(Record, frozen=True, kw_only=True):
    """A facility of an agency's list.

    `kind` is the NEMSIS code of dFacility.01, `code` the one that care reports carry in eDisposition.02 (dFacility.03),
    `national_ids` are National Provider Identifiers (dFacility.05).
    """

    uuid: str | None = None
    kind: str | None = None
    name: str | None = None
    code: str | None = None
    national_ids: tuple[str, ...] = ()
    state: str | None = None


class Station(Record, frozen=True, kw_only=True):
    """A place of the agency's own (dLocation): `kind` is the NEMSIS code of dLocation.01."""

    uuid: str | None = None
    kind: str | None = None
    name: str | None = None
    number: str | None = None


class Agency(Record, frozen=True, kw_only=True):
    """One DemographicReport: an agency under one number.

    `state_id`, `number`, `name` and `state` are dAgency.01 to .04, `national_ids` dAgency.25. `is_partial` tells that
    only the national elements were exported, which name no facility: nothing may be deleted because of it.
    """

    state_id: str
    number: str
    name: str | None = None
    state: str
    national_ids: tuple[str, ...] = ()
    facilities: tuple[Facility, ...] = ()
    stations: tuple[Station, ...] = ()
    is_partial: bool = False
