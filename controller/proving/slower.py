"""Which probes answered far later in the last proof test than in the one before: a thick sheath, another place."""

from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from controller.proving import criteria
from controller.proving.account import KIND, Account, from_entry
from controller.store import journal
from controller.store.connection import open_reader

ALERT = "probe-slow"


def slower_probes(folder: Path, names: Iterable[str]) -> dict[str, str]:
    """Return by enclosure what people should be told of its last proof test; nothing where all is as it was."""
    if not (folder / "journal.db").exists():
        return {}
    with closing(open_reader(folder / "journal.db")) as connection:
        newest = {name: next(iter(journal.read(connection, name, KIND, limit=1)), None) for name in names}
    accounts = {name: from_entry(entry) for name, entry in newest.items() if entry is not None}
    return {name: said for name, account in accounts.items() if account is not None and (said := said_of(account))}


def said_of(account: Account) -> str:
    """Return in words that heat was answered far later than the time before, or "" (hazard P23)."""
    for figures in (each.figures for each in account.outcomes):
        lag_s, before_s = figures.get("lag_s"), figures.get("lag_before_s")
        if lag_s is not None and before_s is not None and lag_s > criteria.LAG_GREW * before_s:
            return (
                f"at the last proof test heat was answered after {lag_s:.0f} s, at the one before after {before_s:.0f}"
                " s: look whether the probe still lies where it lay, and prove it again"
            )
    return ""
