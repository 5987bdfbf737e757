"""Steps about the contacts: node heard, feedback, current, K2, lease."""

from controller.proving import criteria
from controller.proving.account import Finding
from controller.proving.bench import (
    Bench,
    StepError,
    amps,
    fresh_report,
    heat,
    opened,
    permitted,
    refusal,
    report_of,
)
from controller.proving.stand import Stand, Voice, Wish
from controller.safety.digest import PROGRAMMED
from controller.safety.node_fault import WORDS

_FAULTS: dict[str, str] = {str(fault): words for fault, words in WORDS.items()}

SETTLES_S = 2.0
"""[s] After a contact has moved, until its current is that of the heater. Source: engineering judgement."""

PROVES_WITHIN_S = 20.0
"""[s] The node's own proof takes 4.5 s; it reports each change."""

REBOOTS_WITHIN_S = 180.0
"""[s] To be switched off and on by hand, and to boot. Source: engineering judgement."""


def node(bench: Bench) -> Finding:
    """The node speaks, holds our limits, and proves K1 and K2 anew."""
    stand = bench.stand
    stand.wish = Wish.DISARMED
    if not stand.until(lambda: stand.report is not None, bench.patience.node_s):
        raise StepError("the relay node is not heard under our command: look at its power, its network and its key")
    report = report_of(stand)
    if report.limits != PROGRAMMED:
        raise StepError(f"its program holds other limits ('{report.limits or 'not told'}'): run one version on both")
    if report.proof == "passed":
        _forget_proof(bench)
    permitted(bench, Wish.ARMED)
    seq = stand.relays.seq_of[stand.enclosure.name]
    if not stand.until(lambda: _has_proved(stand, seq), PROVES_WITHIN_S):
        raise StepError(f"it did not finish its proof of K1 and K2 within {PROVES_WITHIN_S:g} s")
    return _proof_found(stand)


def _forget_proof(bench: Bench) -> None:
    """Have it forget an earlier proof: one that passed serves it for a day, unless it boots."""
    stand = bench.stand
    task = "Switch the node's own supply off and on again: it then proves K1 and K2 anew."
    bench.person.do(task, stand.turn)
    if not stand.until(lambda: report_of(stand).proof != "passed", REBOOTS_WITHIN_S):
        raise StepError(f"the node has not booted again within {REBOOTS_WITHIN_S:g} s: it still holds an earlier proof")
    # It has put numbers of this epoch aside and would refuse ours for a minute; a later epoch begins anew.
    stand.command_under(stand.epoch + 1)


def _has_proved(stand: Stand, seq: int) -> bool:
    """Whether the node, having obeyed command `seq`, has come to an end."""
    report = report_of(stand)
    return report.seq >= seq and report.proof not in ("", "running")


def _proof_found(stand: Stand) -> Finding:
    report = report_of(stand)
    if report.proof == "not-possible":
        return Finding(True, "heard, same limits; it cannot prove K1 and K2 without a current sensor: fit one")
    if report.proof != "passed" or report.faults:
        words = ", ".join(_FAULTS.get(each, each) for each in report.faults) or "no fault named"
        return Finding(False, f"its proof of K1 and K2 has failed: {words}")
    return Finding(True, "heard, same limits; K1 and K2 each open alone, no current in any of them")


def feedback(bench: Bench) -> Finding:
    """K1 follows its orders, and stays as told."""
    stand = bench.stand
    closed_s = heat(bench)
    if not _stays(stand, True):
        raise StepError(f"it did not stay closed: {refusal(stand)}")
    stand.wish = Wish.ARMED
    opened_s = opened(bench)
    if not _stays(stand, False):
        raise StepError(f"it did not stay open: {stand.order.because}")
    return criteria.contact(closed_s, opened_s)


def _stays(stand: Stand, closed: bool) -> bool:
    """Whether the contact is reported as it was told for a while, and the node finds no fault."""
    return not stand.until(lambda: stand.is_closed is not closed or stand.is_tripped, criteria.STEADY_S)


def current(bench: Bench) -> Finding:
    """The heater draws what it should, and nothing when off."""
    stand = bench.stand
    heat(bench)
    on_a = amps(bench, fresh_report(bench, SETTLES_S), "heater on")
    if not stand.is_closed:
        raise StepError(f"it did not stay closed: {refusal(stand)}")
    stand.wish = Wish.ARMED
    opened(bench)
    off_a = amps(bench, fresh_report(bench, SETTLES_S), "heater off")
    return criteria.current(on_a, off_a, stand.plan.rated_w / stand.plan.volts)


def second_contact(bench: Bench) -> Finding:
    """Disarmed, both contacts are released and nothing flows. That K2 opens alone is the node's own proof."""
    stand = bench.stand
    heat(bench)
    stand.wish = Wish.DISARMED
    if not stand.until(lambda: not stand.is_closed and not report_of(stand).armed, 2 * criteria.OPENS_WITHIN_S):
        raise StepError("K2 is still reported closed after disarming: ISOLATE THE HEATER")
    opened_s = report_of(stand).arrived_s - stand.open_order_s
    off_a = amps(bench, fresh_report(bench, SETTLES_S), "disarmed")
    permitted(bench, Wish.ARMED)
    if not stand.until(lambda: report_of(stand).armed, PROVES_WITHIN_S):
        raise StepError("K2 does not close again when armed")
    figures = {"opened_after_s": round(opened_s, 2), "off_a": round(off_a, 2)}
    passed = opened_s <= criteria.OPENS_WITHIN_S and off_a < criteria.NO_CURRENT_A
    return Finding(passed, f"open {opened_s:.1f} s after disarming, {off_a:.2f} A; closed again when armed", figures)


def lease(bench: Bench) -> Finding:
    """One order holds the contact for its lease and no longer, ten times."""
    times_s: list[float] = []
    lease_s = bench.stand.plan.lease_s
    while len(times_s) < bench.patience.leases:
        times_s.append(_one_lease(bench))
        if times_s[-1] > lease_s + criteria.LEASE_MARGIN_S:
            break
    return criteria.leases(times_s, lease_s, bench.patience.leases)


def _one_lease(bench: Bench) -> float:
    """Send one order and no more; returns [s] until the report of an open contact."""
    stand = bench.stand
    permitted(bench, Wish.ARMED)
    drops = report_of(stand).drops
    permitted(bench, Wish.HEAT)
    stand.voice = Voice.OPENINGS
    try:
        if not stand.until(lambda: stand.is_closed, criteria.CLOSES_WITHIN_S):
            raise StepError(f"not closed after its order: {refusal(stand)}")
        bound_s = stand.plan.lease_s + criteria.LEASE_MARGIN_S
        stand.until(lambda: not stand.is_closed, bound_s + 5.0 - (stand.clock.now().mono_s - stand.closed_order_s))
        held_s = (
            report_of(stand).arrived_s if not stand.is_closed else stand.clock.now().mono_s
        ) - stand.closed_order_s
    finally:
        stand.wish, stand.voice = Wish.ARMED, Voice.FULL
    if not stand.is_closed and report_of(stand).drops <= drops:
        raise StepError(f"open after {held_s:.1f} s, but not by its lease: {stand.order.because}")
    return held_s
