"""What the official checks say of a submission: the words of the answer, before anybody asks for it.

A submission is held against the XML Schema of its declared version, and if it is valid against the Schematron rule
files, national first. The two differ in what they may carry: a `SchemaError` never holds a value of the file; SVRL,
the standard's own form of a rule report, quotes values for the sender who sent them and for nobody else: it may be
given back in the answer, and stands in no log and no finding.
"""

from collections.abc import Iterable
from enum import StrEnum
from typing import NamedTuple

from gateway.records.base import Record

EMS = 61  #: requestDataSchema of the EMS data set (NEMSIS V3 web services guide, requestDataSchema)
DEMOGRAPHICS = 62  #: requestDataSchema of agency demographics (the same table)


class DataSet(StrEnum):
    """The data sets a submission may be, each by the name of its root element (NEMSIS 3, EMSDataSet, DEMDataSet)."""

    EMS = "EMSDataSet"  #: care reports
    DEMOGRAPHICS = "DEMDataSet"  #: what an agency is, has and does


#: Data set of each requestDataSchema we take.
DATA_SETS = {EMS: DataSet.EMS, DEMOGRAPHICS: DataSet.DEMOGRAPHICS}


class Role(StrEnum):
    """How grave a rule's finding is: `@role` of its test (NEMSIS V3 Schematron guide)."""

    FATAL = "[FATAL]"  #: the whole transaction is refused
    ERROR = "[ERROR]"  #: the transaction or the record is refused
    WARNING = "[WARNING]"  #: to be mended some day; must be accepted


#: From the least to the gravest.
GRAVITY = (Role.WARNING, Role.ERROR, Role.FATAL)


class SchemaError(Record, frozen=True, kw_only=True):
    """One place where a file breaks the XML Schema; `description` never quotes what stood there.

    `line` counts from 1; 0 where the parser cannot tell. `column` counts from 1, None where it cannot be told.
    `xpath` is `/EMSDataSet/Header[1]/...` by local names.
    """

    description: str
    element: str
    line: int
    column: int | None = None
    xpath: str


class Checked(Record, frozen=True, kw_only=True):
    """What came of checking one submission.

    `errors` holds the first ones (at most `gateway.adapters.report_schema.MOST`), `total` counts all. Rules are run on
    a valid file only. `svrl` is one SVRL document for each rule file run, in their order, without any path of this
    machine. `failed_uuids` are the reports with a finding of at least ERROR; `failed_unplaced` counts such findings
    that name no report, so that records cannot be told apart and the submission stands or falls as a whole.
    `unchecked` says in plain sentences what was not checked and what to do about it: no schema registered, no rules.
    """

    schema: str | None = None  #: the schema it was held against, as `EMSDataSet 3.5.1`; None where none is registered
    errors: tuple[SchemaError, ...] = ()
    total: int = 0
    rules: tuple[str, ...] = ()  #: the rule files run, by their registered names
    svrl: tuple[bytes, ...] = ()
    worst: Role | None = None
    failed_uuids: tuple[str, ...] = ()
    failed_unplaced: int = 0
    omitted: int = 0  #: findings left out of `svrl`, which would be too large with them: warnings first
    unchecked: tuple[str, ...] = ()

    @property
    def is_valid(self) -> bool:
        """Whether the schema has nothing against it (status code -12 otherwise)."""
        return self.total == 0


class RuleReport(NamedTuple):
    """What one rule file said: its SVRL, the gravest finding, whose the grave ones are, and how many it omits."""

    svrl: bytes
    worst: Role | None
    failed_uuids: tuple[str, ...]
    failed_unplaced: int
    omitted: int = 0


def gravest(roles: Iterable[Role | None]) -> Role | None:
    """Give back the gravest of some roles, None where there is none."""
    return max((role for role in roles if role), key=GRAVITY.index, default=None)
