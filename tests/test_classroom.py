"""The classroom: ids that never collide, an exam that is refused where nothing keeps trainees apart, and a real Hub in
which a trainee's kernel tries to read what is not its own."""

import json
import os
import re
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest
from traitlets.config import Config

from casekit.classroom import jupyterhub_config as configuration
from casekit.classroom.accounts import Accounts, home, passwords, read_passwords, roster, sign, usable
from casekit.error import MissingError, ScenarioError

IDS = (64000, 64199)  # not those of a classroom that may run on this machine
ROOT = hasattr(os, "geteuid") and os.geteuid() == 0
needs_hub = pytest.mark.skipif(
    not shutil.which(configuration.PROXY), reason=f"{configuration.PROXY} is not installed on this machine"
)
needs_root = pytest.mark.skipif(not ROOT, reason="only root can start servers under ids of their own")
pytest.importorskip("jupyterhub", reason="JupyterHub is not installed")


# Ids --------------------------------------------------------------------------------------------------------------


def test_an_id_stays_with_its_name_and_skips_what_the_machine_knows(tmp_path, monkeypatch):
    """The table is closed to others, an id is never given twice, and one that the machine knows is left out."""
    import pwd

    known = {64000, 64002}

    def ask(uid):
        if uid not in known:
            raise KeyError(uid)

    monkeypatch.setattr(pwd, "getpwuid", ask)
    table = Accounts(tmp_path / "accounts.json", (64000, 64005))
    assert [table.id(name) for name in ("T01", "T02", "T01", ":service")] == [64001, 64003, 64001, 64004]
    assert stat.S_IMODE((tmp_path / "accounts.json").stat().st_mode) == 0o600
    assert Accounts(tmp_path / "accounts.json", (64000, 64005)).id("T03", taken=[]) == 64005
    with pytest.raises(ScenarioError, match=r"no user id from 64000 to 64005 is free for T04; give the class more ids"):
        table.id("T04")
    assert table.read() == {"T01": 64001, "T02": 64003, ":service": 64004, "T03": 64005}


def test_two_processes_at_once_never_give_an_id_twice(tmp_path):
    """Each asks for 60 names, 20 of them the same: the two agree on these, and on no other id."""
    ask = (
        "import json, sys; from pathlib import Path; from casekit.classroom.accounts import Accounts\n"
        "table = Accounts(Path(sys.argv[1]), (64000, 64199)); sys.stdin.readline()\n"
        "print(json.dumps({name: table.id(name) for name in sys.argv[2:]}))"
    )
    names = [[f"{k}{n:02}" for n in range(40)] + [f"S{n:02}" for n in range(20)] for k in "AB"]
    running = [
        subprocess.Popen([sys.executable, "-c", ask, tmp_path / "accounts.json", *some], stdin=-1, stdout=-1, text=True)
        for some in names
    ]
    for process in running:
        process.stdin.write("go\n")
        process.stdin.flush()
    one, two = (json.loads(process.communicate(timeout=60)[0]) for process in running)
    both = one | two
    assert {name: one[name] for name in names[0][40:]} == {name: two[name] for name in names[0][40:]}
    assert len(both) == 100 == len(set(both.values()))
    assert Accounts(tmp_path / "accounts.json").read() == both


@pytest.mark.parametrize(
    "text",
    ["", "[]", '{"T01": 64000', '{"T01": 0}', '{"T01": 64000, "T02": 64000}', '{"../x": 64000}', '{"T01": "64000"}'],
)
def test_a_damaged_table_is_told_and_left_alone(tmp_path, text):
    """A guess would hand somebody another's files, so nothing is given until the table is put right."""
    path = tmp_path / "accounts.json"
    path.write_text(text)
    with pytest.raises(ScenarioError, match=r"accounts\.json: the table of user ids is damaged; put back a copy of it"):
        Accounts(path).id("T03")
    assert path.read_text() == text


@pytest.mark.parametrize("name", ["", "..", "a/b", "T 1", "-rf", "T01\n", ":service", "é", "x" * 17, None, 7])
def test_what_is_no_sign_is_refused(tmp_path, name):
    """Nothing but a sign becomes part of a path."""
    with pytest.raises(ScenarioError, match="is no sign; write a short one such as T07"):
        sign(name)
    with pytest.raises(ScenarioError, match="is no sign"):
        home(tmp_path, name, Accounts(tmp_path / "accounts.json"))


@needs_root
def test_a_home_is_closed_and_keeps_its_id_when_the_table_is_lost(tmp_path):
    """A home belongs to its id alone; without the table no other name gets that id, and a link is no home."""
    homes, path = tmp_path / "homes", tmp_path / "accounts.json"
    homes.mkdir()
    folder, uid = home(homes, "T01", Accounts(path, IDS))
    found = folder.stat()
    assert (stat.S_IMODE(found.st_mode), found.st_uid, found.st_gid) == (0o700, uid, uid)
    path.unlink()
    assert home(homes, "T02", Accounts(path, IDS))[1] != uid
    with pytest.raises(ScenarioError, match=r"homes/T01: is no folder of user id \d+; look whose it is with ls -n"):
        home(homes, "T01", Accounts(path, IDS))
    (homes / "T03").symlink_to(tmp_path)
    with pytest.raises(ScenarioError, match="homes/T03: is no folder of user id"):
        home(homes, "T03", Accounts(path, IDS))
    assert tmp_path.stat().st_uid == 0


# The class and its passwords --------------------------------------------------------------------------------------


def test_all_that_is_wrong_in_a_class_is_told_with_its_line(tmp_path):
    """One sentence for each."""
    (tmp_path / "class.yaml").write_text(
        "trainees: [T01, a/b, t01]\ninstructors: I01\nexam: maybe\nids: [5, 9]\npython: python3\nteachers: [I02]\n"
    )
    with pytest.raises(ScenarioError) as told:
        roster(tmp_path)
    assert sorted(p.split("class.yaml:")[1] for p in told.value.problems) == [
        "1: 'a/b' is no sign; write a short one such as T07 (letters, digits, - and _, at most 16), not a name.",
        "1: t01 stands here twice, or beside T01; signs must differ in more than capitals.",
        "2: instructors is no list; write instructors: [T01, T02].",
        "3: exam is true or false.",
        "4: ids are a first and a last user id, from 1000; write ids: [61000, 64999].",
        "5: python is the full path of a Python that has the kit and JupyterLab.",
        "6: teachers is not known here; a class has trainees, instructors, exam, ids and python.",
    ]


def test_passwords_are_made_once_and_an_empty_one_is_refused(tmp_path):
    """Each has one of its own, in a file closed to others; an empty one is told, not taken."""
    path = tmp_path / "passwords.txt"
    first = passwords(path, ["T01", "T02"])
    assert first["T01"] != first["T02"]
    assert min(map(len, first.values())) == 12
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert passwords(path, ["T02", "T03"])["T02"] == first["T02"]
    assert read_passwords(path)["T01"] == first["T01"]
    path.write_text("T01 longenough1\nT02 \n")
    with pytest.raises(ScenarioError, match=r"passwords\.txt:2: the password of T02 has fewer than 8 characters"):
        passwords(path, ["T01", "T02"])


# The configuration ------------------------------------------------------------------------------------------------


def test_exam_mode_is_refused_without_root_and_the_hub_does_not_start(tmp_path):
    """JupyterHub itself ends on the configuration, with the one sentence that says why and what to do."""
    (tmp_path / "class.yaml").write_text("trainees: [T01]\nexam: true\n")
    told = subprocess.run(
        [sys.executable, "-c", "import os; os.geteuid = lambda: 1000; from jupyterhub.app import main; main()", "-f",
         configuration.__file__],
        env={**os.environ, "CASEKIT_CLASSROOM": str(tmp_path)}, cwd=tmp_path, capture_output=True, text=True,
        timeout=60,
    )  # fmt: skip
    assert told.returncode == 1
    assert told.stderr.strip().splitlines()[-1] == (
        f"{tmp_path / 'class.yaml'}: exam mode is refused, because only root can start every server under a user id of "
        "its own, and without that candidates could read each other's answers and the cases; start the classroom as "
        "root, or write exam: false."
    )
    assert [p.name for p in tmp_path.iterdir()] == ["class.yaml"]


@needs_hub
def test_without_root_a_try_out_starts_under_one_id_and_says_so(tmp_path, monkeypatch, capsys):
    """No ids are given, and a warning says what that means."""
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    (tmp_path / "class.yaml").write_text("trainees: [T01]\ninstructors: [I01]\n")
    c = Config()
    configuration.configure(c, tmp_path, 8000)
    assert c.OwnServer.own_ids is False
    assert "setuid" not in c.JupyterHub.services[0]["command"][2]
    assert "trainees can read each other's answers" in capsys.readouterr().err
    assert {stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir() if path.is_dir()} == {0o700}
    assert not (tmp_path / "hub" / "accounts.json").exists()


@needs_root
def test_what_keeps_other_ids_out_is_told_before_the_hub_starts(tmp_path):
    """A folder below a closed one, and a Python that the ids cannot run, each in a sentence."""
    closed = tmp_path / "closed"
    closed.mkdir(0o700)
    (closed / "class.yaml").write_text("trainees: [T01]\nexam: true\n")
    with pytest.raises(ScenarioError, match=r"other user ids cannot come here, because .+ is closed to them"):
        configuration.prepared(closed)
    python = closed / "python"
    python.symlink_to(sys.executable)
    with pytest.raises(MissingError, match=r"python: cannot be run under user id 64000 \(permission denied\)"):
        usable(str(python), IDS[0])
    with pytest.raises(MissingError, match="under user id 64000 it does not find"):
        usable(shutil.which("false"), IDS[0])


# A real Hub -------------------------------------------------------------------------------------------------------

TRY = """
import grp, json, os, urllib.error, urllib.request
from pathlib import Path

def tried(do, *what):
    try:
        return str(do(*what))[:60]
    except Exception as err:
        return type(err).__name__

def asked(address):
    request = urllib.request.Request(address, headers={"Authorization": "token " + os.environ["JUPYTERHUB_API_TOKEN"]})
    try:
        with urllib.request.urlopen(request, timeout=10) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as err:
        return err.code

own = Path.home() / "own.txt"
print(json.dumps({
    "own": [own.write_text("mine"), own.read_text()],
    "read": {path: tried(Path(path).read_bytes) for path in READ},
    "list": {path: tried(os.listdir, path) for path in LIST},
    "signal": tried(os.kill, SERVICE, 0),
    "root": tried(os.setuid, 0),
    "ids": [os.getuid(), os.getgid(), os.getgroups()],
    "umask": os.stat(own).st_mode & 0o777,
    "environment": sorted(os.environ),
    "me": asked(os.environ["CASEKIT_SERVICE_URL"] + "api/me"),
    "other": asked(OTHER),
}))
"""


def common_python(folder):
    """A Python that every id may run: this one, or one of the system with this one's packages; None without either."""
    try:
        usable(sys.executable, IDS[0])
        return sys.executable
    except MissingError:
        system = Path("/usr/bin") / f"python3.{sys.version_info.minor}"
    if not system.exists():
        return None
    subprocess.run([system, "-m", "venv", "--without-pip", folder / "python"], check=True, timeout=60)
    places = [path for path in sys.path if path.endswith("site-packages")]
    (place,) = (folder / "python" / "lib").glob("python3*/site-packages")
    (place / "ours.pth").write_text("".join(f"import site; site.addsitedir({path!r})\n" for path in places))
    for name in ("etc", "share"):  # what JupyterLab looks for below its prefix
        (folder / "python" / name).symlink_to(Path(sys.prefix) / name)
    try:
        usable(str(folder / "python" / "bin" / "python"), IDS[0])
    except MissingError:
        return None
    return str(folder / "python" / "bin" / "python")


@contextmanager
def logged_in(address, name, password):
    """A browser's session of somebody, and its headers; without them when the Hub does not let them in."""
    import requests

    with requests.Session() as session:
        session.get(f"{address}/hub/login", timeout=10)
        form = {"username": name, "password": password, "_xsrf": session.cookies["_xsrf"]}
        answer = session.post(f"{address}/hub/login", data=form, timeout=10, allow_redirects=False)
        yield session if answer.status_code == 302 else None


def token(address, name, password):
    """A token of somebody for the Hub's API, as the Hub gives it to who has logged in; None for a wrong password."""
    with logged_in(address, name.lower(), password) as session:  # small letters are the same sign
        if session is None:
            return None
        session.get(f"{address}/hub/token", timeout=10)
        headers = {"X-XSRFToken": next(c.value for c in session.cookies if c.name == "_xsrf" and c.path == "/hub/")}
        answer = session.post(f"{address}/hub/api/users/{name}/tokens", json={}, headers=headers, timeout=10)
        assert answer.status_code == 201, answer.text
        return answer.json()["token"]


def run(address, name, held, code):
    """What code prints in a kernel of somebody's server."""
    import requests
    import websocket

    headers = {"Authorization": f"token {held}"}
    made = requests.post(f"{address}/user/{name}/api/kernels", json={}, headers=headers, timeout=60)
    assert made.status_code == 201, made.text
    line = websocket.create_connection(
        f"{address.replace('http', 'ws')}/user/{name}/api/kernels/{made.json()['id']}/channels",
        header=headers,
        timeout=60,
    )
    try:
        head = {"msg_id": "try", "msg_type": "execute_request", "username": "", "session": "s", "version": "5.3"}
        content = {"code": code, "silent": False, "store_history": False, "user_expressions": {}, "allow_stdin": False}
        line.send(json.dumps({
            "header": head, "parent_header": {}, "metadata": {}, "content": content, "channel": "shell", "buffers": []
        }))  # fmt: skip
        out = ""
        while True:
            got = json.loads(line.recv())
            if got["parent_header"].get("msg_id") != "try":
                continue
            if got["msg_type"] == "stream":
                out += got["content"]["text"]
            assert got["msg_type"] != "error", got["content"]
            if got["msg_type"] == "status" and got["content"]["execution_state"] == "idle":
                return out
    finally:
        line.close()


@needs_hub
@needs_root
def test_a_trainees_kernel_reads_nothing_but_its_own():
    """A Hub as the command starts it, in exam mode: T01's kernel and T01's tokens against all that is not T01's."""
    import psutil
    import requests

    from casekit.classroom.start import start

    top = Path(tempfile.mkdtemp(prefix="casekit-classroom-"))  # the folders of pytest are closed to other ids
    top.chmod(0o711)
    python = common_python(top)
    if python is None:
        shutil.rmtree(top)
        pytest.skip("no Python here can be run by other user ids")
    room = top / "room"
    room.mkdir()
    (room / "class.yaml").write_text(
        f"trainees: [T01, T02]\ninstructors: [I01]\nexam: true\nids: [{IDS[0]}, {IDS[1]}]\npython: {python}\n"
    )
    command = subprocess.Popen(
        [sys.executable, "-m", "casekit.command", "classroom", room, "--port", "0"],
        stdout=-1, stderr=subprocess.STDOUT, text=True, env={**os.environ, "CASEKIT_PASSPHRASE": "not for trainees"},
    )  # fmt: skip
    try:
        said = command.stdout.readline()
        address = re.match(r"http://127\.0\.0\.1:\d+", said)[0]
        known = read_passwords(room / "passwords.txt")
        assert token(address, "T01", known["T02"]) is None
        assert token(address, "T01", "") is None
        held = {name: token(address, name, known[name]) for name in ("T01", "T02", "I01")}

        def ask(who, path, method="GET"):
            headers = {"Authorization": f"token {held[who]}"}
            return requests.request(method, f"{address}{path}", headers=headers, timeout=60, allow_redirects=False)

        with ThreadPoolExecutor() as both:
            made = both.map(lambda name: ask(name, f"/hub/api/users/{name}/server", "POST").status_code, ("T01", "T02"))
            assert set(made) <= {201, 202}
        until = time.monotonic() + 60
        while not all(ask(n, f"/hub/api/users/{n}").json()["servers"].get("", {}).get("ready") for n in ("T01", "T02")):
            assert time.monotonic() < until, (room / "logs" / "T01.log").read_text()
            time.sleep(0.3)

        # What T01 asks of T02's with a token of its own, and what the service takes each one for.
        assert [ask("T01", "/user/T02/api/kernels", m).status_code for m in ("GET", "POST")] == [403, 403]
        assert ask("T01", "/hub/api/users/T02/server", "DELETE").status_code == 404
        assert ask("T01", "/hub/api/users/T02/server", "POST").status_code == 404
        assert ask("T02", "/user/T02/api/kernels").status_code == 200
        assert ask("T01", "/user/T01/lab").status_code == 200
        assert ask("I01", "/user/T01/api/kernels").status_code == 403
        me = {name: ask(name, "/services/casekit/api/me").json() for name in held}
        assert me == {name: {"user": name, "instructor": name == "I01"} for name in held}

        with pytest.raises(ScenarioError, match="a classroom runs here already"):
            start(room, 0)

        table = Accounts(room / "hub" / "accounts.json").read()
        secret = room / "service" / "case.yaml"
        secret.write_text("fault: W12")
        secret.chmod(0o600)
        os.chown(secret, table[":service"], table[":service"])
        (room / "homes" / "T02" / "answers.txt").write_text("W12")
        running = psutil.Process(command.pid).children(recursive=True)
        (hub,) = [p for p in running if "jupyterhub" in p.cmdline() and "-f" in p.cmdline()]
        (service,) = [p for p in running if "serve" in p.cmdline()]
        (proxy,) = [p for p in running if any(configuration.PROXY in word for word in p.cmdline())]
        (second,) = [p for p in running if p.uids().real == table["T02"] and "jupyterhub.singleuser" in p.cmdline()]
        assert (service.uids().real, hub.uids().real) == (table[":service"], 0)
        read = [secret, *sorted((room / "service").glob("*.sqlite")), room / "hub" / "hub.sqlite",
                room / "hub" / "accounts.json", room / "hub" / "cookie_secret", room / "passwords.txt",
                room / "class.yaml", room / "homes" / "T02" / "answers.txt", room / "logs" / "T01.log",
                *(f"/proc/{p.pid}/environ" for p in (hub, service, proxy, second))]  # fmt: skip
        shut = [room, room / "homes", room / "homes" / "T02", room / "service", room / "hub", room / "logs",
                f"/proc/{service.pid}/fd"]  # fmt: skip
        assert len(read) >= 13
        given = (
            f"READ = {[str(p) for p in read]!r}\nLIST = {[str(p) for p in shut]!r}\nSERVICE = {service.pid}\n"
            f"OTHER = '{address}/user/T02/api/kernels'\n"
        )
        found = json.loads(run(address, "T01", held["T01"], given + TRY))
        assert found["own"] == [4, "mine"]
        assert found["read"] == {str(path): "PermissionError" for path in read}
        assert found["list"] == {str(path): "PermissionError" for path in shut}
        assert (found["signal"], found["root"], found["other"]) == ("PermissionError", "PermissionError", 403)
        assert found["ids"] == [table["T01"], table["T01"], []]
        assert found["umask"] == 0o600
        assert found["me"] == {"user": "T01", "instructor": False}
        assert not {"CASEKIT_PASSPHRASE", "CASEKIT_CLASSROOM", "CONFIGPROXY_AUTH_TOKEN"} & set(found["environment"])
        assert {stat.S_IMODE(p.stat().st_mode) for p in (room / "service").glob("*.sqlite*")} == {0o600}
        assert stat.S_IMODE((room / "hub" / "hub.sqlite").stat().st_mode) == 0o600

        running = psutil.Process(command.pid).children(recursive=True)
        assert [p for p in running if "ipykernel_launcher" in p.cmdline()]
        command.send_signal(signal.SIGTERM)
        assert command.wait(30) == 0, command.stdout.read()
        assert psutil.wait_procs(running, timeout=5)[1] == []
    finally:
        if command.poll() is None:
            command.terminate()
            command.wait(50)
        command.stdout.close()
        shutil.rmtree(top)
