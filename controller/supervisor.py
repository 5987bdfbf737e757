"""`soilward run`: controller, pages, planner and forwarder, a process each, and the broker if embedded.

Each is restarted alone. The forwarder runs only where settings name a store elsewhere.
"""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from iotcore import Broker as Rumqttd

from controller import web_port
from controller.clock import Clock
from controller.parent import END_WITH_PARENT
from controller.settings import Settings
from controller.wire import embedded

LONGEST_PATIENCE_S = 10.0
SLOWEST_RESTART_S = 30.0
FROM_TERMINAL = (signal.SIGINT, signal.SIGHUP)


def become_api(arguments: Sequence[str]) -> int:
    """Replace this process by `python -m api`: the controller never imports what people look at."""
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, "-m", "api", *arguments])
    return 1


def controller_command(settings_file: Path) -> list[str]:
    """Return the command line of the controller's process."""
    return [sys.executable, "-m", "controller.cli", "controller", "--settings", str(settings_file)]


def planner_command(settings_file: Path) -> list[str]:
    """Return the command line of the planner's process."""
    return [sys.executable, "-m", "controller.cli", "planner", "--settings", str(settings_file)]


def forwarder_command(settings_file: Path) -> list[str]:
    """Return the command line of the forwarder's process."""
    return [sys.executable, "-m", "controller.cli", "forwarder", "--settings", str(settings_file)]


def api_command(settings_file: Path) -> list[str]:
    """Return the command line of the pages' process."""
    return [sys.executable, "-m", "api", "serve", "--settings", str(settings_file)]


def say(words: str) -> None:
    """Tell whoever reads our standard error; a reader that is gone costs its words, and no process of the site."""
    with suppress(OSError):
        print(words, file=sys.stderr, flush=True)


class Child:
    """One process, started again after it dies, with growing pauses."""

    def __init__(self, name: str, command: list[str], clock: Clock) -> None:
        self.name, self.command, self.clock = name, command, clock
        self.process: subprocess.Popen[bytes] | None = None
        self._started_s = float("-inf")
        self._pause_s = 0.5

    def look(self) -> None:
        """Start it if it is not running and its pause is over."""
        now_s = self.clock.now().mono_s
        if self.process is not None:
            code = self.process.poll()
            if code is None:
                if now_s - self._started_s > 60:
                    self._pause_s = 0.5
                return
            say(f"{self.name} ended with status {code}; starting it again")
            self.process = None
            self._pause_s = min(self._pause_s * 2, SLOWEST_RESTART_S)
        if now_s - self._started_s >= self._pause_s:
            self._started_s = now_s
            self._start()

    def _start(self) -> None:
        # Its own session: Ctrl-C reaches the supervisor alone, which then ends the children in order.
        environment = {**os.environ, END_WITH_PARENT: str(os.getpid())}
        try:
            self.process = subprocess.Popen(self.command, start_new_session=True, env=environment)
        except OSError as error:
            # No memory or no process to be had: the others go on, and this one is tried again.
            say(f"{self.name} did not start: {error}; trying it again")
            self._pause_s = min(self._pause_s * 2, SLOWEST_RESTART_S)

    def end(self) -> None:
        """Ask it to end, and make it if it does not."""
        if self.process is None or self.process.poll() is not None:
            return
        self.process.terminate()
        try:
            self.process.wait(LONGEST_PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()


class Pages(Child):
    """The pages' process: while another has their port it is not begun, and everything else goes on."""

    def __init__(self, command: list[str], clock: Clock, settings: Settings) -> None:
        super().__init__("api", command, clock)
        self._web, self._folder = settings.web, settings.store.folder
        self._told = ""

    def look(self) -> None:
        """Start it if it is not running and its port is free; say so once if it is not, and once when it is again."""
        if self.process is None:
            why = web_port.why_not(self._web)
            self._tell(why)
            if why:
                return
        super().look()

    def _tell(self, why: str) -> None:
        if why != self._told:
            words = f"{why}. Heat goes on without pages, which begin once the port is free" if why else ""
            say(words or f"port {self._web.port} is free again: the pages begin")
            web_port.note(self._folder, words)
            self._told = why

    def end(self) -> None:
        """End it, and leave no word for a controller to come."""
        super().end()
        web_port.note(self._folder, "")


def hold(children: Sequence[Child], stop: threading.Event, broker: Rumqttd | None) -> None:
    """Keep children and the embedded broker running until `stop` is set, then end them, first one first."""
    told = ""
    try:
        while not stop.is_set():
            if broker is not None and not broker.is_running:
                told = _again(broker, told)
            for child in children:
                child.look()
            stop.wait(0.5)
    finally:
        for child in children:
            child.end()


def _again(broker: Rumqttd, told: str) -> str:
    """Start the broker again; returns why it did not start, or "". What was told at the last look is not told again."""
    if not told:
        say("the embedded broker ended; starting it again")
    try:
        with out_of_the_terminals_reach():
            broker.start()
    except (OSError, RuntimeError) as error:
        # Tried again at the next look: the port may be free by then, and meanwhile every lease has run out.
        words = f"the embedded broker did not start: {error}; trying it again"
        if words != told:
            say(words)
        return words
    return ""


@contextmanager
def out_of_the_terminals_reach() -> Iterator[None]:
    """What is started within gets no Ctrl-C and no hang-up: the broker must still carry the controller's last order."""
    signal.pthread_sigmask(signal.SIG_BLOCK, FROM_TERMINAL)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, FROM_TERMINAL)


def stop_on_signals() -> threading.Event:
    """Return an event that SIGINT, SIGTERM and SIGHUP set."""
    stop = threading.Event()

    def told(number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP:
            _fall_silent()
        stop.set()

    for number in (*FROM_TERMINAL, signal.SIGTERM):
        signal.signal(number, told)
    return stop


def _fall_silent() -> None:
    """The terminal is gone: a last word to it would only fail, and with it the orderly end."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (1, 2):
        os.dup2(nowhere, stream)
    os.close(nowhere)


def children_of(settings: Settings, settings_file: Path, clock: Clock) -> list[Child]:
    """Return the site's processes in the order they are ended; the forwarder only where there is a store elsewhere."""
    children = [
        Child("controller", controller_command(settings_file), clock),
        Pages(api_command(settings_file), clock, settings),
        Child("planner", planner_command(settings_file), clock),
    ]
    if settings.remote is not None:
        children.append(Child("forwarder", forwarder_command(settings_file), clock))
    return children


def run(settings: Settings, settings_file: Path) -> int:
    """Run the whole site until told to stop."""
    stop = stop_on_signals()
    clock = Clock()
    settings.store.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    web_port.note(settings.store.folder, "")
    with out_of_the_terminals_reach():
        broker = embedded.start(settings) if settings.broker.kind == "embedded" else None
    children = children_of(settings, settings_file, clock)
    print(f"{settings.site.name} begins; its pages say where once they answer. Ctrl-C stops everything.", flush=True)
    try:
        hold(children, stop, broker)
    finally:
        if broker is not None:
            broker.stop()
    print(f"stopped; the record is in {settings.store.folder}")
    return 0
