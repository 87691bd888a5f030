"""The command that runs a classroom on this machine.

In: parsed arguments of `casekit`. Out: exit codes.
"""

from __future__ import annotations

import argparse
from pathlib import Path


def add(commands: argparse._SubParsersAction) -> None:
    """Add this command to the parser."""
    room = commands.add_parser("classroom", help="run JupyterHub for a class on this machine, as a try-out")
    room.add_argument("folder", type=Path, help="the folder of the classroom; it is made ready if it is not there")
    room.add_argument("--port", type=int, default=8000, help="the port of the address (default: 8000; 0: any)")


def _classroom(chosen: argparse.Namespace) -> int:
    from casekit.classroom.start import start

    return start(chosen.folder, chosen.port)


COMMANDS = {"classroom": _classroom}
