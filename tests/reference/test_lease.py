"""The declared fault reaction times that need no wire: silence and stale probes."""

import pytest

from controller.node.relay_core import RelayCore
from controller.safety.lease import Order
from controller.wire.relay import encode_command
from tests.core_site import warm_bed

KEY, BEGAN_MS = b"k" * 32, 1_772_400_000_000


@pytest.mark.parametrize("lease_s", [15.0, 3600.0])
def test_after_the_last_command_the_contact_opens_within_15_s(lease_s: float) -> None:
    """Row 52: the last command, then silence, in steps of 0.1 s: open at 15.0 s, not before the lease is out.

    Source: fault-reaction time in the sense of IEC 60730-1 Annex H; figure: engineering judgement, hazards class C.
    """
    core = RelayCore(KEY)
    core.receive(encode_command(Order(True, True, ""), lease_s, 1, 1, BEGAN_MS, "c", KEY), False, 0.0)
    opened_s = next(tenth / 10 for tenth in range(1000) if not core.advance(tenth / 10))
    assert opened_s == pytest.approx(15.0, abs=0.1)


@pytest.mark.parametrize("silent_from_s", range(90, 101))
def test_a_stale_probe_opens_the_contact_within_51_s(silent_from_s: int) -> None:
    """Row 53, I7: three periods and 5 s, one tick, and a whole lease should the opening be lost: 51 s.

    Source: fault-reaction time in the sense of IEC 60730-1 Annex H; figure: hazards, section F.
    """
    bed = warm_bed()
    bed.run(silent_from_s - 90)
    bed.says["soil"] = None
    last_s = 90 if silent_from_s > 90 else 80
    bed.run(120)
    last_on_s = max(bed.on_seconds(0))
    core = RelayCore(KEY)
    core.receive(encode_command(Order(True, True, ""), 15.0, 1, 1, BEGAN_MS, "c", KEY), False, float(last_on_s))
    opened_s = next(second for second in range(last_on_s, last_on_s + 60) if not core.advance(float(second)))
    assert opened_s - last_s <= 51
