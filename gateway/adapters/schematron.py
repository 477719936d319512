"""A Schematron rule file turned into an XSLT stylesheet that writes SVRL, the standard's own form of a report.

Schematron (ISO/IEC 19757-3) is defined by what it means, and its rules are XPath; so a rule file becomes a
stylesheet by rewriting: each pattern is a mode, each of its rules a template, each test an `xsl:if`.

The rules of this file:

* Within a pattern the first rule whose context matches a node is the one that fires (ISO/IEC 19757-3, 6.5): earlier
  templates have the higher priority.
* A `let` is a variable where it stands. One of a pattern is global, so that contexts may use it, unless its name
  stands elsewhere too.
* Foreign XSLT is taken over: the national rules define a key and write their diagnostic with it (NEMSIS V3
  Schematron guide). What would read or write outside of the report is refused by whoever runs the stylesheet.
* A location is an XPath by namespace and number of every step, as the standard's own stylesheets write it, from the
  root of the data set; `header` and `report` of the numbers are moved on by parameters where only a part of a file
  is checked at once.
* The SVRL names a `fired-rule` where it found something, and no others, which are many; and no file names.
* Every fault of a rule file is told at once, each with its line.
"""

import copy
import re
from collections.abc import Iterator
from typing import NamedTuple

from lxml import etree

from gateway.adapters.report_checks import Role
from gateway.errors import ConfigurationFault, Fault

SCH = "{http://purl.oclc.org/dsdl/schematron}"
XSLT = "http://www.w3.org/1999/XSL/Transform"
XSL = f"{{{XSLT}}}"
SVRL = "http://purl.oclc.org/dsdl/svrl"
_SVRL = f"{{{SVRL}}}"
NSMAP = {"xsl": XSLT, "svrl": SVRL, "xs": "http://www.w3.org/2001/XMLSchema"}
BINDINGS = {"xslt2", "xslt3"}  # what an XSLT 3 processor runs as it is meant
_PLACE = re.compile(rb"<\?bandgate-foreign (\d+)\?>")
_FOUND = "bandgate-found"  # what the tests of one rule say of one node
DEEPEST = 50  #: rules that extend rules that extend rules: deeper is a circle

#: Templates that say where a node stands. The national diagnostic calls the mode by this name; its place among its
#: likes is counted by name, and moved on for a Header or a report of which others stand before the part at hand.
_LOCATIONS = f"""
<xsl:stylesheet xmlns:xsl="{XSLT}" xmlns:nem="http://www.nemsis.org" version="3.0">
  <xsl:param name="bandgate-headers" select="0"/>
  <xsl:param name="bandgate-reports" select="0"/>
  <xsl:template match="*" mode="schematron-get-full-path schematron-select-full-path">
    <xsl:apply-templates select="parent::*" mode="schematron-get-full-path"/>
    <xsl:variable name="before" select="
      if (self::nem:Header) then $bandgate-headers
      else if (self::nem:PatientCareReport and not(../preceding-sibling::nem:Header)) then $bandgate-reports
      else 0"/>
    <xsl:value-of select="concat('/*:', local-name(), '[namespace-uri()=''', namespace-uri(), '''][',
      $before + 1 + count(preceding-sibling::*[node-name(.) = node-name(current())]), ']')"/>
  </xsl:template>
  <xsl:template match="@*" mode="schematron-get-full-path schematron-select-full-path">
    <xsl:apply-templates select="parent::*" mode="schematron-get-full-path"/>
    <xsl:value-of select="concat('/@*[local-name()=''', local-name(), ''' and namespace-uri()=''',
      namespace-uri(), ''']')"/>
  </xsl:template>
  <xsl:template match="text()|comment()|processing-instruction()"
                mode="schematron-get-full-path schematron-select-full-path">
    <xsl:apply-templates select="parent::*" mode="schematron-get-full-path"/>
    <xsl:value-of select="if (self::text()) then '/text()' else if (self::comment()) then '/comment()'
      else '/processing-instruction()'"/>
  </xsl:template>
  <xsl:template match="/" mode="schematron-get-full-path schematron-select-full-path">/</xsl:template>
</xsl:stylesheet>
"""


class RuleFile(NamedTuple):
    """What a rule file says about itself: `id` and `version` as written, `title` of the whole."""

    id: str
    version: str
    title: str


def describe(data: bytes) -> RuleFile:
    """Give back what a rule file says about itself. Raises `ConfigurationFault`."""
    root = _read(data)
    return RuleFile(root.get("id", ""), root.get("schemaVersion", ""), _words(root.find(f"{SCH}title")))


def to_stylesheet(data: bytes) -> bytes:
    """Give back the XSLT stylesheet of a rule file. Raises `ConfigurationFault` with everything that is wrong.

    The result takes an EMS or demographic data set to SVRL. Its parameters `bandgate-headers` and `bandgate-reports`
    count what stands before the part of the file that it is given.
    """
    root = _read(data)
    return _Writing(root).stylesheet()


def _read(data: bytes) -> etree._Element:
    parser = etree.XMLParser(
        resolve_entities=False, load_dtd=False, no_network=True, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise ConfigurationFault([Fault("", error.lineno, "", "not well-formed XML")]) from error
    if root.getroottree().docinfo.doctype:
        raise ConfigurationFault([Fault("", 1, "", "a document type declaration is not accepted", "save without it")])
    if root.tag != f"{SCH}schema":
        raise ConfigurationFault([Fault("", root.sourceline, "", "not an ISO Schematron schema")])
    return root


class _Writing:
    """One rule file on its way to a stylesheet; faults are gathered, and raised at the end."""

    def __init__(self, root: etree._Element) -> None:
        self.root = root
        self.faults: list[Fault] = []
        self.taken: list[bytes] = []
        self.namespaces = {each.get("prefix", ""): each.get("uri", "") for each in root.findall(f"{SCH}ns")}
        self.abstract_rules = {
            each.get("id", ""): each for each in root.iter(f"{SCH}rule") if each.get("abstract") == "true"
        }
        self.abstract_patterns = {
            each.get("id", ""): each for each in root.findall(f"{SCH}pattern") if each.get("abstract") == "true"
        }
        self.diagnostics = {each.get("id", ""): each for each in root.iter(f"{SCH}diagnostic")}
        self.names = [each.get("name", "") for each in root.iter(f"{SCH}let")]

    def stylesheet(self) -> bytes:
        """Write the whole."""
        nsmap = {prefix: uri for prefix, uri in (self.root.nsmap | self.namespaces).items() if prefix} | NSMAP
        sheet = etree.fromstring(_LOCATIONS)
        written = etree.Element(f"{XSL}stylesheet", version="3.0", nsmap=nsmap)
        written.set("exclude-result-prefixes", "#all")
        etree.SubElement(written, f"{XSL}output", method="xml", encoding="UTF-8", indent="no")
        written.extend(self._take(each) for each in sheet)
        self._check_schema()
        for each in self.root:
            if str(each.tag).startswith(XSL):
                written.append(self._take(each))
            elif each.tag == f"{SCH}let":
                written.append(self._variable(each))
        patterns = [self._concrete(each) for each in self._active_patterns()]
        written.append(self._report(patterns))
        for number, pattern in enumerate(patterns):
            written.extend(self._pattern(pattern, f"pattern-{number}"))
        if self.faults:
            raise ConfigurationFault(self.faults)
        text = etree.tostring(written, xml_declaration=True, encoding="UTF-8")
        return _PLACE.sub(lambda found: self.taken[int(found.group(1))], text)

    # ── what is active ──

    def _check_schema(self) -> None:
        if self.root.get("queryBinding", "xslt") not in BINDINGS:
            self._fault(self.root, "queryBinding is not xslt2 or xslt3", "have the rules written for XSLT 2")
        for each in self.root.iter(f"{SCH}include", f"{SCH}extends"):
            if each.tag == f"{SCH}include" or each.get("href") is not None:
                self._fault(each, "takes another file in", "give the file with its includes resolved")

    def _active_patterns(self) -> Iterator[etree._Element]:
        phase = self.root.get("defaultPhase", "#ALL")
        active = {
            each.get("pattern")
            for found in self.root.findall(f"{SCH}phase")
            if found.get("id") == phase
            for each in found.iter(f"{SCH}active")
        }
        for pattern in self.root.findall(f"{SCH}pattern"):
            if pattern.get("abstract") != "true" and (phase == "#ALL" or pattern.get("id") in active):
                yield pattern

    def _concrete(self, pattern: etree._Element) -> etree._Element:
        """Give back a pattern, or what the abstract one it is made of becomes with its parameters (6.3)."""
        if pattern.get("documents") is not None:
            self._fault(pattern, "looks into other documents", "write rules about the data set alone")
        if (name := pattern.get("is-a")) is None:
            return pattern
        if name not in self.abstract_patterns:
            self._fault(pattern, "is-a names no abstract pattern of this file", "mend the name")
            return pattern
        values = {each.get("name", ""): each.get("value", "") for each in pattern.findall(f"{SCH}param")}
        made = copy.deepcopy(self.abstract_patterns[name])
        made.attrib.pop("abstract", None)
        if pattern.get("id"):
            made.set("id", pattern.get("id", ""))
        for element in made.iter():
            for attribute, text in element.items():
                element.set(attribute, _filled(text, values))
        return made

    # ── what is written ──

    def _report(self, patterns: list[etree._Element]) -> etree._Element:
        start = _element("template", match="/")
        report = etree.SubElement(start, f"{_SVRL}schematron-output", nsmap={"svrl": SVRL})
        report.set("title", _braced(_words(self.root.find(f"{SCH}title"))))
        report.set("schemaVersion", _braced(self.root.get("schemaVersion", "")))
        for prefix, uri in self.namespaces.items():
            etree.SubElement(report, f"{_SVRL}ns-prefix-in-attribute-values", prefix=prefix, uri=_braced(uri))
        for number, pattern in enumerate(patterns):
            active = etree.SubElement(report, f"{_SVRL}active-pattern")
            if pattern.get("id"):
                active.set("id", _braced(pattern.get("id", "")))
            if title := _words(pattern.find(f"{SCH}title")):
                active.set("name", _braced(title))
            etree.SubElement(report, f"{XSL}apply-templates", select="/", mode=f"pattern-{number}")
        return start

    def _pattern(self, pattern: etree._Element, mode: str) -> Iterator[etree._Element]:
        local = []
        for each in pattern.findall(f"{SCH}let"):
            if self.names.count(each.get("name", "")) > 1:
                local.append(each)
            else:
                yield self._variable(each)
        rules = [each for each in pattern.findall(f"{SCH}rule") if each.get("abstract") != "true"]
        for number, rule in enumerate(rules):
            yield self._rule(rule, mode, len(rules) - number, local)
        walk = _element("template", match="/|*", mode=mode, priority="-1")
        etree.SubElement(walk, f"{XSL}apply-templates", select="@*|node()", mode=mode)
        yield walk
        yield _element("template", match="@*|text()|comment()|processing-instruction()", mode=mode, priority="-2")

    def _rule(self, rule: etree._Element, mode: str, priority: int, lets: list[etree._Element]) -> etree._Element:
        if not rule.get("context"):
            self._fault(rule, "a rule without context", "say what it is about in context")
        template = _element("template", match=rule.get("context", "*"), mode=mode, priority=str(priority))
        for each in lets:
            template.append(self._variable(each, f"root(.)!({each.get('value', '()')})"))
        found = etree.SubElement(template, f"{XSL}variable", name=_FOUND)
        for each in self._parts(rule, 0):
            found.append(self._variable(each) if each.tag == f"{SCH}let" else self._test(each))
        when = etree.SubElement(template, f"{XSL}if", test=f"${_FOUND}/*")
        fired = etree.SubElement(when, f"{_SVRL}fired-rule", context=_braced(rule.get("context", "")))
        if rule.get("id"):
            fired.set("id", _braced(rule.get("id", "")))
        etree.SubElement(when, f"{XSL}copy-of", select=f"${_FOUND}/*")
        etree.SubElement(template, f"{XSL}apply-templates", select="@*|node()", mode=mode)
        return template

    def _parts(self, rule: etree._Element, depth: int) -> Iterator[etree._Element]:
        """The lets and tests of a rule, with those of the abstract rules it extends where it extends them."""
        for each in rule:
            if each.tag in {f"{SCH}let", f"{SCH}assert", f"{SCH}report"}:
                yield each
            elif each.tag == f"{SCH}extends" and each.get("href") is None:
                extended = self.abstract_rules.get(each.get("rule", ""))
                if extended is None or depth > DEEPEST:
                    self._fault(each, "extends no abstract rule of this file, or itself", "mend the name")
                else:
                    yield from self._parts(extended, depth + 1)

    def _test(self, test: etree._Element) -> etree._Element:
        expression = test.get("test", "")
        if not expression:
            self._fault(test, "a test without an expression", "write one")
        if test.get("role") not in {role.value for role in Role}:
            self._fault(test, "a test whose role is not [FATAL], [ERROR] or [WARNING]", "say how grave it is in role")
        fails = f"not({expression})" if test.tag == f"{SCH}assert" else expression
        name = "failed-assert" if test.tag == f"{SCH}assert" else "successful-report"
        when = _element("if", test=fails)
        told = etree.SubElement(when, f"{_SVRL}{name}")
        for attribute in ("id", "role", "flag"):
            if value := test.get(attribute):
                told.set(attribute, _braced(value))
        told.set("test", _braced(expression))
        location = etree.SubElement(told, f"{XSL}attribute", name="location")
        subject = f"(({test.get('subject')}), .)[1]" if test.get("subject") else "."
        etree.SubElement(location, f"{XSL}apply-templates", select=subject, mode="schematron-get-full-path")
        text = etree.SubElement(told, f"{_SVRL}text")
        self._prose(test, text)
        for diagnostic in test.get("diagnostics", "").split():
            self._diagnostic(test, diagnostic, told)
        return when

    def _diagnostic(self, test: etree._Element, name: str, told: etree._Element) -> None:
        if name not in self.diagnostics:
            self._fault(test, "names a diagnostic that this file does not have", "mend the name")
            return
        reference = etree.SubElement(told, f"{_SVRL}diagnostic-reference", diagnostic=name)
        found = self.diagnostics[name]
        foreign = [each for each in found if not str(each.tag).startswith(SCH)]
        if foreign:
            reference.extend(self._take(each) for each in foreign)
        else:
            self._prose(found, etree.SubElement(reference, f"{_SVRL}text"))

    def _prose(self, source: etree._Element, target: etree._Element) -> None:
        """Write text that may hold `value-of`, `name` and mark-up, in their order."""
        _add_text(target, source.text)
        for each in source:
            if each.tag == f"{SCH}value-of":
                etree.SubElement(target, f"{XSL}value-of", select=each.get("select", "."))
            elif each.tag == f"{SCH}name":
                etree.SubElement(target, f"{XSL}value-of", select=f"name({each.get('path', '.')})")
            elif str(each.tag).startswith(SCH):
                marked = etree.SubElement(target, _SVRL + str(each.tag).removeprefix(SCH))
                for attribute, value in each.items():
                    marked.set(attribute, _braced(value))
                self._prose(each, marked)
            else:
                target.append(self._take(each))
            _add_text(target, each.tail)

    def _variable(self, let: etree._Element, select: str | None = None) -> etree._Element:
        variable = _element("variable", name=let.get("name", ""))
        if let.get("value") is not None:
            variable.set("select", select or let.get("value") or "()")
        else:
            variable.extend(self._take(each) for each in let)
        return variable

    def _take(self, foreign: etree._Element) -> etree._ProcessingInstruction:
        """Take foreign content over as it stands: lxml would drop namespaces that are declared twice, default ones too.

        Names within attributes depend on them. So it is put in as text, at a place held open until then.
        """
        self.taken.append(etree.tostring(foreign, with_tail=False))
        return etree.ProcessingInstruction("bandgate-foreign", str(len(self.taken) - 1))

    def _fault(self, element: etree._Element, message: str, remedy: str) -> None:
        name = str(element.tag).rpartition("}")[2]
        place = " ".join(filter(None, (name, element.get("id"))))
        self.faults.append(Fault("", element.sourceline, place, message, remedy))


def _element(tag: str, /, **attributes: str) -> etree._Element:
    return etree.Element(f"{XSL}{tag}", attributes)


def _words(element: etree._Element | None) -> str:
    return " ".join("".join(map(str, element.itertext())).split()) if element is not None else ""


def _braced(text: str) -> str:
    """Braces in an attribute of a result element begin an expression unless they are doubled (XSLT 3.0, 5.6.1)."""
    return text.replace("{", "{{").replace("}", "}}")


def _filled(text: str, values: dict[str, str]) -> str:
    """Put the parameters of a pattern in place, the longest names first, for one may begin another."""
    for name in sorted(values, key=len, reverse=True):
        text = text.replace(f"${name}", values[name])
    return text


def _add_text(target: etree._Element, text: str | None) -> None:
    """Add text behind what an element holds so far; `xsl:text` keeps blanks that stand alone."""
    if text:
        etree.SubElement(target, f"{XSL}text").text = text
