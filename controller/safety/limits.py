"""Hard limits. Constants with reasons; settings may tighten them, nothing may loosen them.

Engineering proposals, not a certified design: none of this replaces a listed thermal cut-out, an earth-fault
breaker or a licensed electrician.
"""

from typing import Final

HIGHEST_SET_POINT_C: Final = 32.0
"""[Cel] Above the useful root range and 8 K under the trip. Source: engineering judgement."""

SOIL_TRIP_C: Final = 40.0
"""[Cel] Roots are stressed at 40-45 Cel. Source: Newman & Davies 1987, J. Environ. Hort. 5(2)."""

SOIL_TRIP_AT_ONCE_C: Final = 45.0
"""[Cel] Latches on the first sample. Source: as SOIL_TRIP_C, its upper end."""

AIR_NO_HEAT_C: Final = 45.0
"""[Cel] No heat above; not latched. Highest ceiling ambient of an ordinary heat detector, 46.1 Cel. Source: NFPA 72."""

AIR_FIRE_C: Final = 57.0
"""[Cel] Ordinary-class heat detector, 57.2 Cel. Source: NFPA 72; EN 54-5 A1 54-65 Cel."""

HEATER_SURFACE_C: Final = 70.0
"""[Cel] Wood in long contact at 77 Cel can self-heat to ignition; film softens at 90 Cel. Source: Babrauskas 2007."""

AIR_RISE_K_PER_MIN: Final = 8.33
"""[K/min] 15 F/min over 60 s or more, the usual rate-of-rise element; with an air heater's heat on, what its proof test
measured may make it tighter. Source: secondary copies of UL 521."""

SOIL_STEP_K: Final = 1.0
"""[K] More than this within 60 s is a probe fault; 161 W/m2 into dry sand gives 0.075 K/min. Source: calculation."""

SOIL_STEP_SPAN_S: Final = 60.0
"""[s] Span of the soil step rule."""

NOISIEST_K: Final = 2.0
"""[K] A probe whose noise is larger (standard deviation over ten minutes) is not heated by. Source: hazard P21."""

FROZEN_AT_WORK_S: Final = 1800.0
"""[s] A reading that stays the same this long while the heater works is stuck. Source: engineering judgement."""

FROZEN_S: Final = 6 * 3600.0
"""[s] The same, whatever the heater does."""

AT_WORK_DUTY: Final = 0.2
"""Duty above which the heater works, for the rule above."""

APART_K: Final = 1.0
"""[K] Soil further below the set point must move while the heater works. Source: engineering judgement."""

STEP_QUARANTINE_S: Final = 1800.0
"""[s] A probe that stepped is believed again after this long without another step. Source: engineering judgement."""

LONGEST_LEASE_S: Final = 15.0
"""[s] 1 kW in a 1.9 m3 tunnel rises 5.4 K in 15 s. Source: calculation."""

RENEW_EVERY_S: Final = 5.0
"""[s] Three renewals to a lease. Source: engineering judgement."""

TICK_S: Final = 1.0
"""[s] Supervising tick."""

LONGEST_GAP_S: Final = 3.0
"""[s] A longer gap between ticks means paused, suspended or overrun: start afresh. Source: engineering judgement."""

DEAD_LOOP_S: Final = 5.0
"""[s] A loop this late kills its own process; the lease does the rest. Source: engineering judgement."""

NODE_SILENT_S: Final = 10.0
"""[s] Two missed node reports stop the lease. Source: engineering judgement."""

NODE_CLOCK_SPAN_S: Final = 60.0
"""[s] Over which a node's clock is compared with ours."""

NODE_CLOCK_ERROR: Final = 0.1
"""A node's clock that is further off makes its leases too long to trust. Source: engineering judgement."""

PAIR_ALERT_K: Final = 3.0
"""[K] Two probes at one place that differ by more for ten minutes raise an alert. Source: hazard P11."""

PAIR_ALERT_S: Final = 600.0
"""[s] See PAIR_ALERT_K."""

PAIR_FAULT_K: Final = 6.0
"""[K] Two that differ by more for two minutes forbid heat; air against air latches. Source: hazard P12."""

PAIR_FAULT_S: Final = 120.0
"""[s] See PAIR_FAULT_K."""

STALE_CAP_S: Final = 120.0
"""[s] No reading counts as fresh after this, however slow its probe. Source: engineering judgement."""

SLOWEST_PERIOD_S: Final = 60.0
"""[s] Slowest probe that may be configured."""

LONGEST_CLOSING_S: Final = 1800.0
"""[s] Longest continuous closing. Source: engineering judgement."""

REST_AFTER_LONGEST_S: Final = 60.0
"""[s] Open time after the longest closing."""

OVER_REMEMBERED_S: Final = 3600.0
"""[s] A second sample over a limit this soon after the first latches, in a row or not: a limit is no thermostat.
Source: engineering judgement, found in simulation."""

SHORTEST_ON_S: Final = 30.0
"""[s] Shortest closing; never delays a safety opening. Source: relay life, common practice."""

SHORTEST_OFF_S: Final = 30.0
"""[s] Shortest opening."""

AIR_SETTLE_S: Final = 300.0
"""[s] An inhibit must have been healthy this long before heat returns. Source: engineering judgement."""

REARM_AFTER_RESET_S: Final = 300.0
"""[s] Heat returns no sooner than this after a reset (hazard O02). Source: engineering judgement."""

HEATER_LATELY_ON_S: Final = 600.0
"""[s] Heat within this long makes hot air a fire, not the sun. Source: engineering judgement."""

WORKING_RANGE_C: Final = (-40.0, 85.0)
"""[Cel] A reading outside is refused for control. Source: DS18B20 datasheet accuracy range, widened to common NTCs."""

HIGHEST_POSSIBLE_C: Final = 125.0
"""[Cel] Up to here a reading is hot and is compared with the trips; beyond it is no temperature at all.
Source: DS18B20 datasheet range."""

FUTURE_STAMP_MARK_S: Final = 5.0
"""[s] A stamp further ahead is replaced by our receipt."""

FUTURE_STAMP_REFUSE_S: Final = 60.0
"""[s] A stamp further ahead refuses the reading."""

ABOVE_SET_POINT_K: Final = 3.0
"""[K] Heat asked for above this excess, twice running, is an inverted loop (hazard C09)."""

HARD_AT_WORK_DUTY: Final = 0.8
"""Duty from which heat must show. Source: hazard P14."""

LEAST_RISE_K: Final = 0.3
"""[K] Hard heating that warms the soil by less within its window has not arrived. Source: hazard P14."""

LONGEST_UNANSWERED_S: Final = 10_500.0
"""[s] Hard heating waits this long for its answer: the contact is open within 180 min. Source: hazard P14."""

EXPOSED_PART: Final = 0.3
"""Part of the expected rise below which a cable may lie bare. Source: hazard H06."""

UNASKED_RISE_K: Final = 0.2
"""[K] Soil that rises by more in the dark, heater off, is heated by something. Source: hazard K02."""

DRY_SOIL_LOWERS_K: Final = 5.0
"""[K] by which the highest set point falls where a cable's soil has dried out: its own surface is hotter there.
Source: hazard E06."""

SHORT_K: Final = 2.0
"""[K] Full heat for SHORT_S and still this far below the set point: the heater is too small. Source: hazard H07."""

SHORT_S: Final = 6 * 3600.0
"""[s] See SHORT_K."""

NODE_ALERT_S: Final = 35.0
"""[s] A node silent for longer raises an alert. Source: hazard B05."""

AFFRONT_REMEMBERED_S: Final = 900.0
"""[s] How long the alert lasts after a node has refused a command that was not ours. Source: engineering judgement."""

RELAY_CLOSINGS: Final = 100_000
"""Closings after which a relay is worn out. Source: common electrical life of power relays at rated load."""

RELAY_WORN_PART: Final = 0.8
"""Part of them from which an alert stands. Source: hazard K07."""

UNRECORDED_S: Final = 60.0
"""[s] Longest time heat goes on while the disk takes nothing; what happens waits in memory. Source: hazard D01."""

LONGEST_AT_WORK_S: Final = 3600.0
"""[s] Longest time "someone works there" lasts; then the enclosure is disarmed. Source: engineering judgement."""

LONGEST_SHELVED_S: Final = 8 * 3600.0
"""[s] Longest time an alert may be put aside: one shift. Source: engineering judgement; ISA-18.2 asks for a bound."""

PROOF_EVERY_DAYS: Final = 400.0
"""[d] Longest time between two proof tests: once a season. Source: engineering judgement."""

PROOF_GRACE_DAYS: Final = 14.0
"""[d] Arming is refused when a proof test is overdue by more. Source: engineering judgement."""

RESETS_OF_ONE_TRIP: Final = 3
"""Resets of one trip in RESET_SPAN_S. Source: common engineering practice."""

RESET_SPAN_S: Final = 86_400.0
"""[s] A day, see RESETS_OF_ONE_TRIP."""

HEATER_AIR_RISE_K_PER_MIN: Final = 25.0
"""[K/min] A heater that could pass this in its own air volume is refused at arming. Source: calculation."""
