"""Every threshold of the diagnoses, and why it is what it is.

What a maker or an owner must say (starts per hour, longest cleaning) stands in the plant file;
these are what is left: common practice where nothing else is said, no source. Those marked "tuned"
were chosen on seeds 1 to 5 of the simulated plant and are tried on others.
"""

from __future__ import annotations

# --- control ------------------------------------------------------------------------------------

START_WITHIN_S = 60.0
"""From the call to the run contact: star-delta starters and staggered starts take some ten
seconds."""

VISITOR_READY_S = 900.0
"""A panel that visits answers before hose and plug are connected; its pump gets this long."""

STOP_WITHIN_S = 30.0
"""From the opening of the stop float to the end of the run: some panels run on for seconds."""

UNCALLED_AFTER_S = 45.0
"""A run without a call is short where somebody tries the pump by hand."""

NOT_IN_AUTO_AFTER_S = 120.0
"""Turning a selector through its positions is no news."""

FAULT_AFTER_S = 2.0
"""A fault contact is made for a reason; less than this is a bounce."""

SAME_LEAD_CYCLES = 4
"""So many cycles in a row led by one pump while another was available are no alternation."""

LAG_CYCLES = 24
"""Cycles looked back on for calls of the lag pump."""

LAG_LEAST_CYCLES = 8
"""Cycles led by each pump before they are compared."""

LAG_OFTEN, LAG_SELDOM = 0.6, 0.1
"""The lag pump is called in so many of one pump's cycles, and in so few of the others'. An inflow
peak does not mind who leads."""

SHORT_CYCLING_ENDS_S = 1800.0
"""Short cycling is over when the starts have kept within the limit for so long."""

# --- floats -------------------------------------------------------------------------------------

OUT_OF_ORDER_S = 10.0
"""Two floats deny each other for longer than ripples and brackets explain."""

CLEAR = 2.0
"""Standard errors of the reckoned volume by which it is clear that the water was not there."""

PAST = 3.0
"""And by which it is clear that it was past a float that has not moved; inflow that is falling off
makes the reckoning run ahead."""

FAR_AHEAD = 4.0
"""Standard errors by which a single float that moves too early is not believed."""

UNDECIDED_S = 1800.0
"""Floats that deny each other for so long are reported even if it is not clear which is wrong."""

ORDERLY_S = 3600.0
"""A float that was out of order and has moved since is believed again after so long without
contradiction, or at its second movement."""

CHATTER_MOVES = 6
CHATTER_WINDOW_S = 60.0
"""Movements of one float in so long; water crosses a differential once in that time. Three in a
minute is a screening convention for alarms (ISA-18.2), doubled because waves do that."""

CHATTER_ENDS_S = 900.0
"""Chattering is over after so long without it."""

RECKONING_DOUBT = 0.25
"""How far a reckoned change of volume may be off, as a share of each of its parts."""

STUCK_RUN_FACTOR = 8.0
STUCK_RUN_LEAST_S = 3600.0
"""A run that leaves the stop float made this many times as long as it should take, and at least so
long, has left the float hanging or moves no water. Tuned: the longest healthy run in a storm."""

METER_AGAINST_FLOAT_M = 0.12
METER_AGAINST_FLOAT_S = 300.0
"""A metered level that contradicts a float by so much for so long."""

# --- hydraulics ---------------------------------------------------------------------------------

REFERENCE_S = 36.0 * 3600.0
REFERENCE_RUNS, REFERENCE_MOST = 6, 40
"""A reference is the median over so long and at least so many runs; of more, the last ones."""

WEAR_LEAST_LOSS = 0.07
"""A smaller loss of flow is not worth opening a pump for; a run that lacks so much is a hit."""

HITS, MISS = 6, 2
"""So many more hits than misses mean that a pump has fallen, a miss counting twice. Gulps of inflow
spoil one run in twenty or so, at the busiest hours of a season one in four; a pump that has fallen
hardly ever misses."""

LONG_RUN_S, LONG_WEIGHT = 1800.0, 3
"""A run so long counts for three: gulps are averaged out in it."""

HEAVY_LOSS, HEAVY_RUNS, HEAVY_S = 0.35, 3, 3600.0
"""Or so many runs in a row that lack so much, or so long together: no gulp is as large."""

RUNS_KEPT, WELL_RUNS = 5, 3
WEAR_ENDS_LOSS = 0.05
"""A pump is well again when so many of its last runs lack no more than this."""

WEAR_APART = 0.04
"""Of two losses, the part by which they must differ, beside three tenths of the greater one, not to
be one and the same."""

WEAR_RISE, RISES = 0.04, 5
"""By so much all pumps of a well seem to have got better, in so many more runs than not. Tuned."""

WEAR_REPAIRED = 0.08
"""By so much a pump alone has got better: it is another, and needs another reference."""

WEAR_SETTLED = 0.03
"""Relative standard error at which a wear factor may be held against anything."""

EARLY_REFERENCE, EARLY_FILLS = 30, 20
EARLY_RISE, EARLY_SHARE = 0.5, 0.75
"""Fills in the reference and fills compared with it; by how much the logarithm of early over late
inflow must have risen in the median, and by half as much in what share of the fills. Tuned."""

# --- inflow -------------------------------------------------------------------------------------

PATTERN_DAYS = 28
PATTERN_LEAST_DAYS = 7
"""Days of hourly inflow looked back on, and how many there must be."""

WET_DAY_SHARE = 1.3
WET_NIGHT_SHARE = 1.6
"""The last 24 hours and their quietest three hours against the median of the days before. Both must
exceed: guests fill the day, only infiltration fills the night as well. Tuned."""

WET_APART = 1.2
"""By this factor the quiet hours must have risen more than the day."""

WET_SPREADS = 4.0
"""And by so many median absolute deviations of those days."""

# --- panels, supply, process --------------------------------------------------------------------

NOT_ANSWERING_S = 900.0
"""A radio link drops for minutes without anything being broken."""

MAINS_AFTER_S = 5.0
"""A dip is no failure."""

NO_AIR_S = 3600.0
STANDSTILL_FACTOR = 3.0
STANDSTILL_LEAST_PAUSES = 5
"""No machine of a group runs for longer than this, and longer than so many times its longest pause
of late, of which so many were seen."""

DOSING_APART_S = 900.0
"""A dosing pump runs without flow, or stands while water flows, for so long."""

CLEANING_CALLED_S = 600.0
"""The filter's level calls for a cleaning, and none begins."""

TANK_LOW_S = 60.0
"""Ripples in a day tank."""

HIGH_WATER_S = 30.0
"""Water stands at the high float."""

EXCESS_S = 900.0
"""More machines run than are needed, for longer than any changeover."""
