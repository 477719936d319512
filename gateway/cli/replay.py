"""`bandgate replay`: send stored messages to any end, at a chosen pace, and compare the answers."""

import asyncio
import math
from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

import typer
from rich.progress import Progress, TextColumn

from gateway.cli.output import counted, errors, out, print_json
from gateway.cli.replay_words import line, lines
from gateway.errors import UsageFault
from gateway.replaying import report
from gateway.replaying.ends import Access, Targets, check_sendable, read_targets, read_tls
from gateway.replaying.messages import Outgoing, read_messages, shifted_to, with_fresh_ids
from gateway.replaying.sending import Outcome, Run, send_all

DIFFERS = 1  # exit status: an answer was negative, or another than expected


Paths = Annotated[
    list[Path], typer.Argument(help="Files (.hl7, .txt, .xml), folders, order files (.csv).", show_default=False)
]
To = Annotated[
    list[str],
    typer.Option(
        "--to",
        metavar="URL",
        help="mllp://, mllps://, http:// or https://. Given twice, each message goes to the first that takes its kind.",
        show_default=False,
    ),
]
Rate = Annotated[float | None, typer.Option(metavar="N", help="Messages a second; else as fast as answers come.")]
Connections = Annotated[
    int, typer.Option(metavar="N", min=1, max=1000, help="Connections; one patient's messages share one.")
]
FreshIds = Annotated[bool, typer.Option("--fresh-ids", help="New control ids (MSH-10) and report UUIDs.")]
ShiftTo = Annotated[
    str | None, typer.Option(metavar="TIME", help="Move all times so that the earliest is TIME (ISO 8601, or now).")
]
Zone = Annotated[
    str | None, typer.Option(metavar="NAME", help="Zone of times without offset, as America/Chicago; else TIME's.")
]
Expect = Annotated[
    Path | None, typer.Option(metavar="DIR", help="Folder with the expected codes: a.hl7.expected for a.hl7.")
]
Token = Annotated[
    str | None,
    typer.Option(envvar="BANDGATE_TOKEN", metavar="TEXT", help="Bearer token for HTTP; better in the environment."),
]
Authority = Annotated[Path | None, typer.Option(metavar="FILE", help="Trust the certificates in this PEM file.")]
Certificate = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Client certificate (PEM), with its key unless --key has it.")
]
Key = Annotated[Path | None, typer.Option(metavar="FILE", help="Private key of --certificate (PEM).")]
Timeout = Annotated[float, typer.Option(metavar="SECONDS", min=0.1, help="How long to wait for an answer.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def replay(
    paths: Paths,
    *,
    to: To,
    rate: Rate = None,
    connections: Connections = 1,
    fresh_ids: FreshIds = False,
    shift_to: ShiftTo = None,
    zone: Zone = None,
    expect: Expect = None,
    token: Token = None,
    ca: Authority = None,
    certificate: Certificate = None,
    key: Key = None,
    timeout: Timeout = 30.0,
    as_json: AsJson = False,
) -> None:
    """Send messages to any end and report each answer, its latency, and the reason of every no.

    A reason is shown as the other end gives it, and may quote what was sent.

    Exit status: 0 all as wanted, 1 an answer was negative or another than expected, 2 unusable input,
    3 the other end could not be reached or did not answer.

    Example: bandgate replay fixtures/day/admissions --to mllp://127.0.0.1:2575 --rate 20 --fresh-ids --shift-to now
    """
    if rate is not None and not 0 < rate < math.inf:
        raise UsageFault("--rate: must be more than 0 messages a second")
    targets = read_targets(to)
    tls = read_tls(authority=ca, certificate=certificate, key=key)
    access = Access(timeout=timeout, tls=tls, token=token)
    messages = read_messages(paths, expected_in=expect)
    check_sendable(messages, targets)
    messages = _rewritten(messages, fresh_ids=fresh_ids, shift_to=shift_to, zone=zone)
    run = _send(messages, targets, access, rate=rate, connections=connections, tell=_ignore if as_json else _print_row)
    _print_run(run, targets, rate=rate, as_json=as_json)
    if run.stopped:
        raise run.stopped
    if not all(outcome.is_good for outcome in run.outcomes):
        raise typer.Exit(DIFFERS)


def _rewritten(messages: list[Outgoing], *, fresh_ids: bool, shift_to: str | None, zone: str | None) -> list[Outgoing]:
    now = datetime.now(UTC)
    if shift_to is not None:
        local = _read_zone(zone) if zone else None
        time = _read_time(shift_to, local, now=now)
        offset = time.tzinfo
        assert offset is not None
        messages = shifted_to(messages, time, zone=local or offset)
    return with_fresh_ids(messages, now=now) if fresh_ids else messages


def _read_zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise UsageFault("--zone: not a zone of the IANA database; write one as America/Chicago") from error


def _read_time(text: str, zone: tzinfo | None, *, now: datetime) -> datetime:
    """The time, aware; without an offset it is one of `zone`, and without that one of this machine's zone."""
    if text == "now":
        return now.astimezone(zone).replace(microsecond=0)
    try:
        time = datetime.fromisoformat(text)
        return time if time.tzinfo else time.replace(tzinfo=zone) if zone else time.astimezone()
    except (ValueError, OverflowError) as error:
        raise UsageFault("--shift-to: not a time; write it as 2026-07-01T08:00:00-05:00, or now") from error


def _send(
    messages: list[Outgoing],
    targets: Targets,
    access: Access,
    *,
    rate: float | None,
    connections: int,
    tell: Callable[[Outcome], None],
) -> Run:
    words = TextColumn("{task.completed:.0f} of " + counted(len(messages), "message") + " answered")
    with Progress(words, console=errors, transient=True, disable=not errors.is_terminal) as progress:
        task = progress.add_task("replay", total=len(messages))

        def told(outcome: Outcome) -> None:
            progress.advance(task)
            tell(outcome)

        return asyncio.run(send_all(messages, targets, access, rate=rate, connections=connections, tell=told))


def _print_run(run: Run, targets: Targets, *, rate: float | None, as_json: bool) -> None:
    figures = report.summary(run, rate=rate)
    if as_json:
        rows = [report.row(outcome) for outcome in run.outcomes]
        stopped = str(run.stopped) if run.stopped else None
        print_json({"to": list(targets.addresses), "messages": rows, "summary": figures, "stopped": stopped})
        return
    for each in lines(figures):
        out.print(each)


def _ignore(outcome: Outcome) -> None:
    """JSON is printed at the end, as one document."""


def _print_row(outcome: Outcome) -> None:
    """Where both go to one terminal, the console that shows the progress puts the row above it."""
    if out.file.isatty() and errors.file.isatty():
        errors.print(line(outcome), markup=False, soft_wrap=True)
    else:
        out.print(line(outcome))
