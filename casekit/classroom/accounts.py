"""Who is in the class, with which password, and under which user id of the machine the server of each one runs.

In: the folder of a classroom. Out: a `Roster`, passwords, and the stored table of ids. The people need no account on
the machine: an id is enough for the system to keep their files and processes apart.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import stat
import subprocess
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from casekit.error import MissingError, ScenarioError, refused
from casekit.files.source import read
from casekit.files.whole import write_whole

SIGN = r"[A-Za-z0-9][A-Za-z0-9_-]{0,15}"  # what the logs and the service take; nothing in it leads out of a folder
SERVICE = ":service"  # the service's own entry among the ids; no sign can be spelled so
IDS = (61000, 64999)  # ids that a Debian machine gives to nobody by itself (our choice; class.yaml may say others)
# Turns into a command under another id, before anything of the kit is loaded; the Hub starts a service only under the
# name of an account.
BECOME = (
    "import os, sys; u = int(sys.argv[1]); os.setgroups([]); os.setgid(u); os.setuid(u); os.umask(0o077); "
    "os.execv(sys.argv[2], sys.argv[2:])"
)
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that a hand-written slip makes another of
SHORTEST = 8  # characters of a password
EMPTY = """\
# The class of this folder. Signs, not names: letters, digits, - and _. Start the classroom again after a change.
trainees: [T01, T02, T03]
instructors: [I01]
# true: nothing starts unless every server can run under a user id of its own.
exam: false
"""


@dataclass(frozen=True)
class Roster:
    """The class as its file gives it."""

    trainees: tuple[str, ...]
    instructors: tuple[str, ...]
    exam: bool = False
    ids: tuple[int, int] = IDS
    python: str = sys.executable

    @property
    def everyone(self) -> tuple[str, ...]:
        """All signs, instructors first."""
        return self.instructors + self.trainees


def sign(name: object) -> str:
    """A sign, checked. Raises ScenarioError when it is none.

    >>> sign("T07")
    'T07'
    """
    if not isinstance(name, str) or not re.fullmatch(SIGN, name):
        raise ScenarioError([
            f"{name!r} is no sign; write a short one such as T07 (letters, digits, - and _, at most 16), not a name."
        ])  # fmt: skip
    return name


def roster(folder: Path) -> Roster:
    """The class of a folder, from its class.yaml. Raises ScenarioError with a sentence for all that is wrong in it."""
    source = read(folder / "class.yaml", "trainees")
    data, problems = source.data, []

    def wrong(key: str, sentence: str) -> None:
        problems.append(source.say((key,), sentence))

    for key in data.keys() - {"trainees", "instructors", "exam", "ids", "python"}:
        wrong(key, f"{key} is not known here; a class has trainees, instructors, exam, ids and python.")
    found: dict[str, str] = {}
    for key in ("trainees", "instructors"):
        signs = data.get(key) or []
        if not isinstance(signs, list):
            wrong(key, f"{key} is no list; write {key}: [T01, T02].")
            continue
        for name in signs:
            try:
                other = found.setdefault(sign(name).casefold(), name)
            except ScenarioError as err:
                wrong(key, str(err))
                continue
            if other is not name:
                wrong(key, f"{name} stands here twice, or beside {other}; signs must differ in more than capitals.")
    if not found and not problems:
        wrong("trainees", "there is nobody in this class; write trainees: [T01] and instructors: [I01].")
    if not isinstance(data.get("exam", False), bool):
        wrong("exam", "exam is true or false.")
    ids = data.get("ids", list(IDS))
    if not isinstance(ids, list) or len(ids) != 2 or not all(type(n) is int and 1000 <= n < 2**31 for n in ids):
        wrong("ids", "ids are a first and a last user id, from 1000; write ids: [61000, 64999].")
    elif ids[0] > ids[1] or any(ids[0] <= n <= ids[1] for n in (65534, 65535)):
        wrong("ids", f"ids go from {ids[0]} to {ids[1]}; give the lower one first, and keep clear of 65534 and 65535.")
    python = data.get("python", sys.executable)
    if not isinstance(python, str) or not Path(python).is_absolute():
        wrong("python", "python is the full path of a Python that has the kit and JupyterLab.")
    if problems:
        raise ScenarioError(problems)
    return Roster(tuple(data.get("trainees") or ()), tuple(data.get("instructors") or ()), data.get("exam", False),
                  tuple(ids), python)  # fmt: skip


# Passwords ------------------------------------------------------------------------------------------------------


def read_passwords(path: Path) -> dict[str, str]:
    """The passwords of a file, a sign and its password on each line. An empty or short one is refused."""
    found = {}
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as err:
        told = refused(path, err, "check the file") if isinstance(err, OSError) else f"{path}: is not UTF-8 text."
        raise ScenarioError([told]) from None
    for number, line in enumerate(lines, 1):
        name, _, password = line.strip().partition(" ")
        if name and not name.startswith("#"):
            if len(password.strip()) < SHORTEST:
                raise ScenarioError([
                    f"{path}:{number}: the password of {name} has fewer than {SHORTEST} characters; write a longer "
                    "one, or take the line out and a new one is made at the next start."
                ])  # fmt: skip
            found[sign(name)] = password.strip()
    return found


def passwords(path: Path, names: Collection[str]) -> dict[str, str]:
    """The passwords of these people; who has none yet is given one that nobody can guess."""
    with locked(path):
        found = read_passwords(path) if path.exists() else {}
        missing = [name for name in names if name not in found]
        for name in missing:
            found[name] = "".join(secrets.choice(LETTERS) for _ in range(12))
        if missing:
            text = "".join(f"{name} {password}\n" for name, password in found.items())
            write(path, f"# A sign and its password on each line; hand each person theirs alone.\n{text}")
    return {name: found[name] for name in names}


# Ids ------------------------------------------------------------------------------------------------------------


class Accounts:
    """The stored table of user ids. An id once given stays with its name, also when the name leaves the class."""

    def __init__(self, path: Path, ids: tuple[int, int] = IDS):
        self.path, self.ids = path, ids

    def read(self) -> dict[str, int]:
        """The table as it is. Raises ScenarioError when it is damaged: guessing would give somebody another's files."""
        try:
            data = json.loads(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except OSError as err:
            raise ScenarioError([refused(self.path, err, "check the file", "cannot be read")]) from None
        except ValueError:
            data = None
        if (
            not isinstance(data, dict)
            or not all(name == SERVICE or re.fullmatch(SIGN, name) for name in data)
            or not all(type(uid) is int and 1000 <= uid < 2**31 for uid in data.values())
            or len(set(data.values())) < len(data)
        ):
            raise ScenarioError([
                f"{self.path}: the table of user ids is damaged; put back a copy of it, or write it anew by the owners "
                "that ls -n shows for the homes."
            ])  # fmt: skip
        return data

    def id(self, name: str, taken: Collection[int] = ()) -> int:
        """The user id of a name, which is its group id as well; given now when it has none. `taken` are left out."""
        if name != SERVICE:
            sign(name)
        with locked(self.path):
            table = self.read()
            if name in table:
                return table[name]
            used = {*table.values(), *taken}
            first, last = self.ids
            uid = next((n for n in range(first, last + 1) if n not in used and not _known(n)), None)
            if uid is None:
                raise ScenarioError([
                    f"{self.path}: no user id from {first} to {last} is free for {name}; give the class more ids."
                ])  # fmt: skip
            write(self.path, json.dumps({**table, name: uid}, indent=1) + "\n")
        return uid


def _known(uid: int) -> bool:
    """True if the machine has a user or a group of this id."""
    import grp
    import pwd

    for ask in (pwd.getpwuid, grp.getgrgid):
        with suppress(KeyError):
            ask(uid)
            return True
    return False


def home(homes: Path, name: str, accounts: Accounts) -> tuple[Path, int]:
    """The home of a name, made if it is not there, closed to all others, and its user id."""
    path = homes / sign(name)
    # Should the table be lost, a home that is here keeps its id from being given to another.
    uid = accounts.id(name, taken=[entry.stat(follow_symlinks=False).st_uid for entry in os.scandir(homes)])
    own(path, uid)
    return path, uid


def own(path: Path, uid: int) -> None:
    """Make a folder that belongs to an id alone; one that belongs to another id is left as it is, and told."""
    with suppress(FileExistsError):
        path.mkdir(0o700)
    found = path.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid not in (0, uid):
        raise ScenarioError([
            f"{path}: is no folder of user id {uid}; look whose it is with ls -n, and move it away or correct the ids."
        ])  # fmt: skip
    os.chown(path, uid, uid, follow_symlinks=False)
    path.chmod(0o700)


def usable(python: str, uid: int) -> None:
    """Check that an id of the class can run a Python that has the kit. Raises MissingError with what is in the way."""
    ask = (
        "import sys; from importlib.util import find_spec as f; "
        "sys.exit(' and '.join(n for n in ('casekit', 'jupyterhub', 'jupyterlab') if not f(n)) or 0)"
    )
    advice = "name another under python: in class.yaml, in a place that everybody may read"
    try:
        done = subprocess.run([python, "-P", "-c", ask], user=uid, group=uid, extra_groups=[], cwd="/", env={},
                              capture_output=True, text=True, timeout=60)  # fmt: skip
    except (OSError, subprocess.SubprocessError) as err:
        why = getattr(err, "strerror", None) or "does not answer"
        raise MissingError(f"{python}: cannot be run under user id {uid} ({why.lower()}); {advice}.") from None
    if done.returncode:
        lacks = (done.stderr.strip().splitlines() or ["it ends at once"])[-1]
        raise MissingError(f"{python}: under user id {uid} it does not find {lacks}; {advice}.")


def reachable(folder: Path) -> None:
    """Check that other ids can pass through the folders above. Raises ScenarioError with the first that is closed."""
    for above in folder.resolve().parents:
        if not above.stat().st_mode & stat.S_IXOTH:
            raise ScenarioError([
                f"{folder}: other user ids cannot come here, because {above} is closed to them; choose a folder "
                "elsewhere, such as /srv/classroom."
            ])  # fmt: skip


# Files ----------------------------------------------------------------------------------------------------------


def write(path: Path, text: str) -> None:
    """Write a file that its owner alone can read, whole or not at all."""
    try:
        write_whole(path, text.encode())
    except OSError as err:
        raise ScenarioError([refused(path, err, "make room there, or choose another folder")]) from None


@contextmanager
def locked(path: Path, wait: bool = True) -> Iterator[None]:
    """Hold the lock beside a file; without `wait`, BlockingIOError when another process has it."""
    import fcntl

    try:
        file = os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as err:
        raise ScenarioError([refused(path, err, "choose another folder")]) from None
    try:
        fcntl.flock(file, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        yield
    finally:
        os.close(file)  # the lock goes with it
