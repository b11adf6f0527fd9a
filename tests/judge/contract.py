"""A specification with every key of the contract, and one with the least there can be."""

WHOLE = """\
schema = 1
[distributor]
name = "demonstration, four lobes"
lobes = 4
rotation = "cw"               # seen from the cap end; or "ccw"
firing_order = [1, 2, 4, 3]
source = "invented for this test"
nominal_deg = [0, 90, 180, 270]
points_sets = 1
[dwell]
min_deg = 50.0
max_deg = 58.0
aim_deg = 52.0
max_variation_deg = 2.0
[gap]
nominal_mm = 0.635
dwell_change_deg_per_mm = -50.0
[spacing]
max_error_deg = 1.0
max_interval_error_deg = 1.5
[scatter]
max_deg = 0.5
[bounce]
settle_deg = 0.5
none_below_rpm = 1500
[advance]
points = [[250, 0.0, 1.0], [600, 3.0, 5.0]]
falling = []
max_hysteresis_deg = 1.0
[vacuum]
points = [[20.0, 0.0, 1.0]]
[contact]
max_drop_v = 0.2
at_current_a = 3.5
[coil]
supply_v = 12.0
resistance_ohm = [2.8, 3.4]
at_temperature_c = 20.0
ballast_ohm = [0.0, 0.0]
current_a = [3.0, 4.5]
[condenser]
capacitance_uf = [0.18, 0.25]
min_leakage_megohm = 5.0
[spark]
min_duration_ms = 0.8
gap_mm = 6.0
"""

#: The same distributor with two sets of points, and their dwell together.
TWO_SETS = WHOLE.replace("points_sets = 1", "points_sets = 2").replace(
    "max_variation_deg", "both_min_deg = 60.0\nboth_max_deg = 68.0\nmax_variation_deg"
)

LEAST = 'schema = 1\n[distributor]\nname = "x"\nlobes = 4\nsource = "y"\n'
