"""Two receivers that do as little as can be done, to know what the machine and the sender can give.

    python -m tests.bench.bare echo         answers at once
    python -m tests.bench.bare keep FILE    writes the bytes into an SQLite file and answers after the commit

Both answer every frame with the same acknowledgement, map nothing, link nothing. `keep` splits each message on its
delimiters and throws that away; it writes one row, with a write-ahead log, synchronous=FULL, and one commit for
all that waits, as the gateway does. The port is the first line on standard output.
"""

import asyncio
import queue
import signal
import sqlite3
import sys
import threading
from collections.abc import Callable
from typing import cast

import uvloop

ANSWER = b"\x0bMSH|^~\\&|BARE|END|||20260314120000||ACK|1|P|2.5.1\rMSA|AA|1\r\x1c\r"
Keep = Callable[[bytes, Callable[[], None]], None]


class Receiver(asyncio.Protocol):
    """One connection; `keep` is handed each frame and what to call when it is kept."""

    def __init__(self, keep: Keep) -> None:
        self._keep = keep
        self._frame = b""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast(asyncio.Transport, transport)

    def data_received(self, data: bytes) -> None:
        self._frame += data
        if self._frame.endswith(b"\x1c\r"):
            frame, self._frame = self._frame, b""
            self._keep(frame, self._answer)

    def _answer(self) -> None:
        self._transport.write(ANSWER)


def echo(_frame: bytes, answer: Callable[[], None]) -> None:
    """Answer at once."""
    answer()


def keeper(path: str, loop: asyncio.AbstractEventLoop) -> Keep:
    """Start a thread that writes, and give back how to hand it a frame."""
    waiting: queue.SimpleQueue[tuple[bytes, Callable[[], None]]] = queue.SimpleQueue()

    def write() -> None:
        database = sqlite3.connect(path, isolation_level=None)
        for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", "CREATE TABLE kept (frame BLOB)"):
            database.execute(statement)
        while True:
            batch = [waiting.get()]
            while not waiting.empty():
                batch.append(waiting.get())
            database.execute("BEGIN IMMEDIATE")
            database.executemany("INSERT INTO kept VALUES (?)", [(frame,) for frame, _ in batch])
            database.execute("COMMIT")
            loop.call_soon_threadsafe(_answer_all, [answer for _, answer in batch])

    threading.Thread(target=write, daemon=True).start()

    def keep(frame: bytes, answer: Callable[[], None]) -> None:
        split(frame)
        waiting.put((frame, answer))

    return keep


def split(frame: bytes) -> list[list[list[str]]]:
    """Give back segments, fields and components, and nothing of what they mean."""
    text = frame[1:-2].decode("latin-1").replace("\n", "\r")
    return [[field.split("^") for field in segment.split("|")] for segment in text.split("\r")]


def _answer_all(answers: list[Callable[[], None]]) -> None:
    for answer in answers:
        answer()


async def serve(keep: Keep) -> None:
    """Serve until SIGTERM."""
    loop = asyncio.get_running_loop()
    stop = asyncio.Event()
    loop.add_signal_handler(signal.SIGTERM, stop.set)
    server = await loop.create_server(lambda: Receiver(keep), "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await stop.wait()


async def main() -> None:
    """Serve in the way the command line says."""
    await serve(echo if sys.argv[1] == "echo" else keeper(sys.argv[2], asyncio.get_running_loop()))


if __name__ == "__main__":
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        runner.run(main())
