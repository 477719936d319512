"""Rules in a process of their own: what they may not do, and what becomes of those that never end."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.adapters.report_parts import Part
from gateway.rule_orders import Stylesheet
from gateway.rule_runner import RuleBroken, RuleFault, RuleRunner, TookTooLong, is_installed

PART = Part(b"<a>x</a>", 0, 0)
ENDLESS = "<xsl:value-of select='count(for $x in 1 to 100000000, $y in 1 to 100000000 return ($x * $y)[. = 7.5])'/>"


def sheet(body: str) -> Stylesheet:
    return Stylesheet.of(
        "<xsl:stylesheet xmlns:xsl='http://www.w3.org/1999/XSL/Transform' version='3.0'><xsl:template match='/'><told>"
        f"{body}</told></xsl:template></xsl:stylesheet>".encode()
    )


@pytest.fixture(scope="module")
def runner() -> Iterator[RuleRunner]:
    with RuleRunner(processes=2) as one:
        yield one


def test_a_stylesheet_is_run(runner: RuleRunner) -> None:
    assert is_installed()
    assert b"<told>x</told>" in runner.run(sheet("<xsl:value-of select='a'/>"), PART)


def test_many_threads_share_a_few_processes(runner: RuleRunner) -> None:
    said: list[bytes] = []

    def ask(number: int) -> None:
        said.extend(runner.run(sheet(f"{number % 3}<xsl:value-of select='a'/>"), PART) for _ in range(10))

    threads = [threading.Thread(target=ask, args=(number,)) for number in range(6)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sorted(set(said)) == [f'<?xml version="1.0" encoding="UTF-8"?><told>{n}x</told>'.encode() for n in range(3)]
    assert len(said) == 60


def test_a_rule_that_never_ends_is_ended_and_the_next_one_runs(tmp_path: Path) -> None:
    with RuleRunner(processes=1, seconds=0.5) as runner:
        with pytest.raises(TookTooLong):
            runner.run(sheet(ENDLESS), PART)
        assert b"x" in runner.run(sheet("<xsl:value-of select='a'/>"), PART)


@pytest.mark.parametrize(
    "body",
    [
        "<xsl:value-of select=\"unparsed-text('file:///etc/hostname')\"/>",
        "<xsl:value-of select=\"unparsed-text('/etc/hostname')\"/>",
        "<xsl:copy-of select=\"doc('PLACE')\"/>",
        "<xsl:copy-of select=\"document('PLACE')\"/>",
        "<xsl:copy-of select=\"collection('PLACE')\"/>",
        "<xsl:value-of select=\"json-doc('PLACE')\"/>",
        "<xsl:source-document href='PLACE'><xsl:copy-of select='.'/></xsl:source-document>",
        "<xsl:result-document href='PLACE'><b/></xsl:result-document>",
        "<xsl:value-of select=\"doc('http://127.0.0.1:1/')\"/>",
        "<xsl:message terminate='yes'>x</xsl:message>",
        "<xsl:value-of select='1 div 0'/>",
        "<xsl:unknown/>",
    ],
)
def test_a_rule_may_not_reach_out_and_is_told_as_broken(runner: RuleRunner, body: str, tmp_path: Path) -> None:
    place = tmp_path / "secret.xml"
    place.write_text("<secret/>")
    with pytest.raises(RuleBroken) as caught:
        runner.run(sheet(body.replace("PLACE", place.as_uri())), PART)
    assert "secret/" not in caught.value.words
    assert place.read_text() == "<secret/>"


def test_no_variable_of_the_environment_is_told(runner: RuleRunner, monkeypatch: pytest.MonkeyPatch) -> None:
    said = runner.run(
        sheet("<xsl:value-of select=\"environment-variable('PATH'), available-environment-variables()\"/>"), PART
    )
    assert b"/bin" not in said


def test_a_part_that_is_no_xml_is_told_as_broken(runner: RuleRunner) -> None:
    with pytest.raises(RuleBroken):
        runner.run(sheet(""), Part(b"<a", 0, 0))


def test_what_is_said_of_a_fault_quotes_nothing(runner: RuleRunner) -> None:
    with pytest.raises(RuleBroken) as caught:
        runner.run(
            sheet("<xsl:value-of select='xs:date(a)' xmlns:xs='http://www.w3.org/2001/XMLSchema'/>"),
            Part(b"<a>Marrowby</a>", 0, 0),
        )
    assert "Marrowby" not in str(caught.value)


def test_closed_twice_and_used_again() -> None:
    runner = RuleRunner(processes=1)
    assert runner.run(sheet("y"), PART)
    runner.close()
    runner.close()
    assert runner.run(sheet("y"), PART)
    runner.close()


def test_a_process_that_cannot_begin_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.executable", "/bin/true")
    with RuleRunner(processes=1) as runner, pytest.raises(RuleFault, match="install the extra anew"):
        runner.run(sheet(""), PART)
