"""The `soilward` command. Exit status: 0 done, 1 failed, 2 misuse; 141 if the reader of its output left."""

import argparse
import os
import select
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from controller import arguments
from controller.errors import SoilwardError

CAUTION = (
    "Heat beside plastic film can start a fire. Soilward is no replacement for a listed thermal cut-out, an "
    "earth-fault breaker or a licensed electrician; follow your local code."
)


def main(written: Sequence[str] | None = None) -> int:
    """Run one command."""
    asked = _parser().parse_args(written)
    try:
        status = int(asked.act(asked))
        sys.stdout.flush()
        return status
    except BrokenPipeError:
        if not _nobody_reads():
            raise
        return 128 + signal.SIGPIPE
    except SoilwardError as error:
        print(error, file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 1


def _nobody_reads() -> bool:
    """Whether standard output has lost its reader, as under `| head`; if so, what is left to print goes nowhere."""
    output = select.poll()
    output.register(1, 0)
    if not any(event & select.POLLERR for _, event in output.poll(0)):
        return False
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return True


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="soilward",
        description="Holds the soil of heated growing enclosures at a set point through cold nights, safely.",
        epilog=CAUTION,
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    demo = commands.add_parser("demo", help="an invented site: three weeks of history, then live; prints an address")
    demo.add_argument("--folder", type=Path, help="where the data go (default: a fresh temporary folder)")
    demo.add_argument("--port", type=int, default=8460, help="port of the pages (default 8460; the next free is taken)")
    demo.add_argument("--days", type=float, default=None, help="days of history (default 21)")
    demo.set_defaults(act=_demo)
    init = commands.add_parser("init", help="write starter settings, keys and the first person for a real site")
    init.add_argument("--settings", type=Path, default=Path("soilward.toml"), help="file to write")
    init.add_argument("--person", default="keeper", help="name of the first person (default keeper)")
    init.add_argument("--password-stdin", action="store_true", help="read the password from standard input")
    init.set_defaults(act=_init)
    for name, act, words in (
        ("check", _check, "check the settings, name every fault at once, change nothing"),
        ("run", _run, "run controller, pages and planner, and the embedded broker if the settings ask for it"),
        ("controller", _controller, "run the controller alone"),
        ("planner", _planner, "run the planner alone: it learns each enclosure and plans the coming hours"),
        ("forwarder", _forwarder, "run what copies the record to the store that [remote] names, alone"),
        ("api", _api, "run the pages and the HTTP interface alone"),
        ("node", _node, "run simulated nodes for every enclosure (no heater needed)"),
        ("asyncapi", _asyncapi, "print the site's topics and messages as an AsyncAPI 3 document"),
        ("verify", _verify, "check the journal's hash chain and its signed heads, and say where it breaks"),
    ):
        command = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        command.add_argument("--settings", type=Path, default=Path("soilward.toml"), help="settings file")
        command.set_defaults(act=act)
        if name == "api":
            command.add_argument(
                "--review-only",
                action="store_true",
                help="review many sites from the store elsewhere; SETTINGS holds [remote], [web] and [store] alone",
            )
        if name == "verify":
            command.add_argument(
                "--public-key", type=Path, metavar="FILE", help="journal.pub to check by (default: beside the key)"
            )
        if name == "check":
            command.add_argument(
                "--limits", action="store_true", help="print every hard limit, its source, what is in force"
            )
    arguments.add_simulate(commands, _simulate)
    arguments.add_proof_test(commands, _proof_test, CAUTION)
    arguments.add_tune(commands, _tune)
    arguments.add_export(commands, _export)
    arguments.add_import(commands, _import)
    person = commands.add_parser("person", help="add, list or remove the people who may look or change things")
    person.add_argument("rest", nargs=argparse.REMAINDER, help="add NAME --role view|operate | list | remove NAME")
    person.set_defaults(act=_person)
    return parser


def _demo(asked: argparse.Namespace) -> int:
    from controller.demo import live

    return live.demo(asked.folder, asked.port, asked.days)


def _init(asked: argparse.Namespace) -> int:
    from controller import starter

    return starter.init(asked.settings, asked.person, asked.password_stdin)


def _check(asked: argparse.Namespace) -> int:
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
    if asked.limits:
        from controller.limit_table import told

        print("\n".join(told(settings)))
    return 0


def _run(asked: argparse.Namespace) -> int:
    from controller import supervisor
    from controller.load_settings import load

    return supervisor.run(load(asked.settings), asked.settings)


def _controller(asked: argparse.Namespace) -> int:
    from controller import service
    from controller.clock import Clock
    from controller.load_settings import load

    service.run(load(asked.settings), Clock())
    return 0


def _planner(asked: argparse.Namespace) -> int:
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


def _forwarder(asked: argparse.Namespace) -> int:
    from controller import forwarder
    from controller.clock import Clock
    from controller.load_settings import load

    forwarder.run(load(asked.settings), Clock())
    return 0


def _api(asked: argparse.Namespace) -> int:
    from controller import supervisor

    review = ["--review-only"] if asked.review_only else []
    return supervisor.become_api(["serve", "--settings", str(asked.settings), *review])


def _person(asked: argparse.Namespace) -> int:
    from controller import supervisor

    return supervisor.become_api(["person", *asked.rest])


def _node(asked: argparse.Namespace) -> int:
    from controller.load_settings import load
    from controller.node import bench

    return bench.run(load(asked.settings))


def _simulate(asked: argparse.Namespace) -> int:
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


def _export(asked: argparse.Namespace) -> int:
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


def _import(asked: argparse.Namespace) -> int:
    from controller.exporting import command
    from controller.load_settings import load

    return command.take(load(asked.settings).store.folder, asked.file)


def _proof_test(asked: argparse.Namespace) -> int:
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


def _tune(asked: argparse.Namespace) -> int:
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


def _asyncapi(asked: argparse.Namespace) -> int:
    import json

    from controller.load_settings import load
    from controller.wire.asyncapi import document

    print(json.dumps(document(load(asked.settings)), indent=2))
    return 0


def _verify(asked: argparse.Namespace) -> int:
    from controller.load_settings import load
    from controller.store import heads, journal
    from controller.store.connection import open_reader

    store = load(asked.settings).store
    if asked.public_key is not None:
        store = store.model_copy(update={"journal_key_file": asked.public_key.resolve()})
    connection = open_reader(store.folder / "journal.db")
    try:
        proof = journal.verify(connection)
        sealed = heads.checker(store)
        signed = None if sealed is None else sealed(connection)
    finally:
        connection.close()
    if not proof.holds:
        print(f"the journal is broken at entry {proof.first_bad}: {proof.detail}", file=sys.stderr)
        return 1
    if signed is not None and not signed.holds:
        print(f"the journal is not what was signed: {signed.detail}", file=sys.stderr)
        return 1
    print(f"the journal holds: {proof.entries} entries, head {proof.head}")
    print("its heads are not signed: settings name no store.journal_key_file" if signed is None else signed.detail)
    return 0


if __name__ == "__main__":
    sys.exit(main())
