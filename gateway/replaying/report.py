"""What a replay came to: each message with its answer and latency, and the figures of the whole."""

import math
from collections import Counter
from collections.abc import Sequence
from typing import Any

from gateway.replaying.sending import Outcome, Run

PERCENTILES = {"p50": 50, "p90": 90, "p99": 99, "max": 100}


def percentile(ordered: Sequence[float], percent: float) -> float:
    """Give back the smallest value that at least `percent` of the ascending values do not exceed (nearest rank)."""
    return ordered[max(math.ceil(len(ordered) * percent / 100), 1) - 1]


def row(outcome: Outcome) -> dict[str, Any]:
    """One message as a JSON object: names and codes only, nothing of a person."""
    message, answer = outcome.message, outcome.answer
    return {
        "file": message.file,
        "message": message.number,
        "control_id": message.control_id or None,
        "answer": answer.code if answer else None,
        "status": answer.status if answer else None,
        "expected": message.expected,
        "good": outcome.is_good,
        "latency_ms": round(outcome.seconds * 1000, 3),
        "sendings": outcome.sendings,
        "kept_as_is": message.kept_as_is,
    }


def summary(run: Run, *, rate: float | None) -> dict[str, Any]:
    """The figures of a run as a JSON object; latencies are in milliseconds, of answered messages only."""
    answered = [outcome for outcome in run.outcomes if outcome.answer]
    latencies = sorted(outcome.seconds * 1000 for outcome in answered)
    return {
        "sent": len(run.outcomes),
        "good": sum(outcome.is_good for outcome in answered),
        "negative": sum(not outcome.answer.is_positive for outcome in answered if outcome.answer),
        "differing": sum(not outcome.is_good for outcome in answered if outcome.message.expected),
        "unanswered": len(run.outcomes) - len(answered),
        "unsent": run.unsent,
        "resent": sum(outcome.sendings > 1 for outcome in run.outcomes),
        "kept_as_is": sum(outcome.message.kept_as_is for outcome in run.outcomes),
        "answers": dict(sorted(Counter(outcome.answer.code for outcome in answered if outcome.answer).items())),
        "seconds": round(run.seconds, 3),
        "rate_offered": rate,
        "rate": round(len(answered) / run.seconds, 1) if run.seconds else None,
        "latency_ms": {name: round(percentile(latencies, percent), 3) for name, percent in PERCENTILES.items()}
        if latencies
        else None,
    }


def line(outcome: Outcome) -> str:
    """One message as a line of text; what a terminal could take for a command is not in it."""
    facts = row(outcome)
    number = f" message {facts['message']}" if facts["message"] > 1 else ""
    notes = [
        f"expected {facts['expected']}" if facts["expected"] and not facts["good"] else "",
        "sent twice" if facts["sendings"] > 1 else "",
        "cannot be read: sent as it is" if facts["kept_as_is"] else "",
    ]
    said = "; ".join(note for note in notes if note)
    text = f"{facts['answer'] or 'none':5} {facts['latency_ms']:9.1f} ms  {facts['file']}{number}"
    text += (f"  {facts['control_id']}" if facts["control_id"] else "") + (f"  ({said})" if said else "")
    return "".join(character if character.isprintable() else "?" for character in text)


def lines(figures: dict[str, Any]) -> list[str]:
    """The figures as lines of text."""
    counts = ["good", "negative", "differing", "unanswered", "unsent", "resent"]
    told = ", ".join(f"{figures[name]} {name}" for name in counts if figures[name] or name == "good")
    pace = f", {figures['rate']} a second" if figures["rate"] else ""
    offered = f" ({figures['rate_offered']:g} offered)" if figures["rate_offered"] else ""
    latency = figures["latency_ms"]
    percentiles = (
        ["latency  " + "  ".join(f"{name} {value:.1f} ms" for name, value in latency.items())] if latency else []
    )
    return [f"{figures['sent']} sent: {told}", f"{figures['seconds']} s{pace}{offered}", *percentiles]
