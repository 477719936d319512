"""A watched folder of a real process, which is killed or stopped in the middle of a file and started again.

Outside: SIGKILL (POSIX) leaves no chance to tidy up; file system and store are looked into from another process.
"""

import json
import signal
from pathlib import Path
from typing import Any

import pytest

from gateway.records import Traffic
from gateway.store.messages import Outcome, recent
from gateway.store.statements import Statement
from gateway.store.tables import REPORTS
from gateway.store.transaction import Tx
from tests.doors.test_folder import A04, A08, many_reports
from tests.wire.process import Gateway, running
from tests.wire.waiting import until

MANY = 1500


def with_folders(folder: Path) -> Any:
    def change(region: dict[str, Any]) -> None:
        region["settings"] = {"folder_scan_seconds": 0.05, "folder_settle_seconds": 0.05}
        for feed in region["feeds"]:
            if feed["name"] in {"harrow-point-reports", "anvil-head-adt"}:
                (folder / feed["name"]).mkdir()
                feed["folder"] = feed["name"]

    return change


def reports_in(tx: Tx) -> int:
    return len(tx.rows(Statement(REPORTS.select().with_only_columns(REPORTS.c.key))))


def result_of(path: Path) -> dict[str, Any]:
    until(path.exists, "the result")
    found: dict[str, Any] = json.loads(path.read_bytes())
    return found


def kept(gateway: Gateway) -> int:
    return int(gateway.read(reports_in))


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGTERM])
def test_a_file_of_many_reports_survives_an_end_in_its_middle(tmp_path: Path, end: signal.Signals) -> None:
    with running(tmp_path, with_folders(tmp_path)) as gateway:
        drop = tmp_path / "harrow-point-reports"
        assert gateway.doors["folders"]["harrow-point-reports"] == str(drop)  # type: ignore[index]
        whole = many_reports(MANY)
        (drop / "night.xml.part").write_bytes(whole)
        (drop / "night.xml.part").rename(drop / "night.xml")
        until(lambda: kept(gateway) > 0, "the first reports")
        assert gateway.stop(end) == (0 if end is signal.SIGTERM else -end)
        before = kept(gateway)
        assert 0 < before < MANY
        assert (drop / "taking" / "night.xml").exists()
        gateway.start()
        told = result_of(drop / "done" / "night.xml.result.json")
        outcomes = [each["outcome"] for each in told["records"]]
        assert (outcomes.count("unchanged"), outcomes.count("kept")) == (before, MANY - before)
        until((drop / "done" / "night.xml").exists, "the file to be put away")
        assert kept(gateway) == MANY
        assert (drop / "done" / "night.xml").read_bytes() == whole
        assert {each.outcome for each in gateway.read(recent)} <= {Outcome.KEPT, Outcome.DUPLICATE}
        assert gateway.stop() == 0
        assert "Grünb" not in gateway.log()


def test_a_batch_of_admissions_is_taken_from_a_folder_and_the_gateway_stops_cleanly(tmp_path: Path) -> None:
    with running(tmp_path, with_folders(tmp_path)) as gateway:
        drop = tmp_path / "anvil-head-adt"
        (drop / "batch.hl7").write_bytes(b"BHS|^~\\&\r" + A04 + A08 + b"BTS|2\r")
        told = result_of(drop / "done" / "batch.hl7.result.json")
        assert [each["outcome"] for each in told["records"]] == ["kept", "kept"]
        assert {each.traffic for each in gateway.read(recent)} == {Traffic.LIVE}
        assert gateway.stop() == 0
