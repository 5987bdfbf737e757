"""Rows of the table that no simulation here can carry, and those that are not played with a benign fault more."""

ELSEWHERE: dict[str, str] = {
    "W06": "a node that takes its time from the mains frequency: ours uses its crystal; hardware-notes say so",
}

HTTP = "what the HTTP interface answers depends on no reading, node or disk"
ALONE: dict[str, str] = {
    **ELSEWHERE,
    **dict.fromkeys(("A04", "A05", "A06"), HTTP),
    "A07": "it is itself a load on the machine, and measured beside the bare machine",
    "B06": "who owns a name is between the broker and the controllers; no probe, node or disk has a part in it",
    "B08": "what the lists permit is tried once, before any heat",
    "C03": "an exception is caught where the tick is called, whatever the tick was given",
    "C07": "an exception is caught where the tick is called, whatever the tick was given",
    "C08": "settings are refused before anything runs",
    "E09": "settings are refused before anything runs",
    "D05": "the kills fall at random moments; a slow disk only spreads them",
    "D07": "two numbers are compared once, at the start",
}
"""Rows that no noise, loss, slow clock or slow disk can reach, and why."""
