"""What handling costs, in minutes, on top of getting there (common practice, no source)."""

KEY = {"off": 0.1, "on": 0.1, "crank": 0.2, "run": 0.3}
OPERATE = 0.2
PLUG = 0.5
LEADS = 0.5
LOOK = 1.0
SHIFT = 0.5
ROCK = 1.0
WARM_UP = 12.0
ROAD_TEST = 15.0
OPEN_HARNESS = 15.0
PIERCE = 1.0
JUMPER = 1.0
SCAN = 0.5  # after SCAN_CONNECT the first time
SCAN_CONNECT = 2.0
CLEAR_CODES = 0.5
SCOPE = 3.0  # setting up; then LEADS for every channel
CLAMP = 0.5
ZERO_CLAMP = 0.2
REPAIR = {"wire": 20.0, "cavity": 15.0}
REPLACE = {"sensor": 10.0, "control unit": 45.0}
PROVE = 20.0
HINT = 2.0  # asking for a hint, so that it is seen in the debrief; invented
