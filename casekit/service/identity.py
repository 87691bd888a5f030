"""Who is asking: by a token of the service itself, or by one of a JupyterHub.

In: the token that came with a request. Out: a `Who`, or None for a token that is forged, expired or of nobody.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from casekit.error import MissingError
from casekit.service.store import Store

TEACHES = "custom:casekit:teach"  # the scope of a Hub's role that makes an instructor
NAME = r"[A-Za-z0-9][A-Za-z0-9_.@-]{0,63}"


@dataclass(frozen=True)
class Who:
    """A user, and whether an instructor."""

    name: str
    instructor: bool


class Identity(Protocol):
    """What finds out who holds a token."""

    def who(self, token: str) -> Who | None:
        """The user of a token."""


class Tokens:
    """Tokens that the service gave out itself. They are never taken back, so those that are good are remembered."""

    def __init__(self, store: Store, clock: Callable[[], float] = time.time):
        self._store, self._clock = store, clock
        self._known: dict[str, tuple[str, bool, float]] = {}

    def who(self, token: str) -> Who | None:
        """The user of a token that has not expired."""
        found = self._known.get(token)
        if found is None and re.fullmatch(r"[A-Za-z0-9_-]{20,100}", token):
            found = self._store.holder(token)
            if found:
                self._known[token] = found
        return Who(found[0], found[1]) if found and found[2] > self._clock() else None


class Hub:
    """Tokens of the JupyterHub that manages this service; what the Hub said holds for a minute."""

    KEPT_S = 60

    def __init__(self) -> None:
        try:
            from jupyterhub.services.auth import HubOAuth
        except ImportError:
            raise MissingError("a service of a Hub needs jupyterhub; install it with: pip install jupyterhub") from None
        self.auth = HubOAuth(cache_max_age=self.KEPT_S)
        if not self.auth.access_scopes:
            raise MissingError(
                "the Hub gave this service no name; set JUPYTERHUB_SERVICE_NAME, so that it is known who may use it."
            )

    def who(self, token: str) -> Who | None:
        """The user of a token that the Hub knows and that may use this service."""
        model = self.auth.user_for_token(token)
        if not model or model.get("kind") != "user" or not re.fullmatch(NAME, str(model.get("name"))):
            return None
        scopes = set(model.get("scopes") or ())
        if not self.auth.check_scopes(self.auth.access_scopes, model):
            return None
        return Who(model["name"], any(s.split("!")[0] == TEACHES for s in scopes))


def identity(store: Store) -> Identity:
    """The Hub where there is one, else the service's own tokens."""
    return Hub() if os.environ.get("JUPYTERHUB_API_TOKEN") and os.environ.get("JUPYTERHUB_API_URL") else Tokens(store)
