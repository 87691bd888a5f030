"""A line to a case service: who speaks, and asking until there is an answer.

In: an address and a token. Out: what the service has, or its sentence. Instructors have a line with more on it.
"""

from __future__ import annotations

import os
import secrets
import time
from io import StringIO
from pathlib import Path

import pandas as pd
import requests

from casekit.error import BenchError, ScenarioError, refused
from casekit.files.blueprint import Blueprint
from casekit.teaching.exampaper import found_blueprint

PATIENCE_S = (5.0, 130.0)  # to reach the service, and to wait for its answer
# A call that got no answer is made again with the same number, which never counts twice.
TRIES, WAIT_S, LONGEST = 8, 0.5, 8
ASKED_AGAIN = 3  # the try at which whoever waits is told so
BENCHES = ["trainee", "case", "calls", "minutes", "closed", "bench"]
CLASS, SERVICE = "class", "CASEKIT_SERVICE_URL"  # what stands for the address of the classroom's own service
TOKENS = ("CASEKIT_TOKEN", "JUPYTERHUB_API_TOKEN")


class Line:
    """A connection to a case service, with the token of who uses it."""

    def __init__(self, at: str, token: str | None = None):
        if at == CLASS:
            at = os.environ.get(SERVICE, "")
            if not at:
                raise BenchError(f"{SERVICE} is not set here, as it is in a classroom; write the service's address.")
        self.at = at.rstrip("/")
        self.token = token or next((os.environ[name] for name in TOKENS if os.environ.get(name)), "")
        if not self.at.startswith(("http://", "https://")):
            raise BenchError(f"the service is at {at!r}; write its whole address, such as http://127.0.0.1:8890.")
        if not self.token:
            raise BenchError(f"no token for {self.at}; give token=, or set {TOKENS[0]} to the one you were handed.")
        self._session = requests.Session()
        self._session.trust_env = False  # no proxy between a class and its service
        self._session.headers["Authorization"] = f"token {self.token}"

    def get(self, path: str) -> dict:
        """What the service has there."""
        return self._asked("GET", path, None)

    def post(self, path: str, body: dict) -> dict:
        """Ask the service to do something, once: the request has a number of its own."""
        return self._asked("POST", path, {"request": secrets.token_hex(16), **body})

    def text(self, path: str) -> str:
        """A text that the service has there."""
        return self._answered("GET", path, None).text

    def _asked(self, how: str, path: str, body: dict | None) -> dict:
        try:
            found = self._answered(how, path, body).json()
        except ValueError:
            found = None
        if isinstance(found, dict):
            return found
        raise BenchError(f"what answers at {self.at} is no case service; check the address.")

    def _answered(self, how: str, path: str, body: dict | None) -> requests.Response:
        """The service's answer. Raises ScenarioError for what it does not have, BenchError for what it refuses."""
        trouble = ""
        for attempt in range(TRIES):
            if attempt == ASKED_AGAIN:
                print(f"The service at {self.at} does not answer; asking again for some seconds.")
            if attempt:
                time.sleep(WAIT_S * min(2 ** (attempt - 1), LONGEST))
            try:
                answer = self._session.request(how, f"{self.at}/api/{path}", json=body, timeout=PATIENCE_S)
            except requests.exceptions.InvalidJSONError:
                raise BenchError("a number here is none that can be sent; write a finite one.") from None
            except requests.RequestException as err:
                trouble = type(err).__name__
                continue
            if answer.status_code in (429, 502, 503, 504):  # in a moment it may do better
                trouble = _sentence(answer) or f"status {answer.status_code}"
                continue
            if answer.status_code == 200:
                return answer
            said = _sentence(answer)
            if answer.status_code == 404 and said:
                raise ScenarioError([said])
            raise BenchError(said or f"what answers at {self.at} is no case service (status {answer.status_code}).")
        raise BenchError(
            f"the service at {self.at} does not answer ({trouble}); what was done before is kept: do this again."
        )


class ClassroomLine(Line):
    """What an instructor may ask of a service; needs an instructor's token."""

    @property
    def benches(self) -> pd.DataFrame:
        """All benches: trainee, case, calls, minutes, whether closed, and the id."""
        return pd.DataFrame(self.get("class")["benches"], columns=BENCHES)

    def logs(self, folder: Path | str) -> Path:
        """Write all logs into a folder, one a trainee, as `casekit report` reads them."""
        for row in self.benches.itertuples():
            place = Path(folder) / row.trainee / f"{row.case}-{row.bench[:6]}.jsonl"
            text = self.text(f"class/logs/{row.bench}")
            try:
                place.parent.mkdir(parents=True, exist_ok=True)
                place.write_text(text, encoding="utf-8")
            except OSError as err:
                raise BenchError(refused(place, err, "choose another folder")) from None
        return Path(folder)

    def set_paper(self, blueprint: Blueprint | Path | str) -> str:
        """Set a paper by a blueprint (a file, or the name of one in `scenarios/papers`) and a seed that the service
        draws and keeps to itself; the paper's id, which candidates give to `casekit.sit`."""
        data = found_blueprint(blueprint).model_dump()
        return str(self.post("class/papers", {"blueprint": data})["paper"])

    def release(self, case: str = "", paper: str = "") -> None:
        """Release the debriefs of a case, or the marks of a paper."""
        self.post("class/releases", {"case": case} if case else {"paper": paper})

    def marks(self, paper: str) -> pd.DataFrame:
        """The marks of a paper, of everybody who sits or sat it."""
        return pd.read_csv(StringIO(self.text(f"class/papers/{paper}/marks")), converters={"candidate": str})

    @property
    def audit(self) -> pd.DataFrame:
        """The audit log: when (UTC), who, what. Raises BenchError when it was changed."""
        found = self.get("class/audit")
        if found["troubles"]:
            raise BenchError("; ".join(found["troubles"]))
        table = pd.DataFrame(found["lines"], columns=["when", "who", "what"])
        return table.assign(when=pd.to_datetime(table["when"], unit="s", utc=True))


def classroom_line(at: str, token: str | None = None) -> ClassroomLine:
    """A connection for an instructor to a case service at an address, or at "class", the one of the classroom."""
    return ClassroomLine(at, token)


def _sentence(answer: requests.Response) -> str:
    try:
        return str(answer.json()["error"])
    except (ValueError, KeyError, TypeError):
        return ""
