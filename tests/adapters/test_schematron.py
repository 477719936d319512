"""Rule files become stylesheets: held against the published rule files and the words of ISO/IEC 19757-3.

The stylesheets are run by a foreign processor, as the gateway does.
"""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
import rnc2rng
from lxml import etree

from gateway.adapters.report_parts import Part
from gateway.adapters.schematron import describe, to_stylesheet
from gateway.errors import ConfigurationFault
from gateway.rule_orders import Stylesheet
from gateway.rule_runner import RuleRunner
from tests.fixtures.committed import SHARED, needs_standards

NEMSIS = SHARED / "nemsis"
S = "{http://purl.oclc.org/dsdl/svrl}"


@pytest.fixture(scope="module")
def runner() -> Iterator[RuleRunner]:
    with RuleRunner(processes=1) as one:
        yield one


def rules(*patterns: str, head: str = "", tail: str = "", binding: str = "xslt2") -> bytes:
    return (
        '<sch:schema xmlns:sch="http://purl.oclc.org/dsdl/schematron" xmlns:xsl="http://www.w3.org/1999/XSL/Transform"'
        f' id="EMSDataSet" queryBinding="{binding}" schemaVersion="3.5.1.250403CP1_yarrowfen">'
        f'<sch:title>Rules of Yarrowfen</sch:title><sch:ns prefix="n" uri="http://www.nemsis.org"/>{head}'
        f"{''.join(patterns)}{tail}</sch:schema>"
    ).encode()


def rule(context: str, test: str, text: str = "told", *, lets: str = "", kind: str = "assert", more: str = "") -> str:
    found = f'<sch:{kind} id="t" role="[ERROR]" test="{test}" {more}>{text}</sch:{kind}>'
    return f'<sch:rule context="{context}">{lets}{found}</sch:rule>'


def pattern(*inner: str, more: str = 'id="p"') -> str:
    return f"<sch:pattern {more}>{''.join(inner)}</sch:pattern>"


def run(runner: RuleRunner, source: bytes, document: str, headers: int = 0, reports: int = 0) -> etree._Element:
    data = f'<EMSDataSet xmlns="http://www.nemsis.org">{document}</EMSDataSet>'.encode()
    return etree.fromstring(runner.run(Stylesheet.of(to_stylesheet(source)), Part(data, headers, reports)))


def texts(svrl: etree._Element) -> list[str]:
    return [" ".join("".join(map(str, each.itertext())).split()) for each in svrl.iter(f"{S}text")]


# ── the published files ────────────────────────────────────────────────────────────────────────────


def svrl_grammar() -> etree.RelaxNG:
    """The form of a NEMSIS SVRL document, `nemsis-svrl.rnc`, but for what the converter cannot read.

    That is one exception from a name and the attributes of other namespaces in a text, of which we write none.
    """
    text = (NEMSIS / "schematron" / "nemsis-svrl.rnc").read_text(encoding="utf-8")
    for found, instead in (
        ('xsd:NMTOKEN - "nemsisDiagnostic"', "xsd:NMTOKEN"),
        ('namespace local = ""', ""),
        ("foreign = foreign-attributes | foreign-element", "foreign = foreign-element"),
        ("foreign-attributes = attribute * - (xml:* | local:*) { text }*", ""),
    ):
        assert found in text
        text = text.replace(found, instead)
    return etree.RelaxNG(etree.fromstring(rnc2rng.dumps(rnc2rng.loads(text)).encode()))


#: National findings of each sample by level: the counts of the published rules run with the standard's own
#: stylesheets (standards/nemsis.md, section 13: generated and custom files 6 to 29 warnings each, pre-test none).
NATIONAL = {"custom-elements": (6, 29), "generated": (6, 29), "pretest-full": (0, 0), "pretest-national": (0, 0)}


@needs_standards
def test_the_published_rules_find_in_the_samples_what_they_should(runner: RuleRunner) -> None:
    grammar = svrl_grammar()
    sheets = {
        name: Stylesheet.of(to_stylesheet((NEMSIS / "schematron" / name / "EMSDataSet.sch").read_bytes()))
        for name in ("national", "pretest")
    }
    for path in sorted((NEMSIS / "samples").glob("*/*.xml")):
        for name, sheet in sheets.items():
            svrl = etree.fromstring(runner.run(sheet, Part(path.read_bytes(), 0, 0)))
            assert grammar.validate(svrl), f"{path.name}: {grammar.error_log}"
            roles = Counter(each.get("role") for each in svrl.iter(f"{S}failed-assert", f"{S}successful-report"))
            if path.name == "2025-EMS-FailSchematron_v351.xml":
                assert roles == {"[ERROR]": 1}, (name, roles)
            elif name == "pretest" or path.parent.name == "pretest-fail":
                assert roles == {}, (path.name, name)
            else:
                least, most = NATIONAL[path.parent.name]
                assert least <= roles["[WARNING]"] <= most, (path.name, roles)
                assert set(roles) <= {"[WARNING]"}


@needs_standards
def test_the_must_fail_sample_fails_by_its_rule_and_its_place_can_be_found(runner: RuleRunner) -> None:
    """nemSch_e005 (standards/nemsis.md, sections 11 and 13); the location is an XPath 2 from the root."""
    sheet = Stylesheet.of(to_stylesheet((NEMSIS / "schematron" / "national" / "EMSDataSet.sch").read_bytes()))
    data = (NEMSIS / "samples" / "pretest-fail" / "2025-EMS-FailSchematron_v351.xml").read_bytes()
    svrl = etree.fromstring(runner.run(sheet, Part(data, 0, 0)))
    (failed,) = svrl.iter(f"{S}failed-assert")
    assert failed.get("id") == "nemSch_e005"
    location = failed.get("location", "").replace("*:", "*[local-name()='").replace("[namespace", "'][namespace")
    (element,) = etree.fromstring(data).getroottree().xpath(location)
    assert str(element.tag).endswith("}eSituation.10")
    uuids = [each.text for each in failed.iter("{http://www.nemsis.org}UUID")]
    assert uuids == [etree.fromstring(data).find(".//{*}PatientCareReport").get("UUID")]  # type: ignore[union-attr]
    assert svrl.find(f"{S}active-pattern[@document]") is None


@needs_standards
def test_the_files_say_what_they_are() -> None:
    said = describe((NEMSIS / "schematron" / "national" / "EMSDataSet.sch").read_bytes())
    assert (said.id, said.version) == ("EMSDataSet", "3.5.1.250403CP1")


# ── the words of the standard ──────────────────────────────────────────────────────────────────────


def test_the_first_rule_whose_context_fits_fires(runner: RuleRunner) -> None:
    """ISO/IEC 19757-3, 6.5: the rules of a pattern are an if-then-else; patterns know nothing of each other."""
    first, second = rule("n:a[@x]", "false()", "first"), rule("n:a", "false()", "second")
    source = rules(pattern(first, second), pattern(rule("n:a", "false()", "other"), more='id="q"'))
    assert texts(run(runner, source, '<a x="1"/><a/>')) == ["first", "second", "other", "other"]


def test_an_assert_fails_where_a_report_succeeds(runner: RuleRunner) -> None:
    source = rules(
        pattern(rule("n:a", "@x = 1", kind="assert")), pattern(rule("n:b", "@x = 1", kind="report"), more="")
    )
    svrl = run(runner, source, '<a x="1"/><a x="2"/><b x="1"/><b x="2"/>')
    told = [
        (each.tag, each.get("location", "")[-4:]) for each in svrl.iter(f"{S}failed-assert", f"{S}successful-report")
    ]
    assert told == [(f"{S}failed-assert", "][2]"), (f"{S}successful-report", "][1]")]


def test_lets_are_seen_where_they_stand(runner: RuleRunner) -> None:
    """ISO/IEC 19757-3, 5.4.5: of the schema, of a pattern, of a rule; the innermost counts."""
    let = '<sch:let name="{}" value="{}"/>'
    source = rules(
        pattern(let.format("who", "'pattern'"), let.format("only", "count(//n:a)"), rule("n:a", "false()", _SAYS)),
        pattern(rule("n:a", "false()", _SAYS, lets=let.format("who", "'rule'") + let.format("only", "$who")), more=""),
        head=let.format("who", "'schema'"),
    )
    assert texts(run(runner, source, "<a/>")) == ["pattern 1", "rule rule"]


_SAYS = '<sch:value-of select="$who"/> <sch:value-of select="$only"/>'


def test_abstract_rules_and_patterns_are_filled_in(runner: RuleRunner) -> None:
    """ISO/IEC 19757-3, 5.4.12 (extends) and 5.4.10 (is-a, param)."""
    source = rules(
        '<sch:pattern abstract="true" id="most">'
        + rule("$what", "count($what-part) le $most", "at most $most")
        + "</sch:pattern>",
        '<sch:pattern is-a="most" id="made"><sch:param name="what" value="n:a"/>'
        '<sch:param name="what-part" value="n:p"/><sch:param name="most" value="1"/></sch:pattern>',
        pattern(
            '<sch:rule abstract="true" id="base"><sch:let name="x" value="@x"/>'
            '<sch:assert role="[WARNING]" test="$x">base <sch:name/></sch:assert></sch:rule>'
            '<sch:rule context="n:b"><sch:extends rule="base"/>'
            '<sch:assert role="[ERROR]" test="$x = 1">own</sch:assert></sch:rule>'
        ),
    )
    assert texts(run(runner, source, '<a><p/></a><a><p/><p/></a><b/><b x="2"/>')) == [
        "at most $most",
        "base b",
        "own",
        "own",
    ]


def test_only_the_patterns_of_the_default_phase_are_run(runner: RuleRunner) -> None:
    """ISO/IEC 19757-3, 5.4.11 and 6.2."""
    source = rules(
        pattern(rule("n:a", "false()", "in"), more='id="in"'),
        pattern(rule("n:a", "false()", "out"), more='id="out"'),
        head='<sch:phase id="short"><sch:active pattern="in"/></sch:phase>',
    ).replace(b"<sch:schema ", b'<sch:schema defaultPhase="short" ')
    svrl = run(runner, source, "<a/>")
    assert texts(svrl) == ["in"]
    assert [each.get("id") for each in svrl.iter(f"{S}active-pattern")] == ["in"]


def test_rules_may_be_about_attributes_text_and_the_root(runner: RuleRunner) -> None:
    source = rules(
        *(pattern(rule(each, "false()", "told"), more="") for each in ("@x", "n:a/text()", "/", "comment()"))
    )
    svrl = run(runner, source, '<a x="{1}">b</a><!-- c -->')
    assert [each.get("location", "").rpartition("]/")[2] for each in svrl.iter(f"{S}failed-assert")] == [
        "@*[local-name()='x' and namespace-uri()='']", "text()", "/", "comment()",
    ]  # fmt: skip


def test_foreign_content_keeps_its_namespaces(runner: RuleRunner) -> None:
    """A default namespace counts for the names that `xsl:element` makes; a prefix for those within expressions."""
    diagnostic = """<sch:diagnostics><sch:diagnostic id="d">
        <told xmlns="http://www.nemsis.org" xmlns:other="http://www.nemsis.org"><xsl:element name="made">
          <xsl:value-of select="name(), count(//other:a), key('of', '1')/local-name()"/>
        </xsl:element></told></sch:diagnostic></sch:diagnostics>"""
    key = '<xsl:key name="of" match="n:a" use="@x"/>'
    source = rules(pattern(rule("n:a", "false()", more='diagnostics="d"')), head=key, tail=diagnostic)
    svrl = run(runner, source, '<a x="1"/>')
    (made,) = svrl.iter("{http://www.nemsis.org}made")
    assert made.text == "a 1 a"


def test_a_subject_is_the_place_where_there_is_one(runner: RuleRunner) -> None:
    """ISO/IEC 19757-3, 5.5.2: evaluated in the context of the rule."""
    source = rules(
        pattern(rule("n:a", "false()", more='subject="n:none, n:b"'), rule("n:c", "false()", more='subject="n:d"'))
    )
    svrl = run(runner, source, "<a><b/></a><c/>")
    ends = [each.get("location", "").rpartition("*:")[2][0] for each in svrl.iter(f"{S}failed-assert")]
    assert ends == ["b", "c"]


def test_a_part_is_located_in_the_whole(runner: RuleRunner) -> None:
    source = rules(pattern(rule("n:PatientCareReport", "false()")))
    one = "<PatientCareReport/>"
    svrl = run(runner, source, f"<Header>{one}{one}</Header><Header>{one}</Header>", headers=4, reports=7)
    numbers = [
        [step.rpartition("[")[2] for step in each.get("location", "").split("/*:")[2:]]
        for each in svrl.iter(f"{S}failed-assert")
    ]
    assert numbers == [["5]", "8]"], ["5]", "9]"], ["6]", "1]"]]


# ── what is refused ────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("source", "said"),
    [
        (b"<", "not well-formed"),
        (b'<!DOCTYPE a [<!ENTITY b "c">]><a/>', "document type"),
        (b"<a/>", "not an ISO Schematron"),
        (rules(binding="xslt"), "queryBinding"),
        (rules(pattern(rule("n:a", "true()").replace('role="[ERROR]"', 'role="bad"'))), "role"),
        (rules(pattern(rule("", "true()"))), "without context"),
        (rules(pattern(rule("n:a", ""))), "without an expression"),
        (rules(pattern(rule("n:a", "true()", more='diagnostics="none"'))), "diagnostic"),
        (rules(pattern('<sch:rule context="n:a"><sch:extends rule="none"/></sch:rule>')), "extends"),
        (rules(pattern('<sch:rule abstract="true" id="r"><sch:extends rule="r"/></sch:rule>'
                       '<sch:rule context="n:a"><sch:extends rule="r"/></sch:rule>')), "itself"),
        (rules(pattern(more='is-a="none"')), "is-a"),
        (rules('<sch:include href="other.sch"/>'), "another file"),
        (rules(pattern(rule("n:a", "true()"), more="documents=\"'x'\"")), "other documents"),
    ],
)  # fmt: skip
def test_what_cannot_be_run_is_told_with_its_line(source: bytes, said: str) -> None:
    with pytest.raises(ConfigurationFault, match=said) as caught:
        to_stylesheet(source)
    assert all(fault.line for fault in caught.value.faults)


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(ConfigurationFault) as caught:
        to_stylesheet(rules(pattern(rule("", "")), binding="python"))
    assert len(caught.value.faults) == 3


def test_nothing_of_this_machine_is_named(runner: RuleRunner) -> None:
    svrl = run(runner, rules(pattern(rule("n:a", "false()"))), "<a/>")
    assert str(Path.cwd()) not in etree.tostring(svrl).decode()
