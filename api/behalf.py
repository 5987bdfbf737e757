"""A request that somebody files by the command on this machine, whether or not the pages run."""

import json

from pydantic import ValidationError

from api import at_hand, people
from api.schemas import OnBehalf
from api.writer import Writer, open_requests
from controller.clock import Clock
from controller.errors import SoilwardError, StoreError
from controller.settings import Settings
from controller.store import requests


def ask(settings: Settings, name: str, written: str) -> int:
    """File a request written as JSON and return its number.

    Raises
    ------
    SoilwardError
        If it is malformed, the person may not change things, or the files are held by a program that does not answer.
    """
    try:
        asked = OnBehalf.model_validate_json(written)
    except ValidationError as error:
        raise SoilwardError(f"the request is not well formed: {error.errors()[0]['msg']}") from error
    try:
        return _filed_here(settings, name, asked)
    except StoreError as held:
        try:
            return at_hand.file_request(settings, name, json.loads(written))
        except at_hand.NotRunningError as silent:
            raise held from silent


def _filed_here(settings: Settings, name: str, asked: OnBehalf) -> int:
    """Write the file of requests, which is ours while no pages run."""
    folder = settings.store.folder
    season = Writer(folder / "season.db", people.MIGRATIONS)
    try:
        person = season.do(people.operating, name)
        wishes = open_requests(folder)
        try:
            now_ms = Clock().now().utc_ms
            return wishes.do(
                requests.file, now_ms, asked.enclosure, asked.kind, asked.arguments, person.name, asked.why
            )
        finally:
            wishes.close()
    finally:
        season.close()
