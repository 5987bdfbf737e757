"""A flood of calls over real connections: sent on time whether or not earlier ones were answered, answers counted."""

import asyncio
import time
from collections import Counter
from contextlib import suppress

LINES = 20
PATIENCE_S = 60.0
"""[s] for the answers that are still to come when all is sent."""
PATHS = ("/api/enclosures", "/", "/api/journal/proof?full=true", "/enclosures/larch")


def flood(port: int, seconds: float, calls_per_s: float) -> tuple[int, Counter[int]]:
    """Send `calls_per_s` for `seconds` [s] over 20 connections; return how many, and the statuses that came back."""
    return asyncio.run(_all_lines(port, seconds, calls_per_s))


async def _all_lines(port: int, seconds: float, calls_per_s: float) -> tuple[int, Counter[int]]:
    answers: Counter[int] = Counter()
    lines = (_line(port, seconds, LINES / calls_per_s, number, answers) for number in range(LINES))
    return sum(await asyncio.gather(*lines)), answers


async def _line(port: int, seconds: float, every_s: float, number: int, answers: Counter[int]) -> int:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    counting = asyncio.create_task(_count(reader, answers))
    start_s, sent, in_all = time.monotonic(), 0, round(seconds / every_s)
    while sent < in_all:
        # Who was kept from sending catches up: a flood is no smaller for it.
        while sent < min(in_all, 1 + (time.monotonic() - start_s) / every_s):
            path = PATHS[(sent + number) % len(PATHS)]
            writer.write(f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/html\r\n\r\n".encode())
            sent += 1
        await asyncio.sleep(every_s)
    # What is busy with other work answers later, the refusals among the last.
    while answers[429] <= answers[200] and time.monotonic() - start_s < seconds + PATIENCE_S:
        await asyncio.sleep(every_s)
    counting.cancel()
    writer.close()
    return sent


async def _count(reader: asyncio.StreamReader, answers: Counter[int]) -> None:
    """Read whole answers for as long as they come, and count their statuses."""
    with suppress(asyncio.IncompleteReadError, ConnectionError):
        while True:
            head = (await reader.readuntil(b"\r\n\r\n")).decode().lower()
            length = next(line for line in head.split("\r\n") if line.startswith("content-length:"))
            await reader.readexactly(int(length.partition(":")[2]))
            answers[int(head.split()[1])] += 1
