"""A controller in small, made to be killed: it holds one contact as the proof test does, by the same tick and gate."""

import sys
from pathlib import Path

from controller.clock import Clock
from controller.load_settings import load
from controller.memory import journal_breaks_at
from controller.parent import end_with_parent
from controller.proving.stand import Stand, Wish
from controller.standing import Standing

CLIENT = "soilward-proof-holder"
LONGEST_S = 300.0
"""[s] It ends by itself after this, should nobody kill it."""


def main(settings_file: Path, name: str, epoch: int) -> None:
    """Hold the contact of `name` closed, as far as the gate allows, until killed."""
    end_with_parent()
    settings = load(settings_file)
    broken_at = journal_breaks_at(settings.store)
    stand = Stand(settings, name, Clock(), Standing(), epoch, CLIENT, broken_at=broken_at)
    stand.open()
    stand.wish = Wish.HEAT
    stand.rest(LONGEST_S)
    stand.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
