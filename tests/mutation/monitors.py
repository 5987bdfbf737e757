"""Every monitor taken away, one at a time: some test must fail (invariant I13)."""

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.mutation.without import MONITOR

ROOT = Path(__file__).parents[2]
CORE = "tests/faults/test_core_rows.py"
HOT = "tests/faults/test_hot_and_forged_rows.py"
SLOW = "tests/faults/test_monitor_rows.py"
HEAT = "tests/faults/test_heat_rows.py"
STEEP = "tests/faults/test_steep_rows.py"
NODE = "tests/faults/test_node_rows.py"
DEAD_MAN = "tests/unit/test_relay_core.py"
TOLD = "tests/unit/test_alerts.py"
WIRE = "tests/unit/test_canary.py tests/unit/test_rivals.py"

PERMISSIVES: dict[str, tuple[str, str]] = {
    "_journal": (CORE, "d01"), "_broker": (CORE, "b01"), "_node": (CORE, "r06"), "_node_obeys": (SLOW, "n07"),
    "_same_limits": (SLOW, "n08"), "_pairs_agree": (SLOW, "p12"), "_nobody_at_work": (SLOW, "o06"),
    "_chain_holds": (SLOW, "d04"), "_probes": (CORE, "p29"), "_no_over_limit": (HOT, "hot_surface"),
    "_air_cool": (CORE, "e02"), "_after_reset": (CORE, "o02"), "_right_way": (CORE, "c09"),
}  # fmt: skip
ALERTS: dict[str, tuple[str, str]] = {
    "_probe": (SLOW, "p10 or p24 or p27"), "_air": (SLOW, "e02"), "_node": (SLOW, "silent_node"),
    "_plain": (TOLD, "plain_relay_that"), "_upkeep": (SLOW, "o07 or k07"),
    "_heat": (HEAT, "cold_snap"), "_cover_and_ground": (HEAT, "e01"),
}  # fmt: skip
MONITORS: dict[str, tuple[str, str]] = {
    **{f"controller.permits:{each}=held": tests for each, tests in PERMISSIVES.items()},
    **{f"controller.alert_rules:{each}=()": tests for each, tests in ALERTS.items()},
    "controller.latching:hot=None": (CORE, "p04"),
    "controller.latching:too_steep=None": (STEEP, "e04"),
    "controller.latching:faulty_node=None": (SLOW, "n05"),
    "controller.latching:differing_air=None": (SLOW, "p12"),
    "controller.latching:against_inversion=None": (CORE, "c09"),
    "controller.latching:astray=None": (HEAT, "p14"),
    "controller.response:_bare=None": (HEAT, "h06"),
    "controller.response:_no_answer=None": (HEAT, "p14"),
    "controller.response:_air_not_warmed=None": (HEAT, "c10"),
    "controller.response:unasked=[]": (HEAT, "k02"),
    "controller.response:_warm_air=[]": (HEAT, "k02"),
    "controller.response:_note_disturbance=None": (HEAT, "irrigation or front or warmth"),
    "controller.response:note_short=None": (HEAT, "cold_snap"),
    "controller.response:_note_leak=None": (HEAT, "e01"),
    "controller.stamps:note=None": (SLOW, "t07"),
    "controller.plausibility:_compare_with_trips=None": (CORE, "p04"),
    "controller.plausibility:_rise=None": (CORE, "e04"),
    "controller.plausibility:_note_source=None": (CORE, "p25"),
    "controller.plausibility:_count_too_soon=None": (SLOW, "p27"),
    "controller.plausibility:_may_have_queued=False": (CORE, "b01"),
    "controller.plausibility:leapt_k=None": (CORE, "one_spike_on_soil"),
    "controller.plausibility:drifted_k=None": (CORE, "p13"),
    "controller.plausibility:is_rough=False": (SLOW, "p21"),
    "controller.plausibility:half_steps=0": (SLOW, "p24"),
    "controller.intake:after_gap=None": (CORE, "c05"),
    "controller.intake:mark_frozen=None": (SLOW, "p10"),
    "controller.node_watch:clock_error=None": (SLOW, "n05"),
    "controller.node_watch:is_ever_late=False": (TOLD, "too_late"),
    "controller.alert_rules:_is_closed_unasked=False": (TOLD, "against_orders"),
    "controller.requests:proof_late_days=0.0": (SLOW, "o07"),
    "controller.ground:ground=None": ("tests/unit/test_ground.py", ""),
    "controller.node.electrical:ElectricalWatch._aux=()": (NODE, "n06"),
    "controller.node.electrical:ElectricalWatch._while_open=()": (NODE, "n18 or k2"),
    "controller.node.electrical:ElectricalWatch._while_closed=()": (NODE, "fails_is_off or k05"),
    "controller.node.power:PowerWatch.see=((), False)": (NODE, "wrong_power"),
    "controller.node.interruptions:Interruptions._faults=()": (NODE, "k05"),
    "controller.node.board:Board._watch_the_loop=None": (NODE, "n01"),
    "controller.node.guard:Guard._check_constants=None": (NODE, "n13"),
    "controller.node.proof:Proof.advance=None": (NODE, "k03"),
    "controller.node.relay_core:RelayCore._why_not=''": (DEAD_MAN, "n10"),
    "controller.node.relay_core:RelayCore._expire=None": (DEAD_MAN, "r01"),
    "controller.wire.canary:Canary.is_missed=False": (WIRE, ""),
    "controller.wire.canary:Canary.is_foreign=False": (WIRE, ""),
    "controller.wire.rivals:Rivals.took_over=False": (WIRE, ""),
    "controller.wire.flaps:Flaps.is_flapping=False": (WIRE, ""),
}
"""What is taken away and what it then answers; which of the tests that must notice are asked, as pytest's -k."""


def outcome(monitor: str) -> str:
    """Return "missed" if a test failed, "not missed" if none did, or what went wrong."""
    files, key = MONITORS[monitor]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "tests.mutation.without"]
    done = subprocess.run(
        [*command, *files.split(), "-k", key], cwd=ROOT, env={**os.environ, MONITOR: monitor}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    known = {0: "not missed", 1: "missed"}
    return known.get(done.returncode, f"pytest ended with {done.returncode}: {done.stdout[-300:]}{done.stderr[-300:]}")


def main(jobs: int) -> int:
    """Print every monitor that nobody would miss; returns 1 if there is one."""
    with ThreadPoolExecutor(jobs) as pool:
        found = dict(zip(MONITORS, pool.map(outcome, MONITORS), strict=True))
    for monitor, became in found.items():
        if became != "missed":
            print(f"{monitor}: {became}")
    missed = sum(each == "missed" for each in found.values())
    print(f"{len(found)} monitors taken away one at a time, {missed} missed by a test")
    return 0 if missed == len(found) else 1
