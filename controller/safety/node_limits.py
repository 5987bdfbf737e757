"""The figures a node's program holds: its lease, its watches and its proof. The node checks them by their digest."""

from typing import Final

from controller.safety import limits

LONGEST_LEASE_S: Final = limits.LONGEST_LEASE_S
"""[s] As the controller's."""

LONGEST_CLOSING_S: Final = limits.LONGEST_CLOSING_S
"""[s] As the controller's."""

REST_AFTER_LONGEST_S: Final = limits.REST_AFTER_LONGEST_S
"""[s] As the controller's."""

CLOCK_DRIFT: Final = 0.02
"""How much faster or slower the node's clock may run than the controller's. Source: engineering judgement."""

MOST_DRIFT_S: Final = 15.0
"""[s] Lateness that drift may excuse, however long the silence: one longest lease. Source: engineering judgement."""

FLOW_A: Final = 0.1
"""[A] More than this is current: far above the leakage of cables and suppressors, far below any heater.
Source: engineering judgement."""

SMALLEST_PROVABLE_A: Final = 0.25
"""[A] A heater of a lower rated current cannot be told from none, so its current proves nothing.
Source: engineering judgement, 2.5 times FLOW_A."""

OPEN_SETTLE_S: Final = 2.0
"""[s] Current this long after K1 was told to open is a fault (hazards N04, N18, K01). Source: engineering judgement."""

FLOW_STEADY_S: Final = 0.5
"""[s] Current where none should be counts once it has lasted: a spike is none. Source: engineering judgement."""

NOT_FOLLOWING_S: Final = 3.0
"""[s] The auxiliary contact may disagree with what K1 was told (hazard N06). Source: engineering judgement."""

SENSOR_DOUBTED_S: Final = 2.0
"""[s] A current sensor that gives no possible number. Source: engineering judgement."""

NO_CURRENT_S: Final = 5.0
"""[s] Told closed without current (hazards K04, H01, H03, O04). Source: engineering judgement."""

HALF_POWER: Final = (0.40, 0.60)
"""Share of rated power that shows one half-wave missing (hazard K06). Source: arithmetic, with mains tolerance."""

HALF_POWER_S: Final = 3.0
"""[s] Within class B together with one turn of the loop. Source: engineering judgement."""

LOW_POWER: Final = 0.90
"""Share of rated power under which people are told; mains at -20 % give 0.64 (hazard W03). Source: arithmetic."""

HIGH_POWER: Final = 1.10
"""Share of rated power over which the heater rests once (hazard W02). Source: engineering judgement."""

OVER_POWER: Final = 1.25
"""Share of rated power that mains within +10 % (1.21) do not explain (hazards H02, O05). Source: arithmetic."""

POWER_STEADY_S: Final = 10.0
"""[s] A wrong power must last; inrush does not. Source: engineering judgement."""

HIGH_POWER_REST_S: Final = 60.0
"""[s] Open time before the one retry. Source: engineering judgement."""

HIGH_POWER_SPAN_S: Final = 3600.0
"""[s] A second rest this soon is a fault. Source: engineering judgement."""

INTERRUPTION_S: Final = 1.0
"""[s] A pause in the current this long is the heater's own cut-out; a shorter one is a bad contact (hazards H04, K05).
Source: engineering judgement, bimetal cut-outs take many seconds to close again."""

INTERRUPTIONS: Final = 3
"""Pauses within INTERRUPTION_SPAN_S: the heater overheats. Source: engineering judgement."""

INTERRUPTION_SPAN_S: Final = 600.0
"""[s] Ten minutes."""

DROP_OUTS: Final = 3
"""More drop-outs than this in one closing are a bad contact. Source: engineering judgement."""

PROOF_STEP_S: Final = 2.0
"""[s] Each contact is closed alone this long before arming. Source: engineering judgement."""

PROOF_PAUSE_S: Final = 0.5
"""[s] Both open between the two steps, so that a slow release of K1 is no current. Source: engineering judgement."""

PROOF_GOOD_S: Final = 86_400.0
"""[s] A passed proof serves for the arming edges of a day. Source: engineering judgement."""

LONGEST_TURN_S: Final = 1.0
"""[s] A step of the proof in which the loop stood still longer proves nothing and begins again: K2 may have fallen.
Source: engineering judgement, half of ALIVE_PULSE_S."""

ALIVE_PULSE_S: Final = 2.0
"""[s] K2 opens without a pulse from the loop (hazards N01, N03). Source: engineering judgement."""

WATCHDOG_S: Final = 4.0
"""[s] The hardware watchdog resets a loop that hangs (hazard N01). Source: engineering judgement."""

BOOTS: Final = 3
"""More boots than this within BOOT_SPAN_S lock the node off (hazard N02). Source: engineering judgement."""

BOOT_SPAN_S: Final = 600.0
"""[s] A node that has run this long in one piece forgets its earlier boots."""

SEQ_RESERVE: Final = 12
"""Numbers put aside per write of the store: a minute of renewals to one heater. Source: engineering judgement."""

SHORTEST_OFF_S: Final = limits.SHORTEST_OFF_S
"""[s] A booted node cannot know how short the outage was, so it waits this long at least (hazard W01)."""

LONGEST_STAGGER_S: Final = 60.0
"""[s] Nodes come back spread over this, not all at once (hazard W01). Source: engineering judgement."""
