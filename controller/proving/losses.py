"""Steps about losses: the broker is cut, the controller is killed; the lease must end the heat each time."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from controller.parent import END_WITH_PARENT
from controller.permits import spoken
from controller.proving import criteria
from controller.proving.account import Finding
from controller.proving.bench import Bench, StepError, heat, report_of
from controller.proving.stand import Stand, Voice, Wish
from controller.safety import limits

PULL = "Pull the network cable at the node, or switch its Wi-Fi off, or stop the broker. Not the node's own power."
MEND = "Put it back."


def broker_cut(bench: Bench) -> Finding:
    """Cut off from its controller, the node lets go by itself and says so when it is back."""
    stand = bench.stand
    heat(bench)
    before = report_of(stand)
    _cut(bench)
    cut_s = stand.clock.now().mono_s
    heard = stand.until(lambda: report_of(stand).arrived_s > cut_s + criteria.LEASE_MARGIN_S, _silence_s(stand))
    stand.wish = Wish.ARMED
    _mend(bench)
    if heard:
        raise StepError("the node was heard all the while: was it really cut off?")
    if not stand.until(lambda: report_of(stand).arrived_s > cut_s + stand.plan.lease_s, bench.patience.back_s):
        raise StepError(f"the node has not been heard again within {spoken(bench.patience.back_s)}")
    # What the network had kept back comes first; the node's word of now follows within 5 s.
    stand.until(lambda: not stand.is_closed and report_of(stand).drops > before.drops, 2 * limits.RENEW_EVERY_S)
    report = report_of(stand)
    if report.uptime_s < before.uptime_s:
        raise StepError("the node booted meanwhile: cut its network or the broker, not its power")
    figures = {"drops_before": float(before.drops), "drops_after": float(report.drops)}
    if report.drops <= before.drops or report.on:
        said = f"its count of lapsed leases went from {before.drops} to {report.drops}; it reports {_word(report.on)}"
        return Finding(False, f"{said}. Was it really cut off for {stand.plan.lease_s:g} s?", figures)
    return Finding(True, f"cut off for longer than its lease, it let go by itself ({report.drops} by now)", figures)


def _silence_s(stand: Stand) -> float:
    """[s] Without a word that no lease outlasts; a node that is not cut off would report in it."""
    return stand.plan.lease_s + criteria.LEASE_MARGIN_S


def _cut(bench: Bench) -> None:
    if bench.cut is not None:
        bench.person.tell("  stopping the embedded broker")
        bench.cut.begin()
    else:
        bench.person.do(PULL, bench.stand.turn)


def _mend(bench: Bench) -> None:
    if bench.cut is not None:
        bench.person.tell("  starting it again")
        bench.cut.end()
    else:
        bench.person.do(MEND, bench.stand.turn)


def _word(on: bool) -> str:
    return "closed" if on else "open"


def controller_kill(bench: Bench) -> Finding:
    """A controller in a process of its own holds the contact and is killed where it stands."""
    stand = bench.stand
    stand.wish = Wish.DISARMED
    stand.rest(limits.TICK_S)
    # Every controller that starts takes a later epoch; so does this one, and so do we again after it.
    stand.command_under(stand.epoch + 1)
    stand.voice = Voice.SILENT
    try:
        with _controller(bench) as process:
            return _killed(bench, process)
    finally:
        stand.wish, stand.voice = Wish.DISARMED, Voice.FULL
        stand.command_under(stand.epoch + 1)
        stand.send_again()


@contextmanager
def _controller(bench: Bench) -> Iterator[subprocess.Popen[bytes]]:
    stand = bench.stand
    name, epoch = stand.enclosure.name, str(stand.epoch)
    command = [sys.executable, "-m", "controller.proving.holder", str(bench.settings_file), name, epoch]
    # Its own session: Ctrl-C reaches us alone, and it ends with us.
    environment = {**os.environ, END_WITH_PARENT: str(os.getpid())}
    process = subprocess.Popen(command, start_new_session=True, env=environment)
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def _is_over(stand: Stand, process: subprocess.Popen[bytes]) -> bool:
    """Whether it has ended, or something tripped and it must."""
    return process.poll() is not None or stand.is_tripped


def _killed(bench: Bench, process: subprocess.Popen[bytes]) -> Finding:
    stand = bench.stand
    if not stand.until(lambda: stand.is_closed or _is_over(stand, process), bench.patience.node_s):
        raise StepError("the controller that was to be killed has not closed the contact")
    seq = report_of(stand).seq
    # A renewal is seen before it dies: it held the contact, and not one order alone.
    stand.until(lambda: report_of(stand).seq > seq or _is_over(stand, process), 4 * limits.RENEW_EVERY_S)
    if _is_over(stand, process) or not stand.is_closed:
        raise StepError("the controller that was to be killed did not hold the contact")
    process.send_signal(signal.SIGKILL)
    killed_s = stand.clock.now().mono_s
    bound_s = stand.plan.lease_s + criteria.LEASE_MARGIN_S
    if not stand.until(lambda: not stand.is_closed, bound_s + 5.0):
        raise StepError(
            f"still reported closed {bound_s + 5.0:g} s after the controller was killed: ISOLATE THE HEATER"
        )
    return criteria.after_kill(report_of(stand).arrived_s - killed_s, stand.plan.lease_s)
