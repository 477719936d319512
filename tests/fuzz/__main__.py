"""Fuzzing, guided by coverage: `python -m tests.fuzz`, or one target of it, as `python -m tests.fuzz er7 --seconds 60`.

What a sender can hand to a reader is bent again and again, towards lines of ours that no input has reached before.
A reader may only answer with a located fault (`SenderFault`); any other exception, a broken rule of the target, or
an input that takes longer than two seconds is a find. It is kept in the folder that is named at the end, and run
again by `python -m tests.fuzz er7 --again FILE`.

Needs the extra `fuzz`. Each target runs in a process of its own, because the fuzzer ends the process it is in.
"""

import argparse
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.fuzz.seeds import SEEDS

ROOT = Path(__file__).parents[2]
SLOW = 2  # seconds that one input may take
MEMORY = 2048  # MB
LONGEST = {"er7": 16_384, "frames": 8_192}  # bytes; longer inputs find little and cost much
REPORT_BYTES = 131_072


def main() -> None:
    """Fuzz what was asked for, say what was found; status 1 if anything was."""
    asked = _asked()
    if asked.again:
        sys.exit(_run(asked.targets[0], [str(asked.again)]).returncode)
    asked.finds.mkdir(parents=True, exist_ok=True)
    results = [_fuzz(target, asked.seconds, asked.finds) for target in asked.targets or SEEDS]
    sys.exit(1 if any(results) else 0)


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description="bend input until a reader breaks")
    parser.add_argument("targets", nargs="*", choices=[*SEEDS, []], help="what to fuzz; everything if none is named")
    parser.add_argument("--seconds", type=int, default=60, help="how long each target is fuzzed")
    parser.add_argument("--finds", type=Path, default=Path(tempfile.gettempdir()) / "finds", help="where finds are put")
    parser.add_argument("--again", type=Path, metavar="FILE", help="run one find again, with its traceback")
    asked = parser.parse_args()
    if asked.again and len(asked.targets) != 1:
        parser.error("--again needs the one target that the file is for")
    return asked


def _fuzz(target: str, seconds: int, finds: Path) -> bool:
    """Fuzz one target; whether something was found."""
    with tempfile.TemporaryDirectory() as name:
        corpus = Path(name)
        seeds = sum(_is_kept(corpus / f"{number:05d}", seed) for number, seed in enumerate(SEEDS[target]()))
        print(f"{target}: {seeds} seeds, {seconds} s", flush=True)
        done = _run(
            target,
            [
                f"-max_total_time={seconds}",
                f"-timeout={SLOW}",
                f"-rss_limit_mb={MEMORY}",
                f"-max_len={LONGEST.get(target, REPORT_BYTES)}",
                f"-artifact_prefix={finds}/{target}-",
                "-print_final_stats=1",
                name,
            ],
        )
    said = done.stdout.decode(errors="replace")
    print(_summary(target, said), flush=True)
    if done.returncode:
        print(said[said.rfind("=== Uncaught") :][:6000] if "=== Uncaught" in said else said[-6000:])
        print(f"{target}: a find lies in {finds}")
    return done.returncode != 0


def _is_kept(path: Path, seed: bytes) -> bool:
    path.write_bytes(seed)
    return True


def _run(target: str, arguments: Sequence[str]) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "tests.fuzz.run", target, *arguments]
    return subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False)


def _summary(target: str, said: str) -> str:
    """Executions and coverage, as the fuzzer told them last."""
    runs = re.findall(r"stat::number_of_executed_units: (\d+)", said) or re.findall(r"^#(\d+)", said, re.MULTILINE)
    begun = re.findall(r"INITED cov: (\d+) ft: (\d+)", said) or [("?", "?")]
    reached = re.findall(r" cov: (\d+) ft: (\d+) corp: (\d+)", said) or [("?", "?", "?")]
    edges, features, kept = reached[-1]
    executed = f"{int(runs[-1]):,}" if runs else "no"
    return (
        f"{target}: {executed} executions, {edges} edges reached (by the seeds {begun[0][0]}), "
        f"{features} features, {kept} inputs kept"
    )


if __name__ == "__main__":
    main()
