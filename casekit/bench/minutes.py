"""What handling costs, in minutes, on top of getting there (common practice, no source)."""

KEY = {"off": 0.1, "on": 0.1, "run": 0.3}
PLUG = 0.5
LEADS = 0.5
LOOK = 1.0
