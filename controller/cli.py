"""The `soilward` command. Exit status: 0 done, 1 failed, 2 misuse; 141 if the reader of its output left."""

import argparse
import os
import select
import signal
import sqlite3
import sys
from collections.abc import Sequence

from controller import arguments, commands
from controller.errors import SoilwardError, of_the_disk

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
    except OSError as error:
        if not (said := of_the_disk(error)):
            raise
        print(said, file=sys.stderr)
        return 1
    except sqlite3.DatabaseError as error:
        from controller.store.damage import is_damage

        if not is_damage(error):
            raise
        print(f"a database of the data folder is damaged ({error}); `soilward verify` names it", file=sys.stderr)
        return 1
    except EOFError:
        print("nobody is there to type; use a terminal, or --password-stdin for a password", file=sys.stderr)
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
    added = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    arguments.add_demo(added, commands.demo)
    arguments.add_init(added, commands.init)
    for act, words in (
        (commands.check, "check the settings, name every fault at once, change nothing"),
        (commands.run, "run controller, pages and planner, and the embedded broker if the settings ask for it"),
        (commands.controller, "run the controller alone"),
        (commands.planner, "run the planner alone: it learns each enclosure and plans the coming hours"),
        (commands.forwarder, "run what copies the record to the store that [remote] names, alone"),
        (commands.api, "run the pages and the HTTP interface alone"),
        (commands.node, "run simulated nodes for every enclosure (no heater needed)"),
        (commands.asyncapi, "print the site's topics and messages as an AsyncAPI 3 document"),
        (
            commands.verify,
            "check the journal's hash chain, its signed heads and the record's roll-ups, and say what does not hold",
        ),
    ):
        arguments.add_plain(added, act, words)
    arguments.add_simulate(added, commands.simulate)
    arguments.add_proof_test(added, commands.proof_test, CAUTION)
    arguments.add_tune(added, commands.tune)
    arguments.add_export(added, commands.export)
    arguments.add_import(added, commands.import_readings)
    arguments.add_person(added, commands.person)
    return parser


if __name__ == "__main__":
    sys.exit(main())
