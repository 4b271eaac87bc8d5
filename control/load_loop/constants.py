"""Every constant of the load loop, with its unit and where it comes from.

"Trial" names the bench that judges a choice. What follows from the rig (lags, inertia, delays) is
no constant: control.load_loop.tuning derives it.
"""

from __future__ import annotations

# ---- reference and start ----
BUILD_UP_S = 1.0  # full force builds up in this time after a start or a change of aim; operating
BUILD_UP_WITHIN_S = 1.5  # from then on the rate no longer counts; operating
# A reference that moves faster than this share of its ramp rate moves the drive force with it: the
# observer has its rate then, and at least this pole, between calm and alert; trial: planned sweeps.
# A hold that comes to its set point within the time left stays calm.
MOVING_SHARE, MOVING_POLE_PER_S, MOVING_LEFT_S = 0.1, 38.0, 1.0
RAMP_SOFT_S = 0.3  # a ramp reaches its rate in this time; operating
RAMP_ARRIVAL_PER_S = 4.0  # how a reference comes to rest at its target; operating
REFERENCE_YIELD_S = 0.1  # a tracked reference gives way to rolls that cannot follow; trial roadload

# ---- disturbance observers ----
DRIVE_RATE_FADE_S = 0.3  # a change of drive force goes on for about so long: a foot on a pedal
STALE_EDGE_S = 0.1  # no new edge for so long: the reported speed steers
CHANGE_CONFIRM_S = 0.016  # a difference that lasts so long was no noise; trial roadload
EXPANDING_MEMORY = 5.0  # pole x time since the change, until it is the slow pole; trial roadload
LEVEL_FILTER_S = 2.0  # the usual innovation is learned over this
LEAST_INNOVATION_N = 5.0
# Of a held speed: pole of the slow filter, and most of the fast one, because a faster one drowns a
# pedal in the timing noise of the edges; trial tradeoff.
HOLD_SLOW_PER_S, HOLD_FAST_MOST_PER_S = 14.0, 45.0
# Innovation levels at which the fast filter begins to be used, and is used alone; trial tradeoff.
HOLD_CHANGE_LOW, HOLD_CHANGE_HIGH = 2.2, 4.4
# The same of a simulated road; trial roadload.
ROAD_SLOW_PER_S, ROAD_FAST_PER_S = 25.0, 85.0
ROAD_CHANGE_LOW, ROAD_CHANGE_HIGH = 4.2, 5.5

# ---- speed feedback ----
FEEDBACK_FORCE_SHARE = 0.25  # of full force, for working off a speed error; trial hold (lift)
TRACK_PER_S = 0.2  # a speed off a tracked reference: a road forgives, slowly; trial roadload

# ---- between roll sets ----
LOAD_SHARE_FILTER_S = 0.15  # shares of the roll sets follow the drive forces; trial hold
SYNC_GAIN = 0.5  # of the speed feedback, between roll sets; trial hold and robust
# The same two on a simulated road: it often asks little, and a firm coupling then swings the sets.
ROAD_LOAD_SHARE_FILTER_S, ROAD_SYNC_GAIN = 0.3, 0.22  # trial roadload
SYNC_DEADBAND = 0.002  # of the speed: so far off the mean tyres of unlike size may turn their rolls
SHARED_DRIVE_ABOVE_N = 300.0  # with less drive in all its split between the sets is noise

# ---- force model and load cell ----
CELL_TAU_LEAST_S, CELL_TAU_DELAYS = 0.05, 15.0  # the cell corrects over so many of its delays
LEARN_TAUS = 20.0  # and the map learns over so many of those
CORRECTION_SHARE_OF_MAP, CORRECTION_BEYOND_N = 0.5, 300.0  # most a cell may add to the mapped force
LEARN_BELOW_RATE = 0.1  # relative change of the coil within the cell's time constant
LEARN_ABOVE_N = 300.0
LEAST_LEARNED_GAIN, MOST_LEARNED_GAIN = 0.3, 2.0
SHAPE_PER_GAIN = 0.1  # the map's shape learns so much slower than its gain

# ---- thermal limit ----
CAPACITY_SLEW_S = 5.0  # an absorber's share goes from all to nothing in no less: no step in load
LEAST_CAPACITY_SHARE = 1e-3  # a roll set with nothing would drop out of the speed that is held
THERMAL_FOLLOW_S = 1.0  # temperature and weight come a few times a second: followed without steps
