"""Sealed cases: what can be read of one, who can open it, and that nothing in it can be changed."""

import json
import shutil

import pytest

import casekit
from casekit import ScenarioError
from casekit.command import main
from casekit.files import library
from casekit.files.sealed import read_sealed, unsealed
from casekit.teaching.seal import sealed_case

CASE, PASSPHRASE = "oil-and-boost-low", "gull on the crane 7"


@pytest.fixture
def scenarios(tmp_path, monkeypatch):
    """A scenarios folder in which the case is there only sealed."""
    folder = tmp_path / "scenarios"
    for kind in ("machines", "cases"):
        (folder / kind).mkdir(parents=True)
    for machine in library.names("machines"):
        shutil.copy(library.scenario_folder() / "machines" / f"{machine}.yaml", folder / "machines")
    sealed_case(CASE, PASSPHRASE, folder / "cases")
    monkeypatch.setenv("CASEKIT_SCENARIOS", str(folder))
    monkeypatch.setattr(library, "_passphrases", [])
    return folder


def test_the_file_shows_the_sheet_and_not_the_answer(scenarios):
    text = (scenarios / "cases" / f"{CASE}.sealed").read_text()
    assert "Red oil lamp" in text
    for secret in ("W42", "CP3", "faults", "explanation", "open,"):
        assert secret not in text
    assert casekit.list_cases()["case"].tolist() == [CASE]
    assert casekit.list_cases()["title"].tolist() == ["Oil pressure and boost pressure both low"]


def test_it_is_played_after_it_was_opened(scenarios, tmp_path):
    with pytest.raises(ScenarioError) as caught:
        casekit.open_case(CASE)
    assert str(caught.value) == (
        f"{CASE} is sealed; open it with casekit.unlock, or CASEKIT_PASSPHRASE, and your class's passphrase."
    )
    assert casekit.unlock(PASSPHRASE) == f"1 sealed case is open: {CASE}"
    bench = casekit.resume_case(CASE, folder=tmp_path)
    bench.key("on")
    assert bench.volts("B9.1", "G1.-").value < 0.1
    assert casekit.variants(CASE) == [0, *library.variants(CASE)]
    assert len(casekit.variants(CASE)) > 1


def test_the_environment_may_hold_the_passphrase(scenarios, monkeypatch):
    monkeypatch.setenv("CASEKIT_PASSPHRASE", PASSPHRASE)
    assert casekit.open_case(CASE).title == "Oil pressure and boost pressure both low"


def test_another_passphrase_opens_nothing(scenarios):
    path = scenarios / "cases" / f"{CASE}.sealed"
    with pytest.raises(ScenarioError) as caught:
        casekit.unlock("gull on the crane 8")
    assert str(caught.value) == (
        f"{path}: the passphrase does not open this case, or the file was changed; ask your instructor."
    )


@pytest.mark.parametrize("key", ["title", "codes", "salt", "nonce", "secret"])
def test_nothing_in_it_can_be_changed(scenarios, key):
    path = scenarios / "cases" / f"{CASE}.sealed"
    data = json.loads(path.read_text())
    data[key] = ["P0001"] if key == "codes" else "A" + data[key][1:] if data[key][0] != "A" else "B" + data[key][1:]
    path.write_text(json.dumps(data))
    with pytest.raises(ScenarioError, match="the passphrase does not open this case, or the file was changed"):
        unsealed(read_sealed(path), PASSPHRASE)


def test_sealed_twice_it_is_never_the_same(tmp_path):
    (tmp_path / "a").mkdir()
    first = sealed_case(CASE, PASSPHRASE, tmp_path).read_text()
    assert sealed_case(CASE, PASSPHRASE, tmp_path / "a").read_text() != first


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("{}", "this is not a sealed case; make it anew with casekit seal."),
        ("\xff", "this is not a sealed case; make it anew with casekit seal."),
        ('{"casekit sealed case": 2}', "this seal is of another version of casekit; make it anew with casekit seal."),
        ('{"casekit sealed case": 1, "case": "x"}', "the sealed case is damaged; get the file once more."),
    ],
)
def test_a_damaged_file_is_told(scenarios, text, sentence):
    path = scenarios / "cases" / f"{CASE}.sealed"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(ScenarioError) as caught:
        read_sealed(path)
    assert str(caught.value) == f"{path}: {sentence}"
    assert main(["check", str(scenarios)]) == 1


def test_by_command(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("CASEKIT_PASSPHRASE", PASSPHRASE)
    assert main(["seal", CASE, str(tmp_path)]) == 0
    assert capsys.readouterr().out.strip() == f"{tmp_path / CASE}.sealed written"
    monkeypatch.setenv("CASEKIT_PASSPHRASE", "short")
    assert main(["seal", CASE, str(tmp_path)]) == 1
    assert capsys.readouterr().err.strip() == "the passphrase has 5 characters; take at least 8, better a sentence."
    monkeypatch.setenv("CASEKIT_PASSPHRASE", PASSPHRASE)
    assert main(["seal", CASE, str(tmp_path / "class" / "of spring")]) == 0
    assert (tmp_path / "class" / "of spring" / f"{CASE}.sealed").exists()
    capsys.readouterr()
    (tmp_path / "file").write_text("")
    assert main(["seal", CASE, str(tmp_path / "file")]) == 1
    assert capsys.readouterr().err.strip() == f"{tmp_path / 'file'}: file exists; choose another."


def test_no_passphrase_is_given(tmp_path, monkeypatch, capsys):
    """As with `casekit seal CASE </dev/null`: there is nobody to ask."""

    def nobody(prompt):
        raise EOFError

    monkeypatch.delenv("CASEKIT_PASSPHRASE", raising=False)
    monkeypatch.setattr("getpass.getpass", nobody)
    assert main(["seal", CASE, str(tmp_path)]) == 1
    assert capsys.readouterr().err.strip() == (
        f"{CASE}: no passphrase was given; type it when it is asked for, or set CASEKIT_PASSPHRASE to it."
    )
    assert not list(tmp_path.iterdir())


def test_nothing_sealed_here(tmp_path, monkeypatch):
    (tmp_path / "machines").mkdir()
    monkeypatch.setenv("CASEKIT_SCENARIOS", str(tmp_path))
    with pytest.raises(ScenarioError) as caught:
        casekit.unlock(PASSPHRASE)
    assert str(caught.value) == f"{tmp_path / 'cases'}: there is no sealed case here; put the file there first."
