"""What each command of `soilward` does; each imports what it needs: a controller must not carry a planner's weight.

Each returns the exit status.
"""

import argparse
import os
import signal
import sys
from pathlib import Path


def demo(asked: argparse.Namespace) -> int:
    """Run the invented site."""
    from controller.demo import live

    return live.demo(asked.folder, asked.port, asked.days)


def init(asked: argparse.Namespace) -> int:
    """Write starter settings, keys and the first person."""
    from controller import starter

    return starter.init(asked.settings, asked.person, asked.password_stdin)


def check(asked: argparse.Namespace) -> int:
    """Check the settings."""
    from controller import unsensed
    from controller.heater_log import unrecorded
    from controller.load_settings import load

    settings = load(asked.settings)
    names = ", ".join(f"{each.name} ({len(each.probe)} probes)" for each in settings.enclosure)
    print(f"{asked.settings}: sound. Site {settings.site.name}; {names}.")
    for each in filter(unrecorded, settings.enclosure):
        print(
            f"note: enclosure {each.name!r}: nothing reports the contact of its plain relay, so no heater run is "
            'recorded; add a probe with quantity = "contact" or "current"'
        )
    for each in settings.enclosure:
        key_file = each.heater.key_file
        if each.heater.relay == "node" and key_file is not None and not key_file.is_file():
            print(
                f"note: enclosure {each.name!r}: {key_file} is not here; a controller on this machine would not start"
            )
        if why := unsensed.unwatched(each):
            print(f"note: enclosure {each.name!r}: {why}; only a current sensor shows that the heater has died")
    if asked.limits:
        from controller.limit_table import told

        print("\n".join(told(settings)))
    return 0


def run(asked: argparse.Namespace) -> int:
    """Run controller, pages and planner."""
    from controller import supervisor
    from controller.load_settings import load

    return supervisor.run(load(asked.settings), asked.settings)


def controller(asked: argparse.Namespace) -> int:
    """Run the controller alone."""
    from controller import service
    from controller.clock import Clock
    from controller.load_settings import load

    service.run(load(asked.settings), Clock())
    return 0


def planner(asked: argparse.Namespace) -> int:
    """Run the planner alone."""
    _one_thread_for_matrices()

    from controller.clock import Clock
    from controller.load_settings import load
    from controller.planning import service

    service.run(load(asked.settings), Clock())
    return 0


def _one_thread_for_matrices() -> None:
    """The matrices are tiny: more threads would only warm the processor. Read when numpy is first imported."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def forwarder(asked: argparse.Namespace) -> int:
    """Run the forwarder alone."""
    from controller import forwarder
    from controller.clock import Clock
    from controller.load_settings import load

    forwarder.run(load(asked.settings), Clock())
    return 0


def api(asked: argparse.Namespace) -> int:
    """Run the pages and the HTTP interface alone."""
    from controller import supervisor

    review = ["--review-only"] if asked.review_only else []
    return supervisor.become_api(["serve", "--settings", str(asked.settings), *review])


def person(asked: argparse.Namespace) -> int:
    """Add, list or remove people."""
    from controller import supervisor

    return supervisor.become_api(["person", *asked.rest])


def node(asked: argparse.Namespace) -> int:
    """Run simulated nodes."""
    from controller.load_settings import load
    from controller.node import bench

    return bench.run(load(asked.settings))


def simulate(asked: argparse.Namespace) -> int:
    """Simulate days of weather, or replay a record."""
    if asked.replay is not None:
        from controller.replay import command

        if asked.days is not None or asked.weather is not None or asked.plot is not None:
            asked.misuse("--replay goes with neither --days, --weather nor --plot")
        file = asked.settings or asked.file
        return command.replay(command.asked_of(asked.replay, file, asked.enclosure, asked.start, asked.end))
    from controller.plant.command import Asked, run

    if asked.end is not None:
        asked.misuse("--end goes with --replay; say how long by --days")
    file = asked.file or asked.settings or Path("soilward.toml")
    days = 14.0 if asked.days is None else asked.days
    return run(Asked(file, days, asked.weather or "1", asked.enclosure, asked.start, asked.plot))


def export(asked: argparse.Namespace) -> int:
    """Write the record out."""
    from controller.exporting import command
    from controller.exporting.forms import Form
    from controller.load_settings import load

    settings = load(asked.settings)
    if asked.enclosure is not None and settings.named(asked.enclosure) is None:
        known = ", ".join(each.name for each in settings.enclosure)
        print(f"--enclosure: {asked.enclosure!r} is not in settings; known: {known}", file=sys.stderr)
        return 2
    wanted = command.wanted(asked.what, asked.start, asked.end, asked.enclosure)
    return command.give(settings.store.folder, wanted, Form(asked.format), asked.output)


def import_readings(asked: argparse.Namespace) -> int:
    """Take an exported CSV in."""
    from controller.exporting import command
    from controller.load_settings import load

    return command.take(load(asked.settings).store.folder, asked.file)


def proof_test(asked: argparse.Namespace) -> int:
    """Walk a person through a proof test."""
    from controller.clock import Clock
    from controller.load_settings import load
    from controller.proving import command
    from controller.proving.person import Terminal

    def end_once(number: int, frame: object) -> None:
        # A second Ctrl-C, pressed in haste, must not stop the contacts from being opened.
        for each in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, end_once)
    wanted = command.Asked(
        asked.enclosure, asked.person, asked.why, tuple(asked.only), tuple(asked.skip), asked.new_relay
    )
    settings = load(asked.settings)
    account = command.prove(settings, asked.settings, wanted, Terminal(), Clock())
    print(f"\n{account.said}. Disarmed; arm it on its page when you want heat.")
    print(f"To print, under `soilward run`: http://{settings.web.host}:{settings.web.port}/proof/{asked.enclosure}")
    return 0 if account.took_well else 1


def tune(asked: argparse.Namespace) -> int:
    """Show what an enclosure's readings tell, or ask for pulses."""
    _one_thread_for_matrices()

    from controller.load_settings import load
    from controller.tuning import command

    if asked.person is None and (asked.yes or asked.pulses is not None):
        asked.misuse("--person is missing: who asks goes to the journal")
    wanted = command.Asked(
        asked.settings, asked.enclosure, asked.person, asked.why, asked.pulses, asked.plot, asked.yes
    )
    return command.tune(load(asked.settings), wanted, _typed_yes if asked.person else lambda: False)


def _typed_yes() -> bool:
    """Whether somebody at a terminal types yes."""
    if not sys.stdin.isatty():
        return False
    return input('\nAdopt the model found? Type "yes": ').strip().lower() == "yes"


def asyncapi(asked: argparse.Namespace) -> int:
    """Print the wire's document."""
    import json

    from controller.load_settings import load
    from controller.wire.asyncapi import document

    print(json.dumps(document(load(asked.settings)), indent=2))
    return 0


def verify(asked: argparse.Namespace) -> int:
    """Check the journal's chain and heads, and the roll-ups."""
    from controller.clock import Clock
    from controller.load_settings import load
    from controller.verifying import verify_journal, verify_record

    store = load(asked.settings).store
    if asked.public_key is not None:
        store = store.model_copy(update={"journal_key_file": asked.public_key.resolve()})
    holds = verify_journal(store)
    return 0 if verify_record(store, Clock(), whole=asked.whole, mend=asked.mend) and holds else 1
