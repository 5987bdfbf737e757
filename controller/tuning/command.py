"""`soilward tune`: night pulses asked for, or what the record tells shown, drawn, and adopted only with a yes."""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.clock import Clock
from controller.errors import SoilwardError
from controller.settings import Settings
from controller.store import journal
from controller.store.connection import open_reader
from controller.tuning.adoption import figures_of

ANSWERS_S = 15.0
"""[s] in which a controller that runs has answered."""
Say = Callable[[str], None]
Agreed = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked: settings file, enclosure, who and why, pulses (None: none, 0: end them), and where to draw."""

    settings: Path
    enclosure: str
    who: str | None
    why: str
    pulses: int | None = None
    plot: Path | None = None
    yes: bool = False


def tune(settings: Settings, asked: Asked, agreed: Agreed, say: Say = print) -> int:
    """Do what was asked and return the exit status.

    Raises
    ------
    SoilwardError
        If the enclosure is unknown, the record tells too little, or the controller does not answer.
    """
    enclosure = settings.named(asked.enclosure)
    if enclosure is None:
        names = ", ".join(each.name for each in settings.enclosure)
        raise SoilwardError(f"enclosure {asked.enclosure!r} is not in the settings; there are: {names}")
    if asked.pulses is not None:
        return _request(settings, asked, "trial", {"pulses": asked.pulses}, say)
    # Whoever only asks for pulses need not wait for what learns to be loaded.
    from controller.tuning.draw import drawing
    from controller.tuning.fit import lines
    from controller.tuning.found_in_record import fit_of

    found = fit_of(settings, enclosure, Clock().now().utc_ms)
    for line in lines(found):
        say(line)
    if asked.plot is not None:
        _draw(asked.plot, drawing(found, enclosure.title or enclosure.name, settings.site.zone), say)
    if not asked.yes and not agreed():
        say("Nothing is adopted. To adopt it, name yourself with --person and say yes.")
        return 0
    likely = {name: [each.value, each.low, each.high] for name, each in found.found.figures.items()}
    return _request(settings, asked, "adopt", {"figures": figures_of(found.found.model), "likely": likely}, say)


def _draw(file: Path, text: str, say: Say) -> None:
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SoilwardError(f"{file}: cannot be written ({error.strerror}); name another file") from error
    say(f"drawn: {file}")


def _request(settings: Settings, asked: Asked, kind: str, arguments: dict[str, Any], say: Say) -> int:
    """File a request in somebody's name and say what the controller answers; 0 if it did what was asked."""
    if asked.who is None:
        raise SoilwardError("--person is missing: who asks for this goes to the journal")
    body = {"enclosure": asked.enclosure, "kind": kind, "arguments": arguments, "why": asked.why}
    filed = subprocess.run(
        [sys.executable, "-m", "api", "ask", "--settings", str(asked.settings), "--person", asked.who],
        input=json.dumps(body),
        capture_output=True,
        text=True,
        check=False,
    )
    if filed.returncode != 0:
        raise SoilwardError(filed.stderr.strip() or "the request could not be filed")
    answer = _answer(settings.store.folder / "journal.db", asked.enclosure, int(filed.stdout))
    say(answer["detail"])
    return 0 if answer["outcome"] == "done" else 1


def _answer(file: Path, enclosure: str, request: int) -> dict[str, Any]:
    """Wait for the controller's answer to a request.

    Raises
    ------
    SoilwardError
        If it gives none.
    """
    for _ in range(round(ANSWERS_S / 0.25)):
        if file.exists():
            with closing(open_reader(file)) as connection:
                for entry in journal.read(connection, enclosure, "answer", limit=50):
                    if entry.body.get("request") == request:
                        return dict(entry.body)
        time.sleep(0.25)
    raise SoilwardError(f"request {request} is filed, but the controller has not answered it; does `soilward run` run?")
