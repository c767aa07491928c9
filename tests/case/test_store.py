"""The kept case: nothing saved is lost, nothing is changed unseen, whatever is killed or changed meanwhile.

The chain of hashes is checked against hashlib used directly (FIPS 180-4); the rest is what the case promises.
"""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time

import pytest

from analyzer.base.flags import InputError
from analyzer.case.contents import state_of
from analyzer.case.log import FIRST, faults, from_lines, to_lines
from analyzer.case.store import CaseChanged, CaseStore
from tests.conftest import ROOT

WHEN = "2026-11-20T10:00:00+00:00"
RING = (ROOT / "demo_images/cut-ring.jpg").read_bytes()


@pytest.fixture
def store(tmp_path):
    return CaseStore.begin(tmp_path / "case", when=WHEN, who="R. Field", name="Alder Row", claim_number="A-17")


def test_a_case_remembers_what_it_was_told(store):
    store.add_photo(RING, file_name="ring.jpg", purpose="main", when=WHEN, who="R. Field")
    store.add("settings", {"view": "end", "tube": "3/4"}, when=WHEN)
    store.add("facts", {"answers": {"service": "cold", "age_years": 22}}, when=WHEN)
    store.add("handed_over", {"what": "both halves"}, private={"who": "R. Field", "to": "the laboratory"}, when=WHEN)
    state = CaseStore.open(store.folder).state()
    assert state.description == {"name": "Alder Row", "claim_number": "A-17"}
    assert state.piece().of("main")[0].file_name == "ring.jpg" and state.piece().settings.view == "end"
    assert state.answers == {"service": "cold", "age_years": 22} and state.hand_overs[0].to == "the laboratory"
    assert store.original(state.piece().photos[0].sha256) == RING and store.faults() == ()


def test_the_chain_is_plain_sha256_and_every_change_in_it_shows(store):
    store.add("note", {"text": "green at the strap"}, private={"who": "R. Field"}, when=WHEN)
    entries = store.entries()
    last = entries[-1]
    body = [last.number, last.when, last.kind, dict(last.content), dict(last.sealed), last.before]
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert last.hash == hashlib.sha256(text.encode()).hexdigest()
    assert entries[0].before == FIRST and faults(entries) == ()
    lines = to_lines(entries).splitlines()
    with pytest.raises(InputError, match="changed after it was written"):
        from_lines("\n".join([*lines[:-1], lines[-1].replace("green", "white")]))
    assert any("missing or were put in" in sentence for sentence in faults(entries[1:]))
    assert any("does not follow" in sentence for sentence in faults((entries[0], entries[2])))
    renamed = from_lines("\n".join(line.replace("R. Field", "S. Field") for line in lines))
    assert any("who of entry" in sentence for sentence in faults(renamed))  # names are sealed by their digests


def test_names_can_be_left_out_and_the_log_still_holds(store):
    bare = from_lines(to_lines(store.entries(), private=False))
    assert faults(bare) == () and "Alder" not in to_lines(bare) and state_of(bare).description == {}


def test_undo_and_redo_are_entries(store):
    before = store.state()
    store.add("facts", {"answers": {"service": "hot"}}, when=WHEN)
    told = store.state()
    store.undo(when=WHEN)
    assert store.state().answers == before.answers and len(store.entries()) == 4
    store.redo(when=WHEN)
    assert store.state().answers == told.answers and store.state().redoable is None
    store.undo(when=WHEN)
    store.add("note", {"text": "another way"}, when=WHEN)
    assert store.redo(when=WHEN) is None  # after a new change what was taken back stays so


def test_two_windows_do_not_write_over_each_other_silently(store):
    seen = store.entries()[-1].number
    store.add("note", {"text": "from the phone"}, when=WHEN, after=seen)
    with pytest.raises(CaseChanged, match="another window"):
        store.add("note", {"text": "from the laptop"}, when=WHEN, after=seen)
    assert [note.text for note in store.state().piece().notes] == ["from the phone"]


@pytest.mark.parametrize(
    "kind, content",
    [
        ("note", {"text": ""}),
        ("photo_added", {"sha256": "../../x", "file_name": "a", "purpose": "main"}),
        ("settings", {"view": "sideways"}),
        ("facts", {"answer": {}}),
        ("correction", {"correction": {"kind": "paint"}}),
        ("stolen", {}),
    ],
)
def test_what_cannot_be_right_is_refused_and_not_kept(store, kind, content):
    before = store.entries()
    with pytest.raises(InputError) as caught:
        store.add(kind, content, when=WHEN)
    assert str(caught.value).endswith(".") and store.entries() == before


def test_a_changed_original_and_a_torn_file_are_said(store, tmp_path):
    entry = store.add_photo(RING, file_name="ring.jpg", purpose="main", when=WHEN)
    place = store._place(entry.content["sha256"])
    place.write_bytes(RING[:-1])
    assert any("was changed" in sentence for sentence in store.faults())
    place.unlink()
    assert any("no longer" in sentence for sentence in store.faults())
    (store.folder / "case.sqlite").write_bytes(b"SQLite format 3\x00" + b"torn" * 100)
    with pytest.raises(InputError, match="cannot be read"):
        CaseStore.open(store.folder)
    with pytest.raises(InputError, match="holds no case"):
        CaseStore.open(tmp_path / "nothing")
    with pytest.raises(InputError, match="case already"):
        CaseStore.begin(store.folder, when=WHEN)


def test_a_newer_case_is_not_touched(store):
    with sqlite3.connect(store.folder / "case.sqlite") as base:
        base.execute("PRAGMA user_version = 99")
    with pytest.raises(InputError, match="newer cutpipe"):
        store.entries()


WRITER = """
import sys
from analyzer.case.store import CaseStore
store = CaseStore.open(sys.argv[1])
for k in range(10000):
    store.add_photo(b"photo %d" % k * 5000, file_name=f"{k}.jpg", purpose="other", when="2026-11-20T10:00:00+00:00")
    print(k, flush=True)
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_killed_while_saving_nothing_saved_is_lost(store):
    for round_ in range(4):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(store.folder)], stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(0.03 + 0.031 * round_)
        writer.send_signal(signal.SIGKILL)
        said = writer.stdout.read().split()
        writer.stdout.close()
        writer.wait()
        names = {photo.file_name for photo in store.state().piece().photos}
        assert {f"{k}.jpg" for k in [0, *map(int, said)]} <= names and store.faults() == ()
