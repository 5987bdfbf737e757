"""The person beside the heater: told what to do, waited for, asked for figures; heat is judged on meanwhile."""

import select
import sys
from collections.abc import Callable
from typing import Protocol

Meanwhile = Callable[[], None]
"""Called again and again while somebody is waited for: one turn of the wire."""


class Person(Protocol):
    """Somebody who does what only hands can do."""

    def tell(self, words: str) -> None:
        """Say something that needs no answer."""

    def do(self, task: str, meanwhile: Meanwhile) -> None:
        """Have something done, and wait until it is."""

    def figure(self, question: str, meanwhile: Meanwhile) -> float:
        """Ask for a number read off an instrument."""


class Terminal:
    """Whoever sits at this terminal. Its end is the end of the test, as Ctrl-C is."""

    def tell(self, words: str) -> None:
        """Print it."""
        print(words, flush=True)

    def do(self, task: str, meanwhile: Meanwhile) -> None:
        """Print the task and wait for Enter."""
        print(f"\n  > {task}\n    Press Enter when done (Ctrl-C opens the contacts and ends the test). ", flush=True)
        self._line(meanwhile)

    def figure(self, question: str, meanwhile: Meanwhile) -> float:
        """Print the question and wait for a number."""
        while True:
            print(f"\n  > {question} ", end="", flush=True)
            try:
                return float(self._line(meanwhile).replace(",", "."))
            except ValueError:
                print("    A number, please, such as 2.1.", flush=True)

    def _line(self, meanwhile: Meanwhile) -> str:
        while not select.select([sys.stdin], [], [], 0)[0]:
            meanwhile()
        line = sys.stdin.readline()
        if not line:
            raise KeyboardInterrupt
        return line.strip()
