"""The verdict of SVRL documents, and several made one.

The form is that of ISO/IEC 19757-3 annex D with the NEMSIS diagnostic (NEMSIS V3 Schematron guide).
"""

from lxml import etree

from gateway.adapters.report_checks import Role, gravest
from gateway.adapters.svrl import gather

S = "http://purl.oclc.org/dsdl/svrl"


def document(*findings: str) -> bytes:
    """A report of two patterns, the second of which finds something."""
    fired = '<s:fired-rule context="x"/>' if findings else ""
    return (
        f'<s:schematron-output xmlns:s="{S}" title="Rules"><s:ns-prefix-in-attribute-values prefix="n" uri="u"/>'
        f'<s:active-pattern id="one" document="/srv/data/secret.xml"/><s:active-pattern id="two"/>'
        f"{fired}{''.join(findings)}</s:schematron-output>"
    ).encode()


def found(role: str, uuid: str = "", kind: str = "failed-assert", text: str = "told") -> str:
    record = f"<UUID>{uuid}</UUID>" if uuid else ""
    return (
        f'<s:{kind} role="{role}" location="/" test="t"><s:text>{text}</s:text>'
        '<s:diagnostic-reference diagnostic="nemsisDiagnostic"><nemsisDiagnostic xmlns="http://www.nemsis.org">'
        f"<record>{record}</record></nemsisDiagnostic></s:diagnostic-reference></s:{kind}>"
    )


def test_the_gravest_role_is_the_verdict() -> None:
    assert gather([document()]).worst is None
    assert gather([document(found("[WARNING]"))]).worst is Role.WARNING
    assert gather([document(found("[WARNING]"), found("[ERROR]"))]).worst is Role.ERROR
    assert (
        gather([document(found("[FATAL]", kind="successful-report")), document(found("[ERROR]"))]).worst is Role.FATAL
    )
    assert gravest([None, Role.ERROR, Role.WARNING]) is Role.ERROR
    assert gravest([None]) is None


def test_only_grave_findings_name_failed_reports() -> None:
    report = gather(
        [
            document(found("[ERROR]", "ABC"), found("[WARNING]", "def")),
            document(found("[FATAL]", "abc"), found("[ERROR]")),
        ]
    )
    assert (report.failed_uuids, report.failed_unplaced) == (("abc",), 1)


def test_no_file_name_is_left() -> None:
    assert b"secret.xml" not in gather([document(found("[ERROR]"))]).svrl


def test_of_several_parts_all_findings_stay_and_idle_patterns_are_named_once() -> None:
    told = [document(found("[ERROR]", text="first")), document(), document(found("[WARNING]", text="third"))]
    root = etree.fromstring(gather(told).svrl)
    names = [str(each.tag).rpartition("}")[2] for each in root]
    assert names == [
        "ns-prefix-in-attribute-values", "active-pattern", "active-pattern", "fired-rule", "failed-assert",
        "active-pattern", "fired-rule", "failed-assert",
    ]  # fmt: skip
    assert [each.text for each in root.iter(f"{{{S}}}text")] == ["first", "third"]


def test_warnings_give_way_where_an_answer_would_be_too_large() -> None:
    many = [document(*(found("[WARNING]", text=f"w{n}") for n in range(50)), found("[ERROR]", "abc", text="grave"))]
    report = gather(many, most=2_000)
    assert report.omitted > 30
    assert b"grave" in report.svrl
    assert len(report.svrl) < 6_000
    assert (report.worst, report.failed_uuids) == (Role.ERROR, ("abc",))
