"""Writing a file whole or not at all: whoever reads it finds what was there before, or all that is new.

In: a path and what is to be in it. Out: the file, for its owner alone.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside, see it onto the disk, and put it in place. Raises OSError, leaving nothing behind then."""
    handle, made = tempfile.mkstemp(dir=path.parent, prefix=f"{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(made, path)
    except OSError:
        with suppress(OSError):
            os.unlink(made)
        raise
