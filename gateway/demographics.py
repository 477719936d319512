"""What agencies say about themselves, kept, and held beside the region file.

Nothing here changes the region: whom it knows by which number is decided by people, in region.yaml. What the
demographics have and the file has not, or has otherwise, is a suggestion in the form of that file.
"""

import re
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from msgspec.structs import replace

from gateway.adapters.demographics import agencies
from gateway.adapters.report_payload import USUAL, Limits, Readable
from gateway.errors import UnknownSender
from gateway.records import Organisation, Traffic
from gateway.records.demographics import Agency, Facility
from gateway.region import Feed
from gateway.store import demographics
from gateway.store.database import Database
from gateway.store.demographics import KeptAgency
from gateway.store.transaction import Tx

_NOT_IN_IDS = re.compile(r"[^a-z0-9]+")


class KeptDemographics(NamedTuple):
    """What a demographic submission came to: the agencies it told of, and how many of them said something new."""

    agencies: tuple[Agency, ...]
    changed: int


class Suggestion(NamedTuple):
    """An organisation as it should stand in region.yaml, and why; `known` is what stands there now."""

    organisation: Organisation
    reason: str
    known: Organisation | None


def keep_demographics(
    database: Database, source: bytes | Readable, *, feed: Feed, traffic: Traffic, now: datetime, limits: Limits = USUAL
) -> KeptDemographics:
    """Keep a demographic data set of a feed: all its agencies in one transaction, or none.

    The latest submission counts, and what it does not name is deleted; one of national elements only names nobody's
    facilities, and deletes none. Raises as `gateway.adapters.demographics.agencies` does, and `UnknownSender` for an
    agency that is not the feed's.
    """
    told = tuple(agencies(source, limits=limits))
    for each in told:
        if each.number not in feed.source.agency_numbers:
            raise UnknownSender(
                "an agency that is not the feed's",
                code="unknown-feed",
                path="/DEMDataSet/DemographicReport/dAgency/dAgency.02",
                remedy="submit each agency by its own account, or give its number in region.yaml",
            )
    changed = database.write(lambda tx: sum(_keep(tx, each, feed.name, traffic, now) for each in told))
    return KeptDemographics(told, changed)


def _keep(tx: Tx, agency: Agency, feed: str, traffic: Traffic, now: datetime) -> bool:
    if agency.is_partial:
        before = demographics.find(tx, state=agency.state, number=agency.number, traffic=traffic)
        if before is not None:
            agency = _national_over(agency, before.agency)
    return demographics.put(tx, agency, feed=feed, traffic=traffic, at=now)


def _national_over(national: Agency, before: Agency) -> Agency:
    """What is known of an agency after an export of the national elements only: the rest stays as it was."""
    return replace(
        before, state_id=national.state_id, national_ids=national.national_ids, name=national.name or before.name
    )


# ── beside the region file ─────────────────────────────────────────────────────────────────────────


def suggestions(organisations: Sequence[Organisation], kept: Sequence[KeptAgency]) -> list[Suggestion]:
    """Give back the organisations that the demographics name and a region lacks, or has otherwise.

    Two agencies may list one facility: it is suggested once, with the codes of both.
    """
    agencies_said = [each.agency for each in kept]
    found = [_agency_suggestion(each, organisations) for each in agencies_said]
    facilities = _by_facility(facility for agency in agencies_said for facility in agency.facilities)
    found += [_facility_suggestion(name, codes, organisations) for name, codes in facilities]
    return _with_ids([each for each in found if each is not None], {each.id for each in organisations})


def _agency_suggestion(agency: Agency, organisations: Sequence[Organisation]) -> Suggestion | None:
    known = next(
        (
            each
            for each in organisations
            if each.kind == "agency"
            and each.nemsis_number == agency.number
            and (each.nemsis_state in {None, agency.state})
        ),
        None,
    )
    name = agency.name or agency.state_id or agency.number
    if known is None:
        made = Organisation(
            id=_id_of(name), kind="agency", name=name, nemsis_number=agency.number, nemsis_state=agency.state
        )
        return Suggestion(made, "the region file has no agency of this number", None)
    wanted = replace(known, nemsis_state=agency.state, name=agency.name or known.name)
    return None if wanted == known else Suggestion(wanted, f"the region file has {_differing(known, wanted)}", known)


def _facility_suggestion(name: str, codes: tuple[str, ...], organisations: Sequence[Organisation]) -> Suggestion | None:
    places = [each for each in organisations if each.kind == "facility"]
    known = next((each for each in places if set(codes) & set(each.codes)), None) or next(
        (each for each in places if _id_of(each.name) == _id_of(name)), None
    )
    if known is None:
        made = Organisation(id=_id_of(name), kind="facility", name=name, codes=codes)
        return Suggestion(made, "the region file has no facility of this code or name", None)
    wanted = replace(known, codes=(*known.codes, *(code for code in codes if code not in known.codes)))
    return None if wanted == known else Suggestion(wanted, f"the region file has {_differing(known, wanted)}", known)


def _by_facility(facilities: Iterable[Facility]) -> list[tuple[str, tuple[str, ...]]]:
    """Names and codes of the facilities: one place where a code is shared, or else the name."""
    names: list[str] = []
    codes: list[dict[str, None]] = []
    for facility in facilities:
        own = [code for code in (facility.code, *facility.national_ids) if code]
        name = facility.name or (own[0] if own else "")
        place = next((n for n, known in enumerate(codes) if any(code in known for code in own)), None)
        if place is None:
            place = next((n for n, known in enumerate(names) if _id_of(known) == _id_of(name)), None)
        if place is None:
            place = len(names)
            names.append(name)
            codes.append({})
        codes[place].update(dict.fromkeys(own))
    return [(name, tuple(found)) for name, found in zip(names, codes, strict=True)]


def _differing(known: Organisation, wanted: Organisation) -> str:
    said = []
    if known.name != wanted.name:
        said.append(f"the name {known.name}")
    if known.nemsis_state != wanted.nemsis_state:
        said.append("no nemsis_state")
    if known.codes != wanted.codes:
        said.append(f"the codes {', '.join(known.codes) or 'none'}")
    return ", ".join(said)


def _with_ids(found: list[Suggestion], taken: set[str]) -> list[Suggestion]:
    """Give new organisations ids that nobody has."""
    told = []
    for each in found:
        made = each.organisation
        if each.known is None:
            number = 1
            while made.id in taken:
                number += 1
                made = replace(made, id=f"{each.organisation.id}-{number}")
            taken.add(made.id)
        told.append(each._replace(organisation=made))
    return told


def _id_of(name: str) -> str:
    """The id of a name, by the rule for ids in region.yaml."""
    plain = unicodedata.normalize("NFKD", name.replace("'", "")).encode("ascii", "ignore").decode()
    return _NOT_IN_IDS.sub("-", plain.lower()).strip("-") or "organisation"
