"""Python's collector of garbage, made to look seldom: a look holds up every enclosure."""

import gc

EACH, OF_ALL = 500, 20_000
"""Objects more, for each enclosure and for all, until the collector looks. Whatever runs makes nothing that needs
collecting (32 objects in a quarter of an hour, measured). What an enclosure remembers grows by some 200 objects in its
first minutes; a look through what two thousand had made held all of them up for 60 to 140 ms, every ten seconds."""
OLDER = 10, 100
"""Looks at the youngest until the older ones are looked at."""


def look_seldom(enclosures: int) -> None:
    """Leave alone for good what is there now, and let so many enclosures make more before the next look."""
    gc.freeze()
    gc.set_threshold(OF_ALL + EACH * enclosures, *OLDER)
