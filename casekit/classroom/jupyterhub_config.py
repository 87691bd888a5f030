"""The ready configuration of JupyterHub for a classroom on one machine: ``jupyterhub -f`` this file.

In: the folder of the classroom in CASEKIT_CLASSROOM, and a port in CASEKIT_CLASSROOM_PORT. Out: the settings. The
command `casekit classroom` sets both, and starts it.
"""

from __future__ import annotations

import os
import shutil
import socket
import sys
from pathlib import Path
from typing import Any

from casekit.classroom.accounts import (
    BECOME,
    SERVICE,
    Accounts,
    Roster,
    own,
    passwords,
    reachable,
    roster,
    usable,
)
from casekit.error import CasekitError, MissingError, ScenarioError, refused

TEACH = "custom:casekit:teach"  # who holds this scope is an instructor to the service
USE = "access:services!service=casekit"
PROXY = "configurable-http-proxy"
SAME_ID = (
    "casekit: all servers run under one user id here, as this is not root: trainees can read each other's answers "
    "and the case files. Good for a try-out, not for an exam."
)


def prepared(folder: Path) -> tuple[Roster, int | None]:
    """Make the folders of a classroom ready, and check that it can run as asked.

    Returns the class and the service's user id, None where there are no ids to give. Raises ScenarioError or
    MissingError; in exam mode also when servers cannot be kept apart.
    """
    people, apart = roster(folder), os.geteuid() == 0
    if people.exam and not apart:
        raise ScenarioError([
            f"{folder / 'class.yaml'}: exam mode is refused, because only root can start every server under a user id "
            "of its own, and without that candidates could read each other's answers and the cases; start the "
            "classroom as root, or write exam: false."
        ])  # fmt: skip
    try:
        for name, mode in (("", 0o711), ("homes", 0o711), ("hub", 0o700), ("logs", 0o700), ("service", 0o700)):
            (folder / name).mkdir(mode, exist_ok=True)
            # Others pass through to their own home; they cannot list what else is here.
            (folder / name).chmod(mode if apart else 0o700)
        (folder / "class.yaml").chmod(0o600)
    except OSError as err:
        raise ScenarioError([refused(folder, err, "choose another folder")]) from None
    passwords(folder / "passwords.txt", people.everyone)
    if not apart:
        return people, None
    reachable(folder / "homes")
    uid = Accounts(folder / "hub" / "accounts.json", people.ids).id(SERVICE)
    own(folder / "service", uid)
    usable(people.python, uid)
    return people, uid


def free_port() -> int:
    """A port of this machine that nobody uses now."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def configure(c: Any, folder: Path, port: int) -> None:
    """Write the settings of a classroom into the Hub's configuration."""
    people, uid = prepared(folder)
    if not shutil.which(PROXY):
        raise MissingError(f"{PROXY} is not installed, and JupyterHub needs it; see the README of casekit/classroom.")
    hub, service = folder / "hub", folder / "service"
    c.JupyterHub.bind_url = f"http://127.0.0.1:{port}"
    c.JupyterHub.hub_bind_url = f"http://127.0.0.1:{free_port()}"
    c.ConfigurableHTTPProxy.api_url = f"http://127.0.0.1:{free_port()}"
    c.ConfigurableHTTPProxy.command = [shutil.which(PROXY)]
    c.ConfigurableHTTPProxy.pid_file = str(hub / "proxy.pid")
    c.JupyterHub.db_url = f"sqlite:///{hub / 'hub.sqlite'}"
    c.JupyterHub.cookie_secret_file = str(hub / "cookie_secret")

    c.JupyterHub.authenticator_class = "casekit.classroom.ownserver.ClassAuthenticator"
    c.ClassAuthenticator.passwords = str(folder / "passwords.txt")
    c.ClassAuthenticator.signs = {name.casefold(): name for name in people.everyone}
    c.Authenticator.allowed_users = set(people.everyone)
    # Who is taken out of the class must not get in because the database still knows them.
    c.Authenticator.allow_existing_users = False
    c.Authenticator.delete_invalid_users = True

    c.JupyterHub.spawner_class = "casekit.classroom.ownserver.OwnServer"
    c.OwnServer.classroom = str(folder)
    c.OwnServer.own_ids = uid is not None
    c.OwnServer.ids = list(people.ids)
    c.OwnServer.python = people.python
    c.Spawner.default_url = "/lab"
    c.Spawner.environment = {"CASEKIT_SERVICE_URL": f"http://127.0.0.1:{port}/services/casekit/"}
    # The Hub gives a server's token what its owner holds of these: a trainee's can never teach.
    c.Spawner.server_token_scopes = ["users:activity!user", "access:servers!server", USE, TEACH]

    serve = [people.python, "-P", "-m", "casekit.command", "serve", "--folder", str(service)]
    # The service answers what trainees send, so it has no more rights than its own files need.
    drop = [sys.executable, "-I", "-c", BECOME, str(uid)] if uid is not None else []
    c.JupyterHub.services = [
        {
            "name": "casekit",
            "url": f"http://127.0.0.1:{free_port()}",
            "command": drop + serve,
            "cwd": str(service),
            "environment": {"HOME": str(service)},
            "oauth_no_confirm": True,
            "oauth_client_allowed_scopes": [TEACH],
        }
    ]
    c.JupyterHub.custom_scopes = {TEACH: {"description": "Open cases to a class, and see its work, in the service."}}
    c.JupyterHub.load_roles = [
        {"name": "instructor", "scopes": [TEACH, USE], "users": list(people.instructors)},
        {"name": "trainee", "scopes": [USE], "users": list(people.trainees)},
    ]
    if uid is None:
        print(SAME_ID, file=sys.stderr, flush=True)


if "get_config" in globals():  # read by JupyterHub, not imported
    os.umask(0o077)  # its database and all else it writes are its own
    if not os.environ.get("CASEKIT_CLASSROOM"):
        sys.exit("CASEKIT_CLASSROOM is not set; start with casekit classroom FOLDER, or set it to the folder.")
    try:
        configure(
            get_config(),  # noqa: F821 (JupyterHub puts it here)
            Path(os.environ["CASEKIT_CLASSROOM"]).resolve(),
            int(os.environ.get("CASEKIT_CLASSROOM_PORT", "8000")),
        )
    except CasekitError as err:  # a Hub with half its settings must not start
        sys.exit(str(err))
