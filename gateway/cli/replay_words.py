"""A replay in words: a line for each message as it is answered, and at the end what it all came to.

Much of it is said by strangers: what a terminal could take for a command is shown as a question mark.
"""

from collections.abc import Iterator
from typing import Any

from gateway.cli.output import counted
from gateway.replaying.reasons import cut
from gateway.replaying.report import row
from gateway.replaying.sending import Outcome

REASON_LENGTH = 300  # characters of a reason that are shown; --json has more

#: The counts of a summary, in the words in which each is told.
COUNTS = {
    "good": "as wanted",
    "negative": "refused",
    "differing": "not as expected",
    "duplicates": "known before",
    "unanswered": "not answered",
    "unsent": "not sent",
    "resent": "sent twice",
}
#: The percentiles of a summary, in the words in which each is told.
SHARES = {"p50": "half", "p90": "9 of 10", "p99": "99 of 100", "max": "all"}


def line(outcome: Outcome) -> str:
    """One message as a line of text."""
    facts = row(outcome)
    number = f" message {facts['message']}" if facts["message"] > 1 else ""
    notes = [
        f"expected {facts['expected']}" if facts["expected"] and not facts["good"] else "",
        "known before: a duplicate" if facts["duplicate"] else "",
        "sent twice" if facts["sendings"] > 1 else "",
        "cannot be read: sent as it is" if facts["kept_as_is"] else "",
    ]
    said = "; ".join(note for note in notes if note)
    text = f"{facts['answer'] or 'none':5} {facts['latency_ms']:9.1f} ms  {facts['file']}{number}"
    return _shown(text + (f"  {facts['control_id']}" if facts["control_id"] else "") + (f"  ({said})" if said else ""))


def lines(figures: dict[str, Any]) -> Iterator[str]:
    """The summary of a run as lines of text."""
    for each in figures["reasons"]:
        yield _reason_line(each)
    told = (f"{figures[name]} {words}" for name, words in COUNTS.items() if figures[name] or name == "good")
    yield f"{counted(figures['sent'], 'message')} sent: {', '.join(told)}"
    offered = f", where {figures['rate_offered']:g} were wanted" if figures["rate_offered"] else ""
    pace = f": {figures['rate']:g} answers a second{offered}" if figures["rate"] else ""
    yield f"It took {figures['seconds']:g} s{pace}"
    latency = figures["latency_ms"]
    if latency and latency["p50"] == latency["max"]:
        yield f"Answered in {latency['max']:.1f} ms"
    elif latency:
        yield "Answered: " + ", ".join(f"{SHARES[name]} in {value:.1f} ms" for name, value in latency.items())


def _reason_line(group: dict[str, Any]) -> str:
    answer, reason = group["answer"] or "no answer", cut(group["reason"] or "no reason given", REASON_LENGTH)
    why = f"Known before, says {answer}" if group["taken"] else f"Why {answer}"
    often = "" if group["messages"] == 1 else f" and {group['messages'] - 1} more"
    return _shown(f"{why}: {reason}  [{group['first']}{often}]")


def _shown(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in text)
