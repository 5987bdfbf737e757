"""Rows of the table that no simulation here can carry, and what carries them instead."""

ELSEWHERE: dict[str, str] = {
    "W06": "a node that takes its time from the mains frequency: ours uses its crystal; hardware-notes say so",
}
