"""The arguments of the commands."""

import argparse
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

_PROOF_STEPS = """The steps, each with a bound and a figure:
  node             heard, same limits, proves K1 and K2 (you may have to switch its supply off and on)
  contact          K1 closes within 5 s of its order and opens within 2 s
  current          80 to 110 % of the rated current on, less than 0.1 A off
  k2               disarmed: K2 open, no current
  lease            ten times one order and no second one: open within the lease and 2 s
  heat-pulse       the right probe answers, no other more (a soil cable: up to some hours)
  broker-cut       you pull the node's network: it lets go by itself
  controller-kill  a controller is killed while it heats: open within the lease and 2 s
  over-limit       you warm a soil probe in your hand past a limit tightened for the rehearsal

Stop `soilward run` first: whoever commands the node must be alone. Heat is decided as ever: limits, trips and
permissives stay in force. A step that fails ends the test. Only a run that passes every step counts as a proof test;
every run is journalled, and printable at /proof/ENCLOSURE. The enclosure is disarmed afterwards.
Exit status: 0 every step taken has passed, 1 not."""

_TUNE = """Without --pulses it reads the last three days of record: it shows what they tell of the enclosure, with what
is likely, beside the model and gains in use, and asks whether to adopt it. Nothing is adopted without a yes. A record
in which nothing moved is refused, with what is missing.

With --pulses 6 it asks the running controller for six pulses of half an hour in the coming night, one every hour and
a half from an hour after sunset on. They stand in place of the usual duty and within all limits: a pulse is cut 0.5 K
above the set point, and the trial gives way at 2 K below it. A lost permissive, a trip, another set point, "disarm",
"stop" or a restart ends it, and the journal says why. Look again in the morning, without --pulses. Best for an air
heater, in a night that is cold and clear. --pulses 0 ends a trial.

Exit status: 0 done, 1 refused or too little to learn from."""

_WEATHER = """A file of weather is CSV, a line an hour or oftener, with a header: time (such as
2026-03-01T04:00:00Z), outside_c or outside_f, and where known humidity_pct, wind_m_s (or wind_km_h, wind_mph), cloud
(0 to 1) or cloud_pct, light_w_m2. Light that is not given follows from sun and cloud. Up to 3 h without a value are
bridged."""

_SETTINGS = "settings file (default: soilward.toml)"

_PERSON = """what to do:
  add NAME     somebody new; --role operate may change things, --role view (the default) may look
  list         everybody, with the role
  remove NAME  and end their sessions
  token NAME   print a new bearer token for programs, shown only once

Each has --help and takes --settings FILE (default: soilward.toml)."""

Act = Callable[[argparse.Namespace], int]
"""What a command does; returns the exit status."""


def add_plain(commands: Any, act: Act, words: str) -> None:
    """Add a command that takes a settings file, and few flags; it is called as what does it."""
    name = act.__name__
    command = commands.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
    command.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=_SETTINGS)
    command.set_defaults(act=act)
    if name == "api":
        help_text = "review many sites from the store elsewhere; SETTINGS holds [remote], [web] and [store] alone"
        command.add_argument("--review-only", action="store_true", help=help_text)
    if name == "verify":
        help_text = "journal.pub to check by (default: beside the key)"
        command.add_argument("--public-key", type=Path, metavar="FILE", help=help_text)
        command.add_argument("--whole", action="store_true", help="compare every day's roll-ups, not a sample of days")
        help_text = "make roll-ups that differ anew from their readings; the controller must not run"
        command.add_argument("--mend", action="store_true", help=help_text)
    if name == "check":
        help_text = "print every hard limit, its source, what is in force"
        command.add_argument("--limits", action="store_true", help=help_text)


def _within(kind: Callable[[str], float], least: float, most: float) -> Callable[[str], float]:
    """Return what reads a number of this kind, and refuses one outside its bounds."""

    def read(written: str) -> float:
        try:
            value = kind(written)
        except ValueError:
            value = math.nan
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{written!r} is no number from {least} to {most}")
        return value

    return read


def _words(written: str) -> str:
    """Read what goes to the journal, which takes nothing blank and nothing that is no text."""
    try:
        written.encode()
    except UnicodeEncodeError:
        raise argparse.ArgumentTypeError(f"{written!r} is no UTF-8 text") from None
    if not written.strip():
        raise argparse.ArgumentTypeError("nothing is said; who does it, and why, goes to the journal")
    return written


def add_demo(commands: Any, act: Act) -> None:
    """Add `demo`."""
    words = "an invented site: three weeks of history, then live; prints an address"
    demo = commands.add_parser("demo", help=words, description=f"{words[0].upper()}{words[1:]}.")
    help_text = "where the data go (default: a fresh temporary folder); an earlier demo's is gone on with"
    demo.add_argument("--folder", type=Path, help=help_text)
    help_text = "port of the pages (default 8460; the next free is taken)"
    demo.add_argument("--port", type=_within(int, 1, 65535), default=8460, help=help_text)
    demo.add_argument("--days", type=_within(float, 0, 400), default=None, help="days of history (default 21)")
    demo.set_defaults(act=act)


def add_init(commands: Any, act: Act) -> None:
    """Add `init`."""
    words = "write starter settings, keys and the first person for a real site"
    init = commands.add_parser("init", help=words, description=f"{words[0].upper()}{words[1:]}.")
    help_text = "file to write (default: soilward.toml); one that is there is never overwritten"
    init.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=help_text)
    init.add_argument("--person", default="keeper", help="name of the first person (default keeper)")
    init.add_argument("--password-stdin", action="store_true", help="read the password from standard input")
    init.set_defaults(act=act)


def add_simulate(commands: Any, act: Act) -> None:
    """Add `simulate`."""
    words = "an enclosure through days of weather, or recorded readings through the same decisions again"
    simulate = commands.add_parser(
        "simulate", help=words, description=f"{words[0].upper()}{words[1:]}.", epilog=_WEATHER
    )
    simulate.add_argument(
        "file", nargs="?", type=Path, metavar="SETTINGS", help="settings file (default: soilward.toml)"
    )
    simulate.add_argument("--days", type=float, help="days to simulate (default 14)")
    simulate.add_argument("--weather", metavar="FILE|SEED", help="a CSV file (see below), or a number to invent it by")
    simulate.add_argument("--plot", type=Path, metavar="FILE", help="draw it as SVG instead of a table of days")
    simulate.add_argument("--replay", type=Path, metavar="FOLDER", help="data folder to replay; what differs?")
    simulate.add_argument("--settings", type=Path, help="settings file (default: FOLDER/soilward.toml, or here)")
    simulate.add_argument("--enclosure", help="this one alone (default: the first; all in a replay)")
    simulate.add_argument("--start", help="begin on this date, or compare from this time on, as 2026-03-01T04:00:00Z")
    simulate.add_argument("--end", help="replay: and until this one")
    simulate.set_defaults(act=act, misuse=simulate.error)


def add_proof_test(commands: Any, act: Act, caution: str) -> None:
    """Add `proof-test`."""
    words = "walk through the real commissioning of one enclosure, step by step, with its relay node"
    proof = commands.add_parser(
        "proof-test",
        help=words,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description=f"{words[0].upper()}{words[1:]}.\n\n{_PROOF_STEPS}",
        epilog=caution,
    )
    proof.add_argument("enclosure", metavar="ENCLOSURE", help="its name in the settings")
    proof.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=_SETTINGS)
    proof.add_argument(
        "--person", required=True, type=_words, metavar="NAME", help="who proves it: goes to the journal and the page"
    )
    proof.add_argument(
        "--why", default="proof test", type=_words, metavar="TEXT", help="what for, such as 'new cable, spring 2027'"
    )
    proof.add_argument("--only", action="append", default=[], metavar="STEP", help="take this step alone (repeatable)")
    proof.add_argument("--skip", action="append", default=[], metavar="STEP", help="leave it out: not passed then")
    proof.add_argument("--new-relay", action="store_true", help="the relay is new: its closings count from now on")
    proof.set_defaults(act=act)


def add_tune(commands: Any, act: Act) -> None:
    """Add `tune`."""
    words = "what an enclosure's own readings tell, drawn beside the model in use; adopted only with a yes"
    tune = commands.add_parser(
        "tune",
        help=words,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description=f"{words[0].upper()}{words[1:]}.\n\n{_TUNE}",
    )
    tune.add_argument("enclosure", metavar="ENCLOSURE", help="its name in the settings")
    tune.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=_SETTINGS)
    tune.add_argument(
        "--pulses",
        type=int,
        choices=(0, *range(3, 9)),
        metavar="N",
        help="ask for so many in the coming night (3 to 8); 0 ends them",
    )
    tune.add_argument("--person", type=_words, metavar="NAME", help="who asks or adopts: goes to the journal")
    tune.add_argument(
        "--why", default="tuning", type=_words, metavar="TEXT", help="what for, such as 'new cable, spring 2027'"
    )
    tune.add_argument("--plot", type=Path, metavar="FILE", help="draw response and fit as SVG")
    tune.add_argument("--yes", action="store_true", help="adopt without asking again")
    tune.set_defaults(act=act, misuse=tune.error)


def add_export(commands: Any, act: Act) -> None:
    """Add `export`."""
    words = "write the record as CSV, SenML or Parquet to a file or a pipe, while everything runs"
    export = commands.add_parser("export", help=words, description=f"{words[0].upper()}{words[1:]}.")
    export.add_argument(
        "--format",
        choices=("csv", "senml", "parquet"),
        default="csv",
        help="default csv; senml tells of no time before July 1978",
    )
    export.add_argument("--what", choices=("readings", "heater-runs", "journal"), default="readings")
    export.add_argument("--start", help="from this time on, as 2026-03-01T04:00:00Z (default: the beginning)")
    export.add_argument("--end", help="until this time, which is not included (default: all there is)")
    export.add_argument("--enclosure", help="this one alone")
    export.add_argument("--output", type=Path, metavar="FILE", help="default: standard output")
    export.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=_SETTINGS)
    export.set_defaults(act=act)


def add_import(commands: Any, act: Act) -> None:
    """Add `import`."""
    words = "take readings back in from an exported CSV: all of the file or nothing; the controller must not run"
    taking = commands.add_parser("import", help=words, description=f"{words[0].upper()}{words[1:]}.")
    taking.add_argument("file", type=Path, metavar="FILE")
    taking.add_argument("--settings", type=Path, default=Path("soilward.toml"), help=_SETTINGS)
    taking.set_defaults(act=act)


def add_person(commands: Any, act: Act) -> None:
    """Add `person`; what it takes is read by the api, which alone knows people."""
    words = "add, list or remove the people who may look or change things; make a token for a program"
    person = commands.add_parser(
        "person",
        help=words,
        usage="soilward person [-h] {add,list,remove,token} ...",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description=f"{words[0].upper()}{words[1:]}.\n\n{_PERSON}",
    )
    person.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    person.set_defaults(act=act)
