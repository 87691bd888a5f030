"""A trainee's server under a user id of its own, and the door at which the signs of the class are let in.

In: what the Hub says, and the folder of the classroom. Out: a running single-user server with a closed home.
"""

from __future__ import annotations

import asyncio
import hmac
import os
import subprocess
import sys
from pathlib import Path

from jupyterhub.auth import Authenticator
from jupyterhub.spawner import LocalProcessSpawner
from traitlets import Bool, Dict, List, Unicode

from casekit.classroom.accounts import IDS, Accounts, home, read_passwords, sign
from casekit.error import ScenarioError

KEPT = ("PATH", "LANG", "LC_ALL")  # all that a server takes over from the Hub's environment
WAIT_S = 0.5  # after a wrong password, so that trying many takes long


class OwnServer(LocalProcessSpawner):
    """Starts the server of a sign under that sign's own user id; without `own_ids`, under the Hub's."""

    classroom = Unicode(help="The folder of the classroom.").tag(config=True)
    own_ids = Bool(True, help="Whether every server has a user id of its own; only root can give them.").tag(
        config=True
    )
    ids = List(list(IDS), help="The first and the last user id to give.").tag(config=True)
    python = Unicode(sys.executable, help="The Python of the servers; every id must be able to run it.").tag(
        config=True
    )

    @property
    def homes(self) -> Path:
        """The folder of all homes."""
        return Path(self.classroom) / "homes"

    def _env_keep_default(self) -> list[str]:
        return list(KEPT)

    def make_preexec_fn(self, name: str) -> None:
        """Nothing runs between fork and exec: Popen itself sets the id, which is safe beside threads."""
        return None

    def user_env(self, env: dict[str, str]) -> dict[str, str]:
        """The environment of a server; nothing is looked up, as the machine does not know the sign."""
        name = sign(self.user.name)
        return {**env, "USER": name, "LOGNAME": name, "HOME": str(self.homes / name), "SHELL": "/bin/sh",
                "CASEKIT_TRAINEE": name}  # fmt: skip

    def move_certs(self, paths: dict[str, str]) -> dict[str, str]:
        """Refuse: certificates between the parts of a Hub are for many hosts, and this one keeps to one."""
        raise ScenarioError(["JupyterHub's internal_ssl does not go with this spawner; take the line out again."])

    async def start(self) -> tuple[str, int]:
        """Make the home ready and start the server in it."""
        name = sign(self.user.name)
        given: dict[str, object] = {}
        if self.own_ids:
            accounts = Accounts(Path(self.classroom) / "hub" / "accounts.json", tuple(self.ids))
            path, uid = home(self.homes, name, accounts)
            given = {"user": uid, "group": uid, "extra_groups": []}
        else:
            path = self.homes / name
            path.mkdir(0o700, exist_ok=True)
            path.chmod(0o700)
        self.cmd = [self.python, "-P", "-m", "jupyterhub.singleuser"]  # -P: no module out of the home
        # Its own log, and no terminal: a server that inherits the Hub's could write into either.
        log = os.open(
            Path(self.classroom) / "logs" / f"{name}.log", os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW, 0o600
        )
        try:
            self.popen_kwargs = {
                "cwd": path, "umask": 0o077, "stdin": subprocess.DEVNULL, "stdout": log, "stderr": log, **given,
            }  # fmt: skip
            return await super().start()
        finally:
            os.close(log)


class ClassAuthenticator(Authenticator):
    """Lets in the signs of the class, each with its own password."""

    passwords = Unicode(help="The file of the passwords.").tag(config=True)
    signs = Dict(help="The signs of the class by their small-letter form.").tag(config=True)

    def normalize_username(self, username: str) -> str:
        """The sign as the class writes it: t07 is T07."""
        return self.signs.get(username.casefold(), username)

    def validate_username(self, username: str) -> bool:
        """True for the signs of the class; who has left it is taken out of the Hub's database at the next start."""
        return self.signs.get(username.casefold()) == username

    async def authenticate(self, handler: object, data: dict[str, str]) -> str | None:
        """The sign, or None when the password is not its own."""
        name = self.normalize_username(data["username"])
        try:
            known = read_passwords(Path(self.passwords)).get(name, "")
        except ScenarioError as err:
            self.log.error("%s", err)
            known = ""
        if known and hmac.compare_digest(known.encode(), data["password"].encode()):
            return name
        await asyncio.sleep(WAIT_S)
        return None
