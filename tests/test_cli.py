"""The command line: every file whole, every mistake one sentence, every command with help."""

import json
import os
import subprocess
import sys

import numpy as np
import pypdf
import pytest
from PIL import Image

from analyzer import cli
from analyzer.show.output import FILES, MANIFEST
from tests.conftest import ROOT, short_stretch

PHOTO = str(ROOT / "demo_images/bore-even-attack.jpg")


def run(capsys, *arguments):
    code = cli.main(list(arguments))
    out, err = capsys.readouterr()
    return code, out, err


def test_examine_writes_every_file(tmp_path, capsys):
    folder = tmp_path / "result"
    code, out, err = run(
        capsys,
        "examine",
        PHOTO,
        "--view",
        "inside",
        "--tube",
        "3/4",
        "--marker",
        "card",
        "--units",
        "us",
        "--out",
        str(folder),
    )
    assert code == 0, err
    assert {path.name for path in folder.iterdir()} == {*FILES, MANIFEST}
    document = json.loads((folder / "examination.json").read_text())
    assert document["scale"]["method"] == "card"
    assert "Finding the pipe" in err and "Results in" in out
    sheet = pypdf.PdfReader(folder / "report.pdf").pages[0].mediabox
    assert (float(sheet.width), float(sheet.height)) == pytest.approx(
        (612, 792), abs=1
    )  # Letter, as asked by the units


def test_a_cut_ring_without_a_scale_is_written_whole(tmp_path, capsys):
    """There is nothing to lay flat and no wall in millimetres: the ring stands there as photographed."""
    folder = tmp_path / "result"
    code, _, err = run(
        capsys,
        "examine",
        str(ROOT / "demo_images/cut-ring.jpg"),
        "--view",
        "end",
        "--marker",
        "none",
        "--quiet",
        "--out",
        str(folder),
    )
    assert code == 0, err
    assert {path.name for path in folder.iterdir()} == {*FILES, MANIFEST}
    document = json.loads((folder / "examination.json").read_text())
    assert document["wall"]["minimum_mm"] is None and document["scale"]["mm_per_px"] is None
    outline = np.array(document["surface"]["outline_px"])
    shown = np.asarray(Image.open(folder / "unrolled.png"))
    foot = np.flatnonzero((shown == 255).all(axis=(1, 2)))[0]  # the white strip with the name and hash begins there
    shown = shown[:foot]
    assert shown.shape[1] / shown.shape[0] == pytest.approx(
        np.divide(*np.ptp(outline, axis=0)), rel=0.05
    )  # no empty frame: the ring itself
    assert shown.std() > 15


@pytest.mark.parametrize("command", ["open", "examine", "card", "facts", "rules", "schema"])
def test_every_command_has_help(command, capsys):
    with pytest.raises(SystemExit) as done:
        cli.main([command, "--help"])
    assert done.value.code == 0
    assert len(capsys.readouterr().out) > 150


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
        ([PHOTO, "--marker", "disc:150"], "5 to 120 mm"),  # the same limits as where the disc is looked for
        ([PHOTO, "--marker", "length:1,1,1,1,5"], "two different points"),
        ([PHOTO, "--marker", "length:nan,1,2,2,5"], "two different points"),
        ([PHOTO, "--marker", "length:1,1,2,2,inf"], "two different points"),
        ([PHOTO, "--tube", "9/7 Q"], "9/7 Q"),
        ([PHOTO, "--tube", "-15x0.7"], "is not a tube that can be read"),
        ([PHOTO, "--tube", "-.5"], "is not a tube that can be read"),
        ([PHOTO, "--facts", "nowhere.toml"], "no file"),
        ([PHOTO, "--readings", "nowhere.toml"], "nowhere.toml"),
        ([PHOTO, "--corrections", "nowhere.toml"], "no file"),
        ([PHOTO, "--light", "x.jpg"], "is not understood"),
        ([PHOTO, "--marker", "ruler", "--view", "inside"], "ruler"),
    ],
)
def test_a_mistake_gets_one_sentence(arguments, words, tmp_path, capsys):
    code, out, err = run(capsys, "examine", *arguments, "--quiet", "--out", str(tmp_path / "result"))
    assert code == 1 and out == ""
    assert err.startswith("cutpipe: ") and words in err and "Traceback" not in err
    assert not (tmp_path / "result").exists()


HUGE = "9" * 5000  # Python itself refuses to read a whole number that long
FILES_THAT_CANNOT_BE_RIGHT = [
    ("--facts", b"x = " + b"[" * 3000 + b"]" * 3000, "brackets"),
    ("--facts", b"age_years = " + HUGE.encode(), "cannot be read"),
    ("--facts", b"leak_dates = [2091-03-31]", "lies ahead of today"),
    ("--facts", b"age_years = " + b"9" * 400, "lies between"),
    ("--facts", b"age_years = 3\nage_years = 4", "stated twice"),
    ("--facts", "age_years = 3".encode("utf-16"), "UTF-8"),
    ("--facts", b'material = "' + b"x" * 5000 + b'"', "knows no"),
    ("--facts", b'material = "a\\nb"', "knows no"),
    ("--readings", b"x = " + b"[" * 3000 + b"]" * 3000, "brackets"),
    ("--readings", b'[[pit]]\nid = 1\ndepth_mm = 0.3\nconfirmed = "no"', "confirmed = no"),
    ("--readings", b"[[pit]]\nid = -1\ndepth_mm = 0.3", "names the pit -1"),
    ("--readings", b"[[pit]]\nid = 1\ndepth_mm = nan", "not a number"),
    ("--corrections", b"x = " + b"[" * 3000 + b"]" * 3000, "brackets"),
    ("--corrections", b'[[correction]]\nkind = "remove_pit"\npit = inf', "not inf"),
    ("--corrections", b'[[correction]]\nkind = "remove_pit"\npit = 1.7', "not 1.7"),
    (
        "--corrections",
        b'[[correction]]\nkind = "known_length"\npoints_px = [[1, 2], [3, 4]]\nlength_mm = ' + b"9" * 400,
        "numbers",
    ),
    ("--corrections", b'[[correction]]\nkind = "remove_pit"\npit = 1\nwho = [1]', "texts in quotes"),
    (
        "--corrections",
        b'[[correction]]\nkind = "leave_out"\npoints_px = [[1e12, 0], [1e12, 5], [0, 1e12]]',
        "far outside",
    ),
    ("--corrections", b'[[correction]]\nkind = "add_pit"\npoints_px = [[5, 5]]\ndiameter_px = 1e-9', "1 or more"),
    ("--prices", b"x = " + b"[" * 3000 + b"]" * 3000, "brackets"),
    ("--prices", b"repair_per_leak = " + b"9" * 400, "that large"),
    ("--prices", b'repair_per_leak = "900"', "plain number"),
]


@pytest.mark.parametrize("option, data, words", FILES_THAT_CANNOT_BE_RIGHT)
def test_a_file_that_cannot_be_right_gets_one_sentence(option, data, words, tmp_path, capsys):
    (tmp_path / "mine.toml").write_bytes(data)
    code, out, err = run(
        capsys, "examine", PHOTO, option, str(tmp_path / "mine.toml"), "--quiet", "--out", str(tmp_path / "result")
    )
    assert code == 1 and out == "" and words in err
    assert err.startswith("cutpipe: ") and err.count("\n") == 1 and len(err) < 600
    assert not (tmp_path / "result").exists()


@pytest.mark.parametrize(
    "option, sentence",
    [
        ("--facts", "age_years = 200000"),
        ("--prices", "house = 1"),
        ("--readings", "pit = 3"),
        ("--corrections", "a = 1"),
    ],
)
def test_a_text_editor_s_byte_order_mark_is_no_mistake(option, sentence, tmp_path, capsys):
    """With the mark in front the file is read, and refused for what it says, not for the mark."""
    (tmp_path / "mine.toml").write_bytes(b"\xef\xbb\xbf" + sentence.encode())
    _, _, err = run(
        capsys, "examine", PHOTO, option, str(tmp_path / "mine.toml"), "--quiet", "--out", str(tmp_path / "result")
    )
    assert "UTF-8" not in err and "cannot be read" not in err and err.startswith("cutpipe: ")


def test_no_pipe_in_view(tmp_path, capsys):
    rng = np.random.default_rng(1)
    table = Image.fromarray(rng.normal(150, 6, (900, 1200, 3)).clip(0, 255).astype(np.uint8))
    table.save(tmp_path / "table.jpg")
    code, _, err = run(
        capsys,
        "examine",
        str(tmp_path / "table.jpg"),
        "--view",
        "inside",
        "--marker",
        "none",
        "--quiet",
        "--out",
        str(tmp_path / "r"),
    )
    assert code == 1 and err.count("\n") == 1 and not (tmp_path / "r").exists()


def test_results_that_cannot_be_written(tmp_path, capsys):
    blocked = tmp_path / "file"
    blocked.write_text("here already")
    code, _, err = run(capsys, "card", "--out", str(blocked))
    assert code == 1 and "cannot be written" in err and blocked.read_text() == "here already"


def test_a_folder_in_the_way_leaves_no_half_result(tmp_path, demo_examination):
    from analyzer.base.flags import InputError
    from analyzer.show import output

    (tmp_path / "pits.csv").mkdir()
    with pytest.raises(InputError, match="stands a folder"):
        output.write(demo_examination, tmp_path, only=("pits.csv", "bands.csv", "examination.json"))
    assert [path.name for path in tmp_path.iterdir()] == ["pits.csv"]
    with pytest.raises(InputError, match="cannot be written"):
        output.write(demo_examination, tmp_path / ("x" * 300), only=("pits.csv",))


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
@pytest.mark.parametrize("arguments", [["facts"], ["card", "--paper", "a4", "--out"]], ids=["long", "short"])
def test_a_full_disk_behind_the_output_gets_one_sentence(arguments, tmp_path):
    """A long text fails while it is printed, a short one only when it is flushed."""
    arguments = [*arguments, str(tmp_path)] if arguments[-1] == "--out" else arguments
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "analyzer", *arguments],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=buffered,
        )
    assert done.returncode == 1 and done.stderr.count("\n") == 1 and "make room" in done.stderr


def test_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "analyzer", "--help"], capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0 and "cutpipe" in done.stdout


def test_importing_changes_nothing_of_the_host_program():
    """A program that only uses the analysis keeps its environment, thus its own number of threads."""
    command = (
        "import os, sys, cv2; before = dict(os.environ)\n"  # OpenCV itself sets where its own libraries lie
        "import analyzer, analyzer.cli; analyzer.examine, analyzer.Settings\n"
        "sys.exit(dict(os.environ) != before)"
    )
    variables = {name: value for name, value in os.environ.items() if not name.startswith("OPENBLAS")}
    assert subprocess.run([sys.executable, "-c", command], cwd=ROOT, env=variables).returncode == 0


def test_the_command_sets_one_thread_before_numpy_is_loaded():
    command = (
        "import os, sys, contextlib, io, analyzer.cli; assert 'numpy' not in sys.modules\n"
        "with contextlib.redirect_stdout(io.StringIO()): analyzer.cli.main([])\n"
        "sys.exit(os.environ['OPENBLAS_NUM_THREADS'] != '1')"
    )
    variables = {name: value for name, value in os.environ.items() if not name.startswith("OPENBLAS")}
    assert subprocess.run([sys.executable, "-c", command], cwd=ROOT, env=variables).returncode == 0


def written_with(tmp_path, streams, **variables):
    """Run ``examine`` in a shell with these streams; its code, what it said and the files that are there."""
    folder, photo = tmp_path / "out", tmp_path / "short.jpg"
    photo.write_bytes(short_stretch())
    command = f"'{sys.executable}' -m analyzer examine '{photo}' --view inside --tube 1 --marker ruler --out '{folder}' {streams}"
    done = subprocess.run(
        ["sh", "-c", command], cwd=ROOT, env=os.environ | variables, capture_output=True, text=True, errors="replace"
    )
    return done.returncode, done.stdout + done.stderr, {path.name for path in folder.iterdir()}


@pytest.mark.parametrize("streams", [">&- 2>&-", "2>/dev/full"])
def test_a_closed_terminal_loses_words_but_no_file(tmp_path, streams):
    code, said, there = written_with(tmp_path, streams)
    assert code == 0 and there == {*FILES, MANIFEST}
    assert "Traceback" not in said


def test_a_terminal_of_plain_letters_gets_all_files_and_plain_words(tmp_path):
    code, said, there = written_with(tmp_path, "", PYTHONIOENCODING="ascii")
    assert code == 0 and there == {*FILES, MANIFEST}
    assert "Traceback" not in said and "Results in" in said and said.isascii()


@pytest.mark.parametrize("command", ["facts", "rules", "schema"])
def test_what_becomes_a_file_is_utf_8_in_any_terminal(command, capsys):
    done = subprocess.run(
        [sys.executable, "-m", "analyzer", command],
        cwd=ROOT,
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        capture_output=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.decode("utf-8") == run(capsys, command)[1]  # as in a terminal that takes every letter
