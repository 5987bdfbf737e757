"""`review.toml`: where many sites' records are kept, where the pages listen, and where the people are kept."""

from pathlib import Path
from zoneinfo import ZoneInfo

from pydantic import Field, ValidationError

from controller.errors import SettingsError
from controller.load_settings import read_toml, sentence
from controller.sense import anchored
from controller.setting_kinds import Part, Zone
from controller.settings import Elsewhere, Served


class Site(Part):
    """What the pages call the whole, and whose clock they show."""

    name: str = Field(default="All sites", min_length=1, max_length=60)
    time_zone: Zone = "UTC"

    @property
    def zone(self) -> ZoneInfo:
        """The time zone as an object."""
        return ZoneInfo(self.time_zone)


class ReviewSettings(Served):
    """The whole file: no broker, no enclosure, nothing that heats."""

    remote: Elsewhere
    site: Site = Site()

    @property
    def enclosure(self) -> tuple[()]:
        """None of our own, as the frame of every page asks."""
        return ()


def load_review(path: Path) -> ReviewSettings:
    """Read and check a review file; relative paths in it count from its own folder.

    Raises
    ------
    SettingsError
        With one line per fault.
    """
    try:
        settings = ReviewSettings.model_validate(read_toml(path))
    except ValidationError as error:
        raise SettingsError([sentence(path, each) for each in error.errors()]) from error
    folder = path.resolve().parent
    remote = settings.remote.model_copy(update={"token_file": anchored(folder, settings.remote.token_file)})
    store = settings.store.model_copy(update={"folder": anchored(folder, settings.store.folder)})
    return settings.model_copy(update={"remote": remote, "store": store})
