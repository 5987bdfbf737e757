"""`python -m api`: serve the pages, and say who may use them."""

import argparse
import getpass
import sys
from pathlib import Path

from api import at_hand, behalf, people
from api.people import PeopleError, Role
from api.review.settings import load_review
from api.writer import Writer
from controller.clock import Clock
from controller.errors import SoilwardError, StoreError, of_the_disk
from controller.load_settings import load
from controller.settings import Served
from controller.store.connection import open_reader


def main(arguments: list[str] | None = None) -> int:
    """Run one command; 0 done, 1 failed, 2 misuse."""
    asked = _parser().parse_args(arguments)
    try:
        if asked.command == "serve":
            return _serve(asked)
        if asked.command == "ask":
            print(behalf.ask(load(asked.settings), asked.person, sys.stdin.read()))
            return 0
        return _person(load_review(asked.settings) if asked.review_only else load(asked.settings), asked)
    except SoilwardError as error:
        print(error, file=sys.stderr)
        return 1
    except OSError as error:
        if not (said := of_the_disk(error)):
            raise
        print(said, file=sys.stderr)
        return 1
    except EOFError:
        print("no password came; type it at a terminal, or use --password-stdin", file=sys.stderr)
        return 1


def _serve(asked: argparse.Namespace) -> int:
    """Serve one site's own pages, or the review of many; whoever only adds a person need not load either."""
    from api.serving import serve

    if asked.review_only:
        from api.review.app import create_review

        review = load_review(asked.settings)
        return serve(review, lambda: create_review(review))
    from api.app import create_app

    settings = load(asked.settings)
    return serve(settings, lambda: create_app(settings, settings.store.folder))


def _person(settings: Served, asked: argparse.Namespace) -> int:
    if asked.action == "list":
        return _show_people(settings)
    settings.store.folder.mkdir(parents=True, exist_ok=True)
    password = _password(asked.password_stdin) if asked.action == "add" else ""
    try:
        print(_written_here(settings, asked, password))
    except StoreError as held:
        try:
            print(_by_the_running(settings, asked, password))
        except at_hand.NotRunningError as silent:
            raise held from silent
    return 0


def _written_here(settings: Served, asked: argparse.Namespace, password: str) -> str:
    """Change the file of people, which is ours while nothing runs; return what to say."""
    season = Writer(settings.store.folder / "season.db", people.MIGRATIONS)
    try:
        if asked.action == "add":
            season.do(people.add_person, asked.name, Role(asked.role), password)
        elif asked.action == "remove":
            season.do(people.remove_person, asked.name)
        else:
            season.do(people.find_person, asked.name)
            return season.do(people.new_session, asked.name, Clock().now().utc_ms, people.BEARER_MS)
    finally:
        season.close()
    return _changed(asked)


def _by_the_running(settings: Served, asked: argparse.Namespace, password: str) -> str:
    """Have the running program change its file of people; return what to say."""
    if asked.action == "add":
        at_hand.add_person(settings, asked.name, asked.role, password)
    elif asked.action == "remove":
        at_hand.remove_person(settings, asked.name)
    else:
        return at_hand.new_token(settings, asked.name)
    return _changed(asked)


def _changed(asked: argparse.Namespace) -> str:
    if asked.action == "add":
        return f"{asked.name} may {asked.role}"
    return f"{asked.name} is removed and signed out everywhere"


def _show_people(settings: Served) -> int:
    connection = open_reader(settings.store.folder / "season.db")
    try:
        for each in people.list_people(connection):
            print(f"{each.name}\t{each.role.value}")
    finally:
        connection.close()
    return 0


def _password(from_stdin: bool) -> str:
    if from_stdin:
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if getpass.getpass("Once more: ") != first:
        raise PeopleError("the two passwords differ; nothing was changed")
    return first


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m api", description="The pages and the API of Soilward.")
    commands = parser.add_subparsers(dest="command", required=True)
    with_settings = argparse.ArgumentParser(add_help=False)
    here = Path("soilward.toml")
    with_settings.add_argument("--settings", type=Path, default=here, help="settings file (default: soilward.toml)")
    with_settings.add_argument(
        "--review-only", action="store_true", help="SETTINGS is a review file: [remote], [web] and [store] alone"
    )
    commands.add_parser("serve", parents=[with_settings], help="serve until stopped")
    ask = commands.add_parser("ask", help="file the request that standard input holds as JSON; prints its number")
    ask.add_argument("--settings", type=Path, required=True, help="soilward.toml")
    ask.add_argument("--person", required=True, help="who asks")
    actions = commands.add_parser(
        "person", prog="soilward person", help="who may look and change; works whether or not the api runs"
    ).add_subparsers(dest="action", required=True)
    add = actions.add_parser("add", parents=[with_settings], help="add somebody")
    add.add_argument("name")
    add.add_argument("--role", choices=[each.value for each in Role], default=Role.VIEW.value)
    add.add_argument("--password-stdin", action="store_true", help="read the password from the first line of stdin")
    actions.add_parser("list", parents=[with_settings], help="show everybody")
    remove = actions.add_parser("remove", parents=[with_settings], help="remove somebody and end their sessions")
    remove.add_argument("name")
    token = actions.add_parser("token", parents=[with_settings], help="print a new bearer token, shown only once")
    token.add_argument("name")
    return parser


if __name__ == "__main__":
    sys.exit(main())
