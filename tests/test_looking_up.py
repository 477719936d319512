"""What is known under a band: every record and why, every question, and no person's data.

The shape is the contract's (`bandgate lookup`); that an answer names places and numbers and nobody's data is the
gateway's own rule. What each run became stands in fixtures/expected.yaml.
"""

import re
from typing import Any

import orjson
import pytest

from gateway.looking_up import look_up, note_look_up
from gateway.records import Traffic
from gateway.store import audit
from tests.working import FIXTURES, START, House, cases, edited, expected

LINK = {"state", "confirmed", "reasons", "decided", "decided_by"}


def ask(house: House, band: str) -> dict[str, Any]:
    return house.database.read(lambda tx: look_up(tx, house.region, band))


@pytest.mark.parametrize("name", ["chest-pain-1", "doe", "two-crews", "band-alone", "two-in-one-report"])
def test_a_band_leads_to_every_record_and_its_reasons(house: House, name: str) -> None:
    house.play(cases()[name]["files"])
    ((bands, there),) = expected(cases()[name]).episodes.items()
    for band in bands:
        answer = ask(house, band)
        assert answer["band"]["canonical"] == band
        episode = answer["episode"]
        assert (episode["state"], episode["bands"]) == ("open", list(bands))
        found = {
            (r["kind"], r["organisation"], r["id"]): (r["link"]["state"], r["link"]["confirmed"])
            for r in episode["records"]
        }
        assert found == there
        for record in episode["records"]:
            assert record["link"].keys() == LINK
            assert "band" in {reason["code"] for reason in record["link"]["reasons"]}


def test_test_traffic_is_asked_for_by_itself_and_otherwise_only_hinted_at(house: House) -> None:
    house.play(cases()["exercise"]["files"])
    live = ask(house, "YT547J7F0")
    assert (live["traffic"], live["episode"], live["known_elsewhere"]) == ("live", None, True)
    test = house.database.read(lambda tx: look_up(tx, house.region, "YT547J7F0", traffic=Traffic.TEST))
    assert (test["traffic"], test["known_elsewhere"]) == ("test", False)
    assert test["episode"]["records"]


@pytest.mark.parametrize("given", ["YFFPD2J2A", "yffpd2j2a", "YFF-PD2-J2A", " YFF PD2 J2A\n", "]Q1YFFPD2J2A"])
def test_a_band_is_known_however_it_was_scanned_or_typed(house: House, given: str) -> None:
    """ISO/IEC 15424: ]Q1 is what a scanner puts before a QR code's content."""
    house.play(cases()["chest-pain-1"]["files"])
    answer = ask(house, given)
    assert answer["band"] == {"given": given, "canonical": "YFFPD2J2A", "printed": "YFF PD2 J2A"}
    assert answer["episode"] is not None


def test_an_unknown_band_has_no_episode(house: House) -> None:
    house.play(cases()["chest-pain-1"]["files"])
    answer = ask(house, "YF7K4M2QG")
    assert answer["episode"] is None
    assert answer["reviews"] == []


@pytest.mark.parametrize(
    ("given", "fault", "says"),
    [
        ("YFFPD2J2C", "band-check", "the check character does not fit: one character or more is wrong"),
        ("", "band-pattern", "not the form of any known band scheme"),
        ("MCI-1", "band-pattern", "it does not begin with YF or YT"),
        ("]E0YFFPD2J2A", "band-symbology", "scanned from a symbol that no band carries"),
    ],
)
def test_what_is_no_band_is_said_to_be_none_and_never_mended(house: House, given: str, fault: str, says: str) -> None:
    """ISO/IEC 15424: ]E0 stands before the content of an EAN symbol."""
    house.play(cases()["chest-pain-1"]["files"])
    answer = ask(house, given)
    remedy = answer["band"].pop("remedy")
    told = {"given": given, "canonical": None, "fault": fault, "message": says}
    assert answer == {"band": told, "episode": None}
    (example,) = re.findall(r"^a band looks like (YT\w \w{3} \w{3}) \(for training; live ones begin with YF\)$", remedy)
    (scheme,) = house.region.schemes
    assert scheme.is_training(scheme.parse(example))


def test_an_exercise_is_not_found_beside_live_data(house: House) -> None:
    house.play(cases()["exercise"]["files"])
    assert ask(house, "YT547J7F0")["episode"] is None


def test_a_held_link_shows_what_contradicts_and_the_question(house: House) -> None:
    house.play(cases()["contradiction"]["files"])
    episode = ask(house, "YFYMJR950")["episode"]
    assert {r["link"]["state"] for r in episode["records"]} == {"held"}
    assert {
        reason["code"] for r in episode["records"] for reason in r["link"]["reasons"] if not reason["supports"]
    } >= {
        "sex",
        "birth-date",
    }
    assert [each["question"] for each in episode["reviews"]] == ["contradiction"]
    assert len(episode["reviews"][0]["records"]) == 2


def test_a_band_in_prose_leads_to_the_question_about_it(house: House) -> None:
    house.play(cases()["transfer-child"]["files"][4:5])
    (band,) = expected(cases()["transfer-child"]).episodes
    answer = ask(house, band[0])
    assert answer["episode"] is None
    assert [each["question"] for each in answer["reviews"]] == ["free-text-only"]


def test_earlier_episodes_of_a_band_are_told_apart(house: House) -> None:
    """A band identifies only while it is worn (common practice, no source)."""
    house.play(cases()["chest-pain-1"]["files"])
    name = cases()["chest-pain-1"]["files"][1]
    later = (FIXTURES / name).read_bytes().replace(b"20260314", b"20260514")
    house.admit(edited(later, MSH_10=b"MAY1", PV1_19=b"V900^^^AHMC^VN", PID_18=b""))
    answer = ask(house, "YFFPD2J2A")
    assert [each["id"] for each in answer["episode"]["records"]] == ["V900"]
    (earlier,) = answer["earlier_episodes"]
    assert earlier["state"] == "closed"
    assert len(earlier["records"]) == 2


def test_the_answer_names_nobody(house: House) -> None:
    for name in ("chest-pain-1", "contradiction", "doe"):
        files = cases()[name]["files"]
        house.play(files)
        told = orjson.dumps(ask(house, expected(cases()[name]).episodes.popitem()[0][0])).decode()
        for file in files:
            for value in _of_persons((FIXTURES / file).read_bytes()):
                assert value not in told


def _of_persons(data: bytes) -> set[str]:
    """Family name, given name and birth date as the files write them, cut by hand."""
    found = re.findall(rb"<ePatient\.(?:02|03|17)>([^<]{4,})<", data)
    for line in data.replace(b"\n", b"\r").split(b"\r"):
        if line.startswith(b"PID|"):
            fields = line.split(b"|")
            found += [*fields[5].split(b"^")[:2], fields[7]]
    return {each.decode("latin-1") for each in found if len(each) > 3}


def test_who_looked_is_written_down_but_not_what_for(house: House) -> None:
    house.database.write(lambda tx: note_look_up(tx, who="coordinator", found=True, at=START))
    entries = house.database.read(audit.recent)
    assert [(each.who, each.what, each.why) for each in entries][:1] == [("coordinator", "band-looked-up", "found")]
