"""The bench as drawn, mm: one set of sizes for every drawing. Yours may differ; the checks decide."""

MAGNET_DIAMETER, MAGNET_HEIGHT = 20.0, 10.0
SAMPLE_DIAMETER, SAMPLE_HEIGHT = 6.0, 3.0
RISER_HEIGHT = 100.0  # pan to the magnet's lower face
RISER_DIAMETER = 40.0
FOOT_DIAMETER, FOOT_HEIGHT = 70.0, 6.0
CUP_DEPTH = 10.0  # the magnet's height: a cap or a ring closes it
BRIDGE_SPAN = 160.0  # between the posts: clear of pan and draught shield
PLATE_THICKNESS = 6.0  # of the rest
SEAT_FLOOR = 0.5  # what is left of the plate under the sample
SPACER = 1.0
SCREW_TRAVEL = 50.0
ROD_LENGTH = 380.0  # of the turner, from the sample's middle to the motor
ROD_DIAMETER, ROD_BORE = 10.0, 8.0
BLADE_LENGTH, BLADE_WIDTH = 25.0, 14.0  # as thick as the sample is high
OVERHANG = 60.0  # from the sample's middle to the first bearing
DISC_RADIUS, SLOT_RADIUS = 25.0, 20.0  # of the turner's disc; the middle of its slots
SLOT_LENGTH = 5.0  # along the radius
TURNING_GAP = 46.0  # lowest turning height and the contact gap
