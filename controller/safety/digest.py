"""The digest of a node's limits: the same figures on both sides, and not one bit of them flipped since."""

import hashlib
from typing import Final

from controller.safety import node_limits


def limits_digest() -> str:
    """Return 16 hex digits over the name and value of every figure in `node_limits`, as they are in memory now.

    A node compares it with the one its program was made with (hazard N13), the controller with its own (N08).
    """
    figures = sorted((name, value) for name, value in vars(node_limits).items() if name.isupper())
    return hashlib.sha256(repr(figures).encode()).hexdigest()[:16]


PROGRAMMED: Final = limits_digest()
"""The digest the program was made with."""
