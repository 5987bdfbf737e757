"""Node reports as they come: which of them say something new about now. Pure."""

from dataclasses import replace

from controller.state import NodeReport

LATE_S = 1.0
"""[s] The last report from before a boot may come so much after it. Source: engineering judgement."""


def is_repeat(report: NodeReport, last: NodeReport | None) -> bool:
    """Whether a report is a copy of the last one or older than it: a bridge's loop makes no dead node look alive.

    Uptime alone cannot tell, since it begins again with a boot; the number of the last command obeyed does not, but a
    node that has just booted has obeyed none yet.
    """
    if last is None or report.epoch != last.epoch or _has_booted(report, last):
        return False
    if (report.seq, report.uptime_s) != (last.seq, last.uptime_s):
        return (report.seq, report.uptime_s) < (last.seq, last.uptime_s)
    return replace(report, arrived_s=last.arrived_s, arrived_ms=last.arrived_ms) == last


def _has_booted(report: NodeReport, last: NodeReport) -> bool:
    """Whether it has booted since the last report; a copy of an old one tells of a boot before that."""
    booted_s = report.arrived_s - report.uptime_s
    return report.seq == 0 and report.uptime_s < last.uptime_s and booted_s >= last.arrived_s - LATE_S
