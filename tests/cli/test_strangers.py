"""`bandgate strangers`: who knocks, and what to do about it, with nothing of any message."""

from datetime import UTC, datetime
from pathlib import Path

from gateway.run import Options, open_database
from gateway.store import strangers
from gateway.store.strangers import FROM_ONE_ADDRESS, Knock
from tests.cli.conftest import Bandgate

AT = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
KNOCK = Knock("mllp", "192.0.2.7", "NEWREG", "SKH", "unknown-feed")


def filled(folder: Path, *knocks: Knock) -> Path:
    with open_database(Options(region=folder, data=folder / "data")) as database:
        for knock in knocks:
            database.write(lambda tx, knock=knock: strangers.note(tx, knock, at=AT))
    return folder / "data"


def test_everybody_is_listed_with_a_remedy(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("strangers", "--data", filled(tmp_path, KNOCK, KNOCK))
    assert (said.status, said.err) == (0, "")
    assert said.out.splitlines() == [
        "NEWREG / SKH  from 192.0.2.7, at mllp: unknown-feed",
        "  2 messages, 2026-03-14 12:00 to 2026-03-14 12:00 UTC",
        "  remedy: if they should come, add a feed with this sender",
    ]


def test_the_same_as_json(bandgate: Bandgate, tmp_path: Path) -> None:
    many = [KNOCK._replace(application=f"A{n:02}") for n in range(FROM_ONE_ADDRESS + 2)]
    found = bandgate("strangers", "--data", filled(tmp_path, *many), "--json").document["strangers"]
    assert len(found) == FROM_ONE_ADDRESS + 1
    assert found[1] == {
        "application": "A00",
        "facility": "SKH",
        "address": "192.0.2.7",
        "door": "mllp",
        "all_others": False,
        "code": "unknown-feed",
        "times": 1,
        "first": "2026-03-14T12:00:00+00:00",
        "last": "2026-03-14T12:00:00+00:00",
    }
    assert [each["times"] for each in found if each["all_others"]] == [2]


def test_nobody(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("strangers", "--data", filled(tmp_path))
    assert (said.status, said.out) == (0, "no stranger has knocked\n")


def test_a_folder_without_a_store_is_named(bandgate: Bandgate, tmp_path: Path) -> None:
    said = bandgate("strangers", "--data", tmp_path)
    assert said.status == 2
    assert said.faults == [f"{tmp_path}: no gateway.db here: name the folder given to bandgate serve --data"]
