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
    """One message as a JSON object: nothing of a person, but what the other end says in its `reason`."""
    message, answer = outcome.message, outcome.answer
    return {
        "file": message.file,
        "message": message.number,
        "control_id": message.control_id or None,
        "answer": answer.code if answer else None,
        "status": answer.status if answer else None,
        "expected": message.expected,
        "good": outcome.is_good,
        "reason": outcome.reason or None,
        "duplicate": answer.is_duplicate if answer else False,
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
        "duplicates": sum(outcome.answer.is_duplicate for outcome in answered if outcome.answer),
        "resent": sum(outcome.sendings > 1 for outcome in run.outcomes),
        "kept_as_is": sum(outcome.message.kept_as_is for outcome in run.outcomes),
        "answers": dict(sorted(Counter(outcome.answer.code for outcome in answered if outcome.answer).items())),
        "seconds": round(run.seconds, 3),
        "rate_offered": rate,
        "rate": round(len(answered) / run.seconds, 1) if run.seconds else None,
        "latency_ms": {name: round(percentile(latencies, percent), 3) for name, percent in PERCENTILES.items()}
        if latencies
        else None,
        "reasons": reasons(run),
    }


def reasons(run: Run) -> list[dict[str, Any]]:
    """Every reason that was given, once, the commonest first: with its answer, how often, and the first file."""
    groups: dict[tuple[str | None, bool, str], list[str]] = {}
    for outcome in run.outcomes:
        code, taken = (outcome.answer.code, outcome.answer.is_positive) if outcome.answer else (None, False)
        if outcome.reason or not taken:
            groups.setdefault((code, taken, outcome.reason), []).append(outcome.message.file)
    return [
        {"answer": code, "taken": taken, "reason": reason or None, "messages": len(files), "first": files[0]}
        for (code, taken, reason), files in sorted(groups.items(), key=lambda group: -len(group[1]))
    ]
