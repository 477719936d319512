"""Whose message it is: what a connection proves, what a message says, and what happens where they contradict.

No source outside: which system may speak for which feed is what the region file says.
"""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.attribution import Caller, ClientCertificate, attribute, find_certified
from gateway.errors import UnknownSender
from gateway.mapping.rules import Kind
from gateway.region import Region, read_region
from tests.wire.process import region_file

FINGERPRINT = "ab" * 32
ENGINE = "engine.anvil-head.example"


def change(region: dict[str, Any]) -> None:
    """One engine sends for two feeds of a hospital; Saint Orla has a fingerprint; a feed says nothing of itself."""
    feeds = {feed["name"]: feed for feed in region["feeds"]}
    for name in ("anvil-head-adt", "anvil-head-ed"):
        feeds[name]["client_certificates"] = [{"name": ENGINE}]
    feeds["saint-orla-adt"]["client_certificates"] = [{"sha256": FINGERPRINT}]
    del feeds["fenwick-adt"]["sender"]
    region["listeners"] = [
        {"name": "island", "port": 0, "feed": "brackwater-adt"},
        {"name": "children", "port": 0, "feed": "fenwick-adt"},
        {"name": "city", "port": 0, "tls": {"certificate": "server.pem", "client_issuers": "issuers.pem"}},
    ]


@pytest.fixture(scope="module")
def region(tmp_path_factory: pytest.TempPathFactory) -> Region:
    return read_region(region_file(tmp_path_factory.mktemp("region"), change))


def whose(region: Region, sender: str, caller: Caller | None) -> str:
    """The feed, or why there is none."""
    try:
        return attribute(region, *sender.split("|"), caller).name
    except UnknownSender as fault:
        return fault.code


PLAIN = Caller("mllp", "192.0.2.7")
BOTH = ("anvil-head-adt", "anvil-head-ed")


@pytest.mark.parametrize(
    ("sender", "caller", "feed"),
    [
        ("BMHREG|BMH", PLAIN, "brackwater-adt"),
        ("NOBODY|BMH", PLAIN, "unknown-feed"),
        ("|", PLAIN, "unknown-feed"),
        # by port
        ("BMHREG|BMH", PLAIN._replace(port_feed="brackwater-adt"), "brackwater-adt"),
        ("NOBODY|BMH", PLAIN._replace(port_feed="brackwater-adt"), "feed-contradiction"),
        ("WALKIN|SOH", PLAIN._replace(port_feed="brackwater-adt"), "feed-contradiction"),
        ("ANY|THING", PLAIN._replace(port_feed="fenwick-adt"), "fenwick-adt"),
        ("BMHREG|BMH", PLAIN._replace(port_feed="fenwick-adt"), "feed-contradiction"),
        # by certificate
        ("AHREG|AHMC", PLAIN, "feed-certificate"),
        ("AHREG|AHMC", PLAIN._replace(certified=BOTH), "anvil-head-adt"),
        ("EDTRACK|AHMC", PLAIN._replace(certified=BOTH), "anvil-head-ed"),
        ("NOBODY|AHMC", PLAIN._replace(certified=BOTH), "feed-contradiction"),
        ("BMHREG|BMH", PLAIN._replace(certified=BOTH), "feed-contradiction"),
        ("AHREG|AHMC", PLAIN._replace(certified=("saint-orla-adt",)), "feed-contradiction"),
        # by both
        ("BMHREG|BMH", Caller("mllp", "", "brackwater-adt", BOTH), "feed-contradiction"),
        ("AHREG|AHMC", Caller("mllp", "", "anvil-head-adt", BOTH), "anvil-head-adt"),
        ("AHREG|AHMC", Caller("mllp", "", "anvil-head-adt"), "feed-certificate"),
        # a command that reads a file has no connection
        ("AHREG|AHMC", None, "anvil-head-adt"),
    ],
)
def test_what_is_proved_and_what_is_said_must_agree(region: Region, sender: str, caller: Caller, feed: str) -> None:
    assert whose(region, sender, caller) == feed


def test_a_certificate_is_known_by_a_name_or_its_fingerprint(region: Region) -> None:
    def known(sha256: str, *names: str) -> tuple[str, ...]:
        return find_certified(region, ClientCertificate(sha256, frozenset(names)))

    assert known("00" * 32, ENGINE) == BOTH
    assert known(FINGERPRINT) == ("saint-orla-adt",)
    assert known(FINGERPRINT, ENGINE, "more.example") == (*BOTH, "saint-orla-adt")
    assert known("00" * 32, "more.example") == known("00" * 32) == ()


@given(st.data())
def test_nobody_speaks_for_a_feed_that_his_connection_does_not_prove(region: Region, data: st.DataObject) -> None:
    feeds = [feed for feed in region.feeds.values() if feed.kind is Kind.ADMISSIONS]
    names = st.sampled_from([feed.name for feed in feeds])
    senders = [each.sender for each in feeds if each.sender]
    parts = st.sampled_from(["", "X", *(part or "" for each in senders for part in (each.application, each.facility))])
    certified = tuple(data.draw(st.lists(names, unique=True, max_size=3)))
    caller = Caller("mllp", "", data.draw(st.none() | names), certified)
    try:
        feed = attribute(region, data.draw(parts), data.draw(parts), caller)
    except UnknownSender:
        return
    assert caller.port_feed in (None, feed.name)
    assert not certified or feed.name in certified
    assert not feed.certificates or feed.name in certified


def test_the_region_file_is_where_all_of_it_stands(tmp_path: Path) -> None:
    region = read_region(region_file(tmp_path, change))
    assert [(each.name, each.feed) for each in region.listeners] == [
        ("island", "brackwater-adt"),
        ("children", "fenwick-adt"),
        ("city", None),
    ]
    tls = region.listeners[2].tls
    assert tls is not None
    assert (tls.certificate, tls.client_issuers) == (tmp_path / "server.pem", tmp_path / "issuers.pem")
    assert tls.client_certificates == "required"


def test_a_refusal_says_where_and_what_to_do(region: Region) -> None:
    """Table 0357: 207 is an application error; nothing else there fits (ERR-3 of the answer)."""
    for sender, caller in (("X|Y", PLAIN), ("AHREG|AHMC", PLAIN), ("X|Y", PLAIN._replace(certified=BOTH))):
        with pytest.raises(UnknownSender) as caught:
            attribute(region, *sender.split("|"), caller)
        fault = caught.value
        assert (fault.path, fault.line, fault.hl7_code) == ("MSH-3", 1, "207")
        assert fault.remedy
