"""The watched folders on the status page: which is worked in, which is not and why; no name of any file."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import httpx
import pytest
from lxml import html

from gateway.doors.folder import FolderState
from gateway.store.database import Database
from gateway.web.sign_in import FirstAccount
from tests.web.yarrowfen import NOW, Clock, browser, region, serving, sign_in, state_of

STATES = [
    FolderState(
        feed="harrow-point-reports", path="/srv/<b>harrow", looked=NOW, waiting=2, taken=NOW - timedelta(hours=9)
    ),
    FolderState(feed="skerry-reports", path="/srv/skerry", looked=NOW, closed="another gateway works in it", refused=3),
    FolderState(feed="tidewater-reports", path="/srv/tidewater", stuck=1),
]


@pytest.fixture
def page(database: Database, clock: Clock, account: FirstAccount) -> Iterator[httpx.Client]:
    state = replace(state_of(database, clock, region()), folders=lambda: STATES)
    with serving(state) as address, browser(address) as client:
        assert sign_in(client, *account).status_code == 303
        yield client


def rows(client: httpx.Client) -> list[str]:
    document = html.document_fromstring(client.get("/").text)
    found = document.get_element_by_id("folders").xpath(".//tbody/tr")
    return [" ".join(" ".join(row.itertext()).split()) for row in found]


def test_every_folder_says_how_it_does(page: httpx.Client) -> None:
    harrow, skerry, tidewater = rows(page)
    assert harrow.startswith("harrow-point-reports /srv/<b>harrow watched 2 0 ")
    assert "9 h 0 min ago" in harrow
    assert skerry == "skerry-reports /srv/skerry closed another gateway works in it 0 3 none since the start"
    assert tidewater.startswith("tidewater-reports /srv/tidewater not looked at yet 1 stuck by a fault")


def test_the_page_of_test_traffic_and_a_region_without_folders_have_none(
    page: httpx.Client, client: httpx.Client, account: FirstAccount
) -> None:
    assert 'id="folders"' not in page.get("/?traffic=test").text
    sign_in(client, *account)
    assert 'id="folders"' not in client.get("/").text
