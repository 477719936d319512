"""What may be told of a linked record: rules of the region, common practice, no source."""

import pytest
from msgspec.structs import replace

from gateway.adapters.disclosure import get_scheme, newest_first, shows_content, standing_reports, standing_visits
from gateway.errors import GatewayFault
from gateway.records import Detail, LinkState, RecordKind
from tests.adapters.linked import BAND, BAND_ONLY, LINKED_VISIT, RECORD, at, link
from tests.bands.schemes import SCHEMES, YARROWFEN


@pytest.mark.parametrize("state", LinkState)
def test_only_a_standing_link_is_told(state: LinkState) -> None:
    record = replace(
        RECORD,
        reports=(replace(RECORD.reports[0], link=link("r-1", RecordKind.CARE_REPORT, state=state)),),
        visits=(replace(LINKED_VISIT, link=link("v-1", RecordKind.VISIT, state=state)),),
    )
    stands = state is LinkState.LINKED
    assert bool(standing_reports(record)) is stands
    assert bool(standing_visits(record)) is stands


@pytest.mark.parametrize("detail", Detail)
@pytest.mark.parametrize("confirmed", [True, False])
def test_content_needs_a_clinical_recipient_and_a_confirmed_link(detail: Detail, confirmed: bool) -> None:
    item = replace(LINKED_VISIT, link=link("v-1", RecordKind.VISIT, confirmed=confirmed))
    shown = shows_content(replace(BAND_ONLY, detail=detail), item)
    assert shown is (detail is Detail.CLINICAL and confirmed)


def test_event_time_decides_which_visit_is_newest() -> None:
    admission = LINKED_VISIT.visit.admission
    early = replace(LINKED_VISIT, visit=replace(LINKED_VISIT.visit, admission=replace(admission, event_time=at(1))))
    assert newest_first([early, LINKED_VISIT]) == [LINKED_VISIT, early]


def test_the_scheme_of_a_band() -> None:
    assert get_scheme(BAND, SCHEMES) is YARROWFEN
    with pytest.raises(GatewayFault):
        get_scheme("YF7K4M2QH", SCHEMES)
