"""Files: reading and checking scenario files (the bottom floor)."""
