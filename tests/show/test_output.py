"""The folder of results: whole or not there, whatever stops the program, and closed by hashes that another tool checks."""

import json
import os
import shutil
import subprocess
import sys

import numpy as np
import pytest

from analyzer.base.flags import InputError
from analyzer.show import output
from tests.conftest import ROOT

SMALL = ("pits.csv", "bands.csv", "examination.json", "pits-coco.json", "pit-labels.png")

# Two children write their own letter into every file of one folder, over and over, and are killed at random moments; after each
# pair the folder must be whole by its own list and of one letter. One process begets them all, for starting Python takes longest.
NURSERY = """
import os, random, signal, sys, time
from pathlib import Path
from analyzer.show import output
folder, rounds = Path(sys.argv[1]), int(sys.argv[2])
output.FILES.clear()
for n in range(8):
    output.FILES[f"file-{n}"] = lambda work: work.examination.encode() * 100_000
output.write("a", folder)
chance, seen = random.Random(5), set()
for _ in range(rounds):
    children = []
    for letter in "ab":
        child = os.fork()
        if child == 0:
            while True:
                output.write(letter, folder)
        children.append(child)
    chance.shuffle(children)  # whoever is killed last has usually written last: both letters are to be seen
    for child in children:
        time.sleep(chance.uniform(0.0, 0.15))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    lines = (folder / output.MANIFEST).read_text().splitlines()
    names = {line.split("  ", 1)[1] for line in lines}
    assert names == {path.name for path in folder.iterdir()} - {output.MANIFEST}, sorted(folder.iterdir())
    letters = {(folder / name).read_bytes()[:1] for name in names}
    assert len(letters) == 1 and all((folder / name).stat().st_size == 100_000 for name in names), letters
    seen |= letters
output.write("a", folder)
assert [path.name for path in folder.parent.iterdir()] == [folder.name], "leftovers"
print(len(seen))
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_random_the_folder_is_whole_and_of_one_run(tmp_path):
    command = [sys.executable, "-c", NURSERY, str(tmp_path / "result"), "60"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip() == "2"  # both wrote in turn, or nothing was put to the test


def test_the_closing_list_is_checked_by_another_tool(demo_examination, tmp_path):
    """GNU coreutils' sha256sum reads the form of a BagIt manifest (RFC 8493, 2.1.3)."""
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")
    output.write(demo_examination, tmp_path / "r", only=SMALL)
    check = [tool, "--check", "--strict", "--quiet", output.MANIFEST]
    assert subprocess.run(check, cwd=tmp_path / "r").returncode == 0
    with open(tmp_path / "r/pits.csv", "ab") as file:
        file.write(b" ")
    assert subprocess.run(check, cwd=tmp_path / "r", capture_output=True).returncode == 1


def test_an_earlier_run_goes_as_a_whole_and_nothing_else(demo_examination, tmp_path):
    folder = tmp_path / "r"
    output.write(demo_examination, folder, only=SMALL)
    output.write(demo_examination, folder, only=("pits.csv",))
    assert {path.name for path in folder.iterdir()} == {"pits.csv", output.MANIFEST}
    (folder / "letter.txt").write_text("not ours")
    with pytest.raises(InputError, match=r"holds letter\.txt"):
        output.write(demo_examination, folder, only=SMALL)
    assert {path.name for path in folder.iterdir()} == {"pits.csv", output.MANIFEST, "letter.txt"}


def test_the_folder_one_stands_in_is_not_replaced(demo_examination, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="the one you are in"):
        output.write(demo_examination, ".", only=("pits.csv",))
    assert not list(tmp_path.iterdir())


def test_a_disk_that_fills_leaves_what_stood_there(demo_examination, tmp_path, monkeypatch):
    folder = tmp_path / "r"
    output.write(demo_examination, folder, only=("pits.csv",))
    before = (folder / output.MANIFEST).read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="cannot be written"):
        output.write(demo_examination, folder, only=SMALL)
    assert (folder / output.MANIFEST).read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["r"]
    with pytest.raises(InputError, match="cannot be written"):
        output.write(demo_examination, tmp_path / "new/deep/r", only=SMALL)
    assert [path.name for path in tmp_path.iterdir()] == ["r"]


def test_one_file_that_cannot_be_made_does_not_cost_the_others(demo_examination, tmp_path, monkeypatch):
    def broken(work: output.Work) -> bytes:
        raise RuntimeError("a fault")

    monkeypatch.setitem(output.FILES, "bands.csv", broken)
    with pytest.raises(output.NotAllMade, match=r"bands\.csv could not be made") as told:
        output.write(demo_examination, tmp_path / "r", only=SMALL)
    there = {path.name for path in (tmp_path / "r").iterdir()}
    assert there == {path.name for path in told.value.paths} == {*SMALL, output.MANIFEST} - {"bands.csv"}


def test_coco_boxes_hold_their_pits(demo_examination):
    """The form of Lin et al. 2014: bbox is x, y, width, height; checked on the label picture itself."""
    told = json.loads(output.FILES["pits-coco.json"](output.Work(demo_examination)))
    labels = demo_examination.standing_pits.labels
    assert {row["name"] for row in told["categories"]} == {"pit", "mound"}
    assert (told["images"][0]["width"], told["images"][0]["height"]) == labels.shape[::-1]
    pits = [row for row in told["annotations"] if row["category_id"] == 1]
    assert len(pits) == len(demo_examination.standing_pits.pits) > 5
    for row in pits:
        rows, columns = np.nonzero(labels == row["pit"])
        x, y, width, height = row["bbox"]
        assert x <= columns.min() + 1 and y <= rows.min() + 1
        assert x + width >= columns.max() and y + height >= rows.max()
        xs, ys = ([v for part in row["segmentation"] for v in part[k::2]] for k in (0, 1))
        assert min(xs) >= x - 1 and max(xs) <= x + width and min(ys) >= y - 1 and max(ys) <= y + height
    assert len({row["id"] for row in told["annotations"]}) == len(told["annotations"])
