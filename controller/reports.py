"""Node reports as they come: which of them say something new about now. Pure."""

from dataclasses import replace

from controller.state import NodeReport


def is_repeat(report: NodeReport, last: NodeReport | None) -> bool:
    """Whether a report is a copy of the last one or older than it: a bridge's loop makes no dead node look alive.

    Uptime alone cannot tell, since it begins again with a boot; the number of the last command obeyed does not.
    """
    if last is None or report.epoch != last.epoch:
        return False
    if (report.seq, report.uptime_s) != (last.seq, last.uptime_s):
        return (report.seq, report.uptime_s) < (last.seq, last.uptime_s)
    return replace(report, arrived_s=last.arrived_s, arrived_ms=last.arrived_ms) == last
