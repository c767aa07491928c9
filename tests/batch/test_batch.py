"""Many photos: the same results as one by one, told in tables that other programs read, and nothing lost when a run is ended."""

import csv
import json
import os
import signal
import subprocess
import sys

import pyarrow.parquet
import pytest

from analyzer.base.flags import InputError
from analyzer.batch import run as batch_run
from analyzer.batch.one import COLUMNS, FEW_FILES, Plan, examine_one, key_of
from analyzer.cli import main
from analyzer.photo.reading import read_bytes
from analyzer.result.examination import Settings
from tests.conftest import ROOT, short_stretch


@pytest.fixture(scope="module")
def small_photo():
    return short_stretch()


@pytest.fixture(scope="module")
def done(small_photo, tmp_path_factory):
    """A run over two photos, one below in a folder, one damaged file, one that is no photo and one with a name like a formula."""
    folder = tmp_path_factory.mktemp("photos")
    (folder / "below").mkdir()
    (folder / "one.jpg").write_bytes(small_photo)
    (folder / "below" / "one.jpg").write_bytes(small_photo)
    (folder / "=2+3.jpg").write_bytes(small_photo[:2000])
    (folder / "notes.txt").write_text("no photo")
    out = folder.parent / "out"
    said = []
    total = batch_run.run(folder, out, Plan(), jobs=2, say=lambda words, share: said.append((words, share)))
    return folder, out, total, said


def rows_of(out):
    with open(out / "photos.csv", newline="", encoding="utf-8") as file:
        return {row["photo"]: row for row in csv.DictReader(file)}


def test_each_photo_has_its_row_and_its_folder(done):
    _, out, total, said = done
    rows = rows_of(out)
    assert list(rows) == ["'=2+3.jpg", "below/one.jpg", "one.jpg"], (
        "a name like a formula is text (OWASP, CSV Injection)"
    )
    assert (total.photos, total.before, total.now, total.problems) == (3, 0, 3, 1)
    assert "damaged" in rows["'=2+3.jpg"]["problem"] and not rows["'=2+3.jpg"]["folder"]
    for name in ("below/one.jpg", "one.jpg"):
        place = out / rows[name]["folder"]
        assert {path.name for path in place.iterdir()} == {*FEW_FILES, "manifest-sha256.txt"}
        record = json.loads((place / "examination.json").read_text(encoding="utf-8"))
        assert float(rows[name]["pit_count"]) == record["density"]["pit_count"]["value"]
        assert float(rows[name]["mm_per_px_low_95"]) == record["scale"]["mm_per_px"]["interval_95"][0]
        assert rows[name]["remaining_wall_mm"] == "", "what is not known is empty, not nought"
    assert rows["one.jpg"]["folder"] != rows["below/one.jpg"]["folder"], "one name in two folders is two photos"
    assert [share for _, share in said] == sorted(share for _, share in said[:-1]) + [said[-1][1]]


def test_parquet_says_the_same_as_csv(done):
    """Read by Apache Arrow's own reader."""
    _, out, _, _ = done
    table = pyarrow.parquet.read_table(out / "photos.parquet")
    assert table.column_names == list(COLUMNS)
    rows = rows_of(out)
    for line in table.to_pylist():
        told = rows[line["photo"] if line["photo"] in rows else f"'{line['photo']}"]
        assert told["pit_count"] == ("" if line["pit_count"] is None else str(line["pit_count"]))
    assert table.schema.field("pit_count").type == pyarrow.float64()


def test_the_same_files_as_one_by_one(done, tmp_path):
    """``cutpipe examine`` and ``cutpipe batch`` give the same record and tables, to the byte (one thread or several)."""
    folder, out, _, _ = done
    assert main(["examine", str(folder / "one.jpg"), "--out", str(tmp_path / "alone"), "--quiet"]) == 0
    place = out / rows_of(out)["one.jpg"]["folder"]
    for name in FEW_FILES:
        assert (place / name).read_bytes() == (tmp_path / "alone" / name).read_bytes(), name


def test_pages_escape_and_link(done):
    _, out, _, _ = done
    page = (out / "index.html").read_text(encoding="utf-8")
    for row in rows_of(out).values():
        if row["folder"]:
            assert f'href="{row["folder"]}/examination.json"' in page
            assert (out / row["folder"].replace("photos/", "small/", 1)).with_suffix(".jpg").is_file()
    assert "not known" in page and "never proves a cause" in page


def test_again_does_nothing_twice(done, monkeypatch, tmp_path):
    folder, out, _, _ = done
    place = out / rows_of(out)["one.jpg"]["folder"]
    worked = []
    monkeypatch.setattr(batch_run._Run, "_work", lambda self, waiting, make, at_once: worked.extend(waiting))
    again = batch_run.run(folder, out, Plan(), jobs=1)
    assert worked == [] and again.before == 3
    (place / "manifest-sha256.txt").rename(tmp_path / "kept")
    batch_run.run(folder, out, Plan(), jobs=1)
    (tmp_path / "kept").rename(place / "manifest-sha256.txt")
    assert worked == ["one.jpg"], "a result that is gone is made again"


def test_the_key_hangs_on_photo_and_plan():
    base = key_of("a.jpg", b"1", Plan())
    others = [
        key_of("b.jpg", b"1", Plan()),
        key_of("a.jpg", b"2", Plan()),
        key_of("a.jpg", b"1", Plan(facts_toml="age_years = 3")),
        key_of("a.jpg", b"1", Plan(units="us")),
        key_of("a.jpg", b"1", Plan(reports=True)),
        key_of("a.jpg", b"1", Plan(settings=Settings(tube="1/2 M"))),
    ]
    assert len({base, *others}) == 7


def test_a_killed_run_goes_on_where_it_was(small_photo, tmp_path):
    folder, out = tmp_path / "photos", tmp_path / "out"
    folder.mkdir()
    for n in range(4):
        (folder / f"{n}.jpg").write_bytes(small_photo + bytes([n]))  # four files, each of its own hash
    command = [sys.executable, "-m", "analyzer.cli", "batch", str(folder), "--out", str(out), "--jobs", "1"]
    run = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True)
    while b"1 of 4" not in run.stderr.readline():
        assert run.poll() is None
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    run.stderr.close()
    kept = len(list((out / "photos").iterdir()))
    assert 1 <= kept < 4
    second = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert second.returncode == 0, second.stderr
    assert f"{kept} of them done before" in second.stdout or f"{kept - 1} of them done before" in second.stdout
    assert len(rows_of(out)) == 4 and not any(row["problem"] for row in rows_of(out).values())


def test_a_worker_that_is_ended_costs_no_other_photo(small_photo, tmp_path, monkeypatch):
    """One photo ends its process each time, as the system does where memory runs out: it is named, the others are examined."""
    folder, out = tmp_path / "photos", tmp_path / "out"
    folder.mkdir()
    for name in ("a", "deadly", "z"):
        (folder / f"{name}.jpg").write_bytes(small_photo)
    monkeypatch.setattr(batch_run, "examine_one", ends_its_process)
    total = batch_run.run(folder, out, Plan(), jobs=1)
    rows = rows_of(out)
    assert total.problems == 1 and "want of memory" in rows["deadly.jpg"]["problem"]
    assert rows["a.jpg"]["folder"] and rows["z.jpg"]["folder"]


def ends_its_process(name, data, plan):
    if name == "deadly.jpg":
        os.kill(os.getpid(), signal.SIGKILL)
    return examine_one(name, data, plan)


def test_two_runs_do_not_mix(done):
    folder, out, _, _ = done
    held = batch_run.Ledger(out)
    try:
        with pytest.raises(InputError, match="Another run is at work"):
            batch_run.run(folder, out, Plan(), jobs=1)
    finally:
        held.close()


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda place: place / "nowhere", "is not a folder"),
        (lambda place: place, "There is no photo in"),
    ],
)
def test_a_folder_without_photos_is_told(tmp_path, make, sentence):
    with pytest.raises(InputError, match=sentence):
        batch_run.run(make(tmp_path), tmp_path / "out", Plan())


def test_results_never_lie_over_other_things(done, tmp_path):
    folder, _, _, _ = done
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="holds other things"):
        batch_run.run(folder, tmp_path, Plan())
    with pytest.raises(InputError, match="over the photos"):
        batch_run.run(folder, folder, Plan())
    assert {path.name for path in tmp_path.iterdir()} == {"mine.txt"}


def test_links_out_of_the_folder_and_pipes_are_no_photos(small_photo, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "real.jpg").write_bytes(small_photo)
    (tmp_path / "secret.jpg").write_bytes(small_photo)
    (folder / "link.jpg").symlink_to(tmp_path / "secret.jpg")
    os.mkfifo(folder / "pipe.jpg")
    (folder / ".hidden.jpg").write_bytes(small_photo)
    assert list(batch_run.find_photos(folder)) == ["real.jpg"]
    with pytest.raises(Exception, match="pipe or a device"):
        read_bytes(folder / "pipe.jpg")


def test_a_fault_in_the_facts_is_told_once_before_any_photo(done, tmp_path, capsys):
    folder, _, _, _ = done
    (tmp_path / "house.toml").write_text("age_years = 'old'\n")
    assert main(["batch", str(folder), "--out", str(tmp_path / "out"), "--facts", str(tmp_path / "house.toml")]) == 1
    assert "age_years" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_cluster_gives_the_same_bytes_and_bears_the_loss_of_a_worker(done, tmp_path):
    """Two Dask workers on loopback; one is killed in the middle. The judge is this computer's own run."""
    distributed = pytest.importorskip("distributed")
    folder, out, _, _ = done
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as cluster:
        killed = []

        def kill_one(words, share):
            if not killed:
                worker = next(iter(cluster.workers.values()))
                killed.append(worker.pid)
                os.kill(worker.pid, signal.SIGKILL)

        total = batch_run.run(folder, tmp_path / "out", Plan(), scheduler=cluster.scheduler_address, say=kill_one)
    assert killed and total.photos == 3 and total.problems == 1
    assert (tmp_path / "out" / "photos.csv").read_bytes() == (out / "photos.csv").read_bytes()
    for name in FEW_FILES:
        place = rows_of(out)["one.jpg"]["folder"]
        assert (tmp_path / "out" / place / name).read_bytes() == (out / place / name).read_bytes(), name


def test_no_cluster_at_the_address_is_one_sentence(done, tmp_path):
    pytest.importorskip("distributed")
    folder, _, _, _ = done
    with pytest.raises(InputError, match="No Dask scheduler"):
        batch_run.run(folder, tmp_path / "out", Plan(), scheduler="tcp://127.0.0.1:1")
