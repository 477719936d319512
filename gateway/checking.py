"""A submission held against the official files: the XML Schema of its declared version first, then the rules.

The order is that of the standard: an invalid file is not asked any rule (NEMSIS V3 web services guide), the national
rules come before those of a state (NEMSIS V3 Schematron guide). What cannot be checked - no schema registered, the
processor for rules not installed, a rule file that does not come to an end - keeps nobody's reports out: it is said
in the answer, and the submission is judged by the rest. A rule file that has come to no end twice running is set
aside until it is registered anew, so that it does not hold up everybody else.

A large payload costs no more memory than a small one: it is read several times, and never held.
"""

import re
import threading
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, NamedTuple, Self

from lxml import etree

from gateway.adapters.report_checks import DATA_SETS, Checked, DataSet, RuleReport, gravest
from gateway.adapters.report_parts import Part, parts, whole
from gateway.adapters.report_payload import USUAL, Limits
from gateway.adapters.report_schema import from_the_beginning, schema_errors
from gateway.adapters.svrl import gather
from gateway.rule_orders import Stylesheet
from gateway.rule_runner import RuleFault, RuleRunner, TookTooLong, is_installed
from gateway.schemas import Registered, Schemas

LARGEST_WHOLE = 20_000_000  #: bytes of a demographic data set that rules are run on; it is not cut into parts
OFTEN = 2  #: times running without end after which a rule file is set aside

_VERSION = re.compile(r"3\.\d\.\d(?!\d)")


class _Asked(NamedTuple):
    """What is to be checked: a payload that can be read from its beginning again and again."""

    pieces: Callable[[], Iterator[bytes]]
    size: int
    data_set: DataSet
    version: str


class Checks:
    """The official checks of one gateway; any thread may call `check`.

    `given` is a schema of the EMS data set for the versions of which none is registered.
    """

    def __init__(
        self,
        schemas: Schemas,
        *,
        given: etree.XMLSchema | None = None,
        runner: RuleRunner | None = None,
        limits: Limits = USUAL,
    ) -> None:
        self._schemas = schemas
        self._given = given
        self._runner = runner or RuleRunner()
        self._limits = limits
        self._endless: dict[str, int] = {}
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the processes that run rules."""
        self._runner.close()

    def check(self, source: Path | BinaryIO, schema: int, version: str) -> Checked:
        """Give back what the checks find in a payload of this requestDataSchema, declared to be of this version.

        Raises `UnreadableMessage` or `TooLarge` for a payload that is no such data set at all, `GatewayFault` where
        the registered files cannot be read, `KeyError` for a data schema that is not in `DATA_SETS`.
        """
        if isinstance(source, Path):
            with source.open("rb") as file:
                return self.check(file, schema, version)
        data_set, number = DATA_SETS[schema], _VERSION.match(version)
        pieces = partial(from_the_beginning, source, self._limits, data_set)
        asked = _Asked(pieces, source.seek(0, 2), data_set, number.group() if number else version)
        checked = self._hold_against_schema(asked)
        return self._run_rules(asked, checked) if checked.is_valid else checked

    # ── the schema ──

    def _hold_against_schema(self, asked: _Asked) -> Checked:
        found = self._schemas.find_schema(asked.data_set, asked.version)
        name = f"{asked.data_set} {asked.version}"
        if found is None and asked.data_set is DataSet.EMS and self._given is not None:
            found, name = self._given, f"{asked.data_set} as given"
        if found is None:
            for _ in asked.pieces():  # refuses what is no such data set at all
                break
            return Checked(unchecked=(f"no XML Schema is registered for {name}: not held against it",))
        errors, total = schema_errors(asked.pieces, found)
        return Checked(schema=name, errors=errors, total=total)

    # ── the rules ──

    def _run_rules(self, asked: _Asked, checked: Checked) -> Checked:
        rules = self._schemas.rules(asked.data_set, asked.version)
        unchecked = list(checked.unchecked)
        if not rules:
            unchecked.append(f"no rules are registered for {asked.data_set} {asked.version}: none was run")
        elif not is_installed():
            unchecked.append("the processor for rules is not installed (the extra schematron): no rule was run")
            rules = []
        ran: list[tuple[Registered, RuleReport]] = []
        for registered, sheet in rules:
            try:
                ran.append((registered, self._run(asked, registered, sheet)))
            except RuleFault as fault:
                unchecked.append(f"{registered.name}: {fault}: these rules were not run")
        return Checked(
            schema=checked.schema,
            rules=tuple(registered.name for registered, _ in ran),
            svrl=tuple(report.svrl for _, report in ran),
            worst=gravest(report.worst for _, report in ran),
            failed_uuids=tuple(dict.fromkeys(uuid for _, report in ran for uuid in report.failed_uuids)),
            failed_unplaced=sum(report.failed_unplaced for _, report in ran),
            omitted=sum(report.omitted for _, report in ran),
            unchecked=tuple(unchecked),
        )

    def _run(self, asked: _Asked, registered: Registered, sheet: Stylesheet) -> RuleReport:
        with self._lock:
            if self._endless.get(registered.digest, 0) >= OFTEN:
                raise RuleFault("set aside because it came to no end, until it is registered anew")
        if asked.data_set is not DataSet.EMS and asked.size > LARGEST_WHOLE:
            raise RuleFault("not made for a file of this size")
        try:
            report = gather(self._runner.run(sheet, part) for part in self._parts(asked))
        except TookTooLong:
            with self._lock:
                self._endless[registered.digest] = self._endless.get(registered.digest, 0) + 1
            raise
        with self._lock:
            self._endless.pop(registered.digest, None)
        return report

    def _parts(self, asked: _Asked) -> Iterator[Part]:
        if asked.data_set is DataSet.EMS:
            return parts(asked.pieces(), limits=self._limits)
        return whole(asked.pieces())
