"""The command line: every file whole, every mistake one sentence, every command with help."""

import json
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image

from analyzer import cli
from analyzer.output import FILES
from tests.conftest import ROOT

PHOTO = str(ROOT / "demo_images/bore-even-attack.jpg")


def run(capsys, *arguments):
    code = cli.main(list(arguments))
    out, err = capsys.readouterr()
    return code, out, err


def test_examine_writes_every_file(tmp_path, capsys):
    folder = tmp_path / "result"
    code, out, err = run(capsys, "examine", PHOTO, "--view", "inside", "--tube", "3/4", "--marker", "card", "--units", "us", "--out", str(folder))
    assert code == 0, err
    assert {path.name for path in folder.iterdir()} == set(FILES)
    document = json.loads((folder / "examination.json").read_text())
    assert document["scale"]["method"] == "card"
    assert "Finding the pipe" in err and "Results in" in out


@pytest.mark.parametrize("command", ["open", "examine", "card", "schema"])
def test_every_command_has_help(command, capsys):
    with pytest.raises(SystemExit) as done:
        cli.main([command, "--help"])
    assert done.value.code == 0
    assert len(capsys.readouterr().out) > 200 or command == "schema"


def test_schema_is_json(capsys):
    code, out, _ = run(capsys, "schema")
    assert code == 0 and json.loads(out)["$schema"].endswith("2020-12/schema")


def test_card_for_both_papers(tmp_path, capsys):
    assert run(capsys, "card", "--out", str(tmp_path))[0] == 0
    assert {path.name for path in tmp_path.iterdir()} == {"scale-card-a4.pdf", "scale-card-letter.pdf"}


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["nowhere.jpg"], "no file"),
        ([PHOTO, "--marker", "coin"], "is not understood"),
        ([PHOTO, "--marker", "disc:0.02"], "cannot be right"),
        ([PHOTO, "--marker", "length:1,1,1,1,5"], "two different points"),
        ([PHOTO, "--tube", "9/7 Q"], "9/7 Q"),
        ([PHOTO, "--facts", "nowhere.toml"], "cannot be"),
        ([PHOTO, "--readings", "nowhere.toml"], "nowhere.toml"),
        ([PHOTO, "--corrections", "nowhere.toml"], "cannot be read"),
        ([PHOTO, "--light", "x.jpg"], "is not understood"),
        ([PHOTO, "--marker", "ruler", "--view", "inside"], "ruler"),
    ],
)
def test_a_mistake_gets_one_sentence(arguments, words, tmp_path, capsys):
    code, out, err = run(capsys, "examine", *arguments, "--quiet", "--out", str(tmp_path / "result"))
    assert code == 1 and out == ""
    assert err.startswith("cutpipe: ") and words in err and "Traceback" not in err
    assert not (tmp_path / "result").exists()


def test_no_pipe_in_view(tmp_path, capsys):
    rng = np.random.default_rng(1)
    table = Image.fromarray(rng.normal(150, 6, (900, 1200, 3)).clip(0, 255).astype(np.uint8))
    table.save(tmp_path / "table.jpg")
    code, _, err = run(capsys, "examine", str(tmp_path / "table.jpg"), "--view", "inside", "--marker", "none", "--quiet", "--out", str(tmp_path / "r"))
    assert code == 1 and err.count("\n") == 1 and not (tmp_path / "r").exists()


def test_results_that_cannot_be_written(tmp_path, capsys):
    blocked = tmp_path / "file"
    blocked.write_text("here already")
    code, _, err = run(capsys, "card", "--out", str(blocked))
    assert code == 1 and "cannot be written" in err and blocked.read_text() == "here already"


def test_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "analyzer", "--help"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0 and "cutpipe" in done.stdout
