"""The pages as a browser gets them: really served, asked by a foreign client, read by a foreign parser.

What makes a page usable by keyboard and screen reader is checked against WCAG 2.2; the success criterion stands
beside each check.
"""

from datetime import timedelta
from itertools import pairwise

import httpx
import pytest
from lxml import html
from lxml.html import HtmlElement

from gateway.caution import CAUTION
from gateway.records import Finding, Level, Link, LinkState, Reason, RecordKind, Review, ReviewState, Traffic
from gateway.store import links, messages, quarantine, reviews, strangers, worklist
from gateway.store.database import Database
from gateway.store.messages import MessageKind, Outcome
from gateway.web.sign_in import FirstAccount
from tests.web.yarrowfen import NOW, SECRETS, Clock, fill, fill_test, hold_a_delivery, message, sign_in

HOSTILE = "<script>alert('x')</script>\"'&\u202e<img src=x onerror=alert(1)>"


@pytest.fixture
def coordinator(client: httpx.Client, database: Database, account: FirstAccount) -> httpx.Client:
    """A signed-in client of a gateway that has seen live and test traffic."""
    for work in (fill, fill_test, hold_a_delivery):
        database.write(work)
    assert sign_in(client, *account).status_code == 303
    return client


def read(client: httpx.Client, path: str) -> HtmlElement:
    answer = client.get(path)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return html.document_fromstring(answer.text)


def words(element: HtmlElement) -> str:
    return " ".join(" ".join(element.itertext()).split())


def section(page: HtmlElement, name: str) -> str:
    return words(page.get_element_by_id(name))


# ── what it says ───────────────────────────────────────────────────────────────────────────────────


def test_a_stranger_who_knocks_is_shown_and_no_name_of_his_is_markup(
    coordinator: httpx.Client, database: Database
) -> None:
    knock = strangers.Knock("mllp", "192.0.2.7", HOSTILE, "SKH", "unknown-feed")
    database.write(lambda tx: strangers.note(tx, knock, at=NOW))
    page = read(coordinator, "/")
    shown = section(page, "strangers")
    assert "A stranger is knocking" in shown
    assert "<script>alert('x')</script>" in shown
    assert "SKH – 192.0.2.7 mllp unknown-feed 1" in shown
    assert page.xpath("//*[@id='strangers']//script | //*[@id='strangers']//img") == []


def test_the_status_page_says_what_goes_on(coordinator: httpx.Client) -> None:
    page = read(coordinator, "/")
    assert "As of 2026-03-14 12:05:09 -05:00" in words(page)
    waiting = [words(item) for item in page.xpath("//nav//li")]
    assert waiting == ["1 open review", "1 held delivery", "1 message in quarantine", "1 fault on a work list"]
    assert "the sexes recorded differ: which record is right? 2026-03-14 11:37:09 -05:00 28 min ago" in section(
        page, "reviews"
    )
    assert "anvil-head-records 1 held the subscriber answered 422 2026-03-14 11:50:09 -05:00 15 min ago" in section(
        page, "deliveries"
    )
    assert "anvil-head-records Anvil Head Medical Center 1 0 0 0 1" in section(page, "deliveries")
    assert "MSH-9 names no trigger hl7-no-trigger send MSH-9 as ADT^A01 MSH-9 line 1 no feed of the region" in section(
        page, "quarantine"
    )
    assert (
        "harrow-point-reports Harrow Point Ambulance care reports live 2026-03-14 11:05:09 -05:00 1 h 0 min ago 1 0"
        in section(page, "feeds")
    )
    assert "skerry-reports Skerry Air Rescue care reports trial on trial: see test traffic 0 0" in section(
        page, "feeds"
    )
    assert "anvil-head-admissions admission kept AA" in section(page, "messages")
    assert "1 linked (two identifiers agree in 1) 1 held 0 withdrawn" in section(page, "links")
    assert "Harrow Point Ambulance care report linked two agree For: family and given name agree" in section(
        page, "links"
    )
    assert "visit held band alone Against: the sexes recorded differ" in section(page, "links")


def test_the_caution_stands_where_people_act(coordinator: httpx.Client) -> None:
    page = read(coordinator, "/")
    assert CAUTION in words(page.xpath("//footer")[0])
    reviews_, first_table = page.get_element_by_id("reviews"), page.xpath("//section[@id='reviews']//table")[0]
    caution = reviews_.find_class("caution")[0]
    assert CAUTION in words(caution)
    order = list(reviews_.iter())
    assert order.index(caution) < order.index(first_table)


def test_a_fresh_gateway_says_so(client: httpx.Client, account: FirstAccount) -> None:
    sign_in(client, *account)
    page = read(client, "/")
    text = words(page)
    assert "Nothing waits for a person" in text
    for nothing in (
        "No review is open.",
        "Nothing is in quarantine.",
        "No message yet.",
        "No record has been linked yet.",
    ):
        assert nothing in text


def test_the_page_goes_with_the_clock(coordinator: httpx.Client, clock: Clock) -> None:
    clock.now = NOW + timedelta(hours=2)
    assert "3 h 0 min ago" in section(read(coordinator, "/"), "feeds")
    clock.now = NOW + timedelta(hours=11)  # past the region's midnight, which is 05:00 UTC
    assert "today began at 2026-03-14 00:00:00 -05:00" in section(read(coordinator, "/"), "feeds")
    clock.now = NOW + timedelta(hours=11, minutes=55)
    assert "today began at 2026-03-15 00:00:00 -05:00" in section(read(coordinator, "/"), "feeds")


# ── live and test ──────────────────────────────────────────────────────────────────────────────────


def test_test_traffic_never_stands_on_the_live_page(coordinator: httpx.Client) -> None:
    live = coordinator.get("/").text
    assert coordinator.get("/?traffic=live").text == live
    assert "an exercise question" not in live
    assert "11:56:09" not in live  # when the exercise's only message came in
    assert "skerry" not in section(read(coordinator, "/"), "messages")


def test_the_page_of_test_traffic_says_so_in_words(coordinator: httpx.Client) -> None:
    page = read(coordinator, "/?traffic=test")
    banner = page.find_class("banner")[0]
    assert words(banner).startswith("Test traffic.")
    assert banner.xpath(".//a/@href") == ["/"]
    assert words(page.xpath("//h1")[0]) == "Status of test traffic"
    assert "Test traffic" in page.findtext(".//title")
    text = words(page)
    assert "an exercise question" in text
    assert "the sexes recorded differ: which record is right?" not in text
    assert "harrow-point-reports care report" not in section(page, "messages")
    assert "Test traffic is never delivered to anybody." in text
    assert page.find_class("banner")
    assert not read(coordinator, "/").find_class("banner")


@pytest.mark.parametrize("asked", ["tset", "", "LIVE", "live%00", "test&traffic=nonsense"])
def test_other_traffic_is_not_guessed(coordinator: httpx.Client, asked: str) -> None:
    answer = coordinator.get(f"/?traffic={asked}")
    assert answer.status_code == 400
    assert "There is live traffic and test traffic." in answer.text


# ── what it must not say ───────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("path", ["/", "/?traffic=test", "/nowhere", "/?traffic=x"])
def test_no_person_and_no_band_stands_on_a_page(coordinator: httpx.Client, path: str) -> None:
    text = coordinator.get(path).text
    assert [secret for secret in SECRETS if secret.lower() in text.lower()] == []


def test_hostile_text_is_shown_as_text(coordinator: httpx.Client, database: Database) -> None:
    """Paths, sentences, answers and reasons may hold what a sender wrote in a name of an element or a code."""
    stray = message("h", HOSTILE, MessageKind.ADMISSION, NOW, outcome=Outcome.QUARANTINED, answer=HOSTILE)
    database.write(lambda tx: messages.add(tx, stray, b""))
    database.write(
        lambda tx: quarantine.add(
            tx,
            quarantine.Quarantined(message="h", code=HOSTILE, says=HOSTILE, remedy=HOSTILE, path=HOSTILE, at=NOW),
        )
    )
    finding = Finding(level=Level.ERROR, code=HOSTILE, message=HOSTILE, path=HOSTILE)
    database.write(
        lambda tx: worklist.add(tx, (finding,), feed="harrow-point-reports", message="h", at=NOW, traffic=Traffic.LIVE)
    )
    question = Review(id="h", state=ReviewState.OPEN, question="q", says=HOSTILE, opened=NOW, episode="episode-live")
    database.write(lambda tx: reviews.add(tx, question))
    decision = Link(
        id="h",
        episode="episode-live",
        kind=RecordKind.VISIT,
        record="h",
        organisation=HOSTILE,
        state=LinkState.HELD,
        confirmed=False,
        reasons=(Reason(code="h", says=HOSTILE),),
        decided=NOW,
    )
    database.write(lambda tx: links.add(tx, decision))
    database.write(lambda tx: hold_a_delivery(tx, HOSTILE))
    page = read(coordinator, "/")
    assert page.xpath("//script | //img | //@onerror") == []
    assert len(page.xpath("//section")) == 7
    for name in ("reviews", "deliveries", "quarantine", "faults", "messages", "links"):
        assert HOSTILE in section(page, name)


def test_a_store_that_fails_is_told_plainly(coordinator: httpx.Client, database: Database) -> None:
    database.close()
    answer = coordinator.get("/")
    assert answer.status_code == 503
    assert "Not available now" in answer.text
    assert "Traceback" not in answer.text
    assert "content-security-policy" in answer.headers
    assert coordinator.get("/sign-in").status_code == 303


# ── who it is for ──────────────────────────────────────────────────────────────────────────────────


PATHS = ["/", "/?traffic=test", "/nowhere"]


@pytest.mark.parametrize("path", PATHS)
def test_landmarks_and_headings(coordinator: httpx.Client, path: str) -> None:
    """WCAG 1.3.1, 2.4.1 (a way past the header), 2.4.2 (title), 2.4.6, 3.1.1 (language)."""
    page = read(coordinator, path)
    assert page.get("lang") == "en"
    assert words(page.xpath("//h1")[0]) in page.findtext(".//title") or path == "/?traffic=test"
    assert [len(page.xpath(f"//{name}")) for name in ("h1", "header", "main", "footer")] == [1, 1, 1, 1]
    assert page.xpath("//body/*[1]/@href") == ["#main"]
    levels = [int(each.tag[1]) for each in page.xpath("//h1 | //h2 | //h3")]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    labels = page.xpath("//@aria-labelledby") + [anchor[1:] for anchor in page.xpath("//a/@href[starts-with(., '#')]")]
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert set(labels) <= set(ids)


def test_tables_say_what_they_are(coordinator: httpx.Client) -> None:
    """WCAG 1.3.1: a caption, headings with scope, and a heading for every cell when the rows become cards."""
    page = read(coordinator, "/")
    tables = page.xpath("//table")
    assert len(tables) == 8
    for table in tables:
        assert words(table.xpath("./caption")[0])
        heads = [words(head) for head in table.xpath("./thead/tr/th[@scope='col']")]
        for row in table.xpath("./tbody/tr"):
            assert row.xpath("./*/@data-heading") == heads
            assert len(row.xpath("./th[@scope='row']")) == 1
            assert {cell.get("role") for cell in row} == {"rowheader", "cell"}


def test_the_form_has_labels(client: httpx.Client) -> None:
    """WCAG 1.3.5 (purpose of a field), 3.3.1 (the fault in words), 3.3.2, 3.3.8 (password managers may fill it in)."""
    page = read(client, "/sign-in")
    for name, purpose in (("account", "username"), ("password", "current-password")):
        field = page.get_element_by_id(name)
        assert page.xpath(f"//label[@for='{name}']")
        assert field.get("autocomplete") == purpose
        assert field.get("required") is not None
    failed = html.document_fromstring(sign_in(client, "wren", "x").text)
    assert words(failed.get_element_by_id("fault")) == "Not signed in. Account and password do not fit together."
    assert failed.get_element_by_id("account").get("value") == "wren"
    assert failed.get_element_by_id("password").get("value") is None
    assert failed.findtext(".//title").startswith("Sign-in failed")


def test_states_are_told_in_words_too(coordinator: httpx.Client) -> None:
    """WCAG 1.4.1: colour is never the only sign."""
    for state in read(coordinator, "/").find_class("state"):
        assert words(state)


def test_nothing_comes_from_elsewhere(coordinator: httpx.Client) -> None:
    page = read(coordinator, "/")
    addresses = page.xpath("//@href | //@src | //@action")
    assert addresses
    assert all(each.startswith(("/", "#")) and not each.startswith("//") for each in addresses)
    assert page.xpath("//@style | //style | //script | //iframe | //meta[@http-equiv]") == []
