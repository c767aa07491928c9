"""The kept case: nothing saved is lost, nothing is changed unseen, whatever is killed or changed meanwhile.

The chain of hashes is checked against hashlib used directly (FIPS 180-4); the rest is what the case promises.
"""

import hashlib
import json
import os
import sqlite3
import subprocess
import sys

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


def test_a_sealed_name_cannot_be_told_by_trying_names(store):
    """A digest without salt would give a name away to whoever hashes a list of names (NIST SP 800-63B, 5.1.1.2: 32 bits at least; from memory)."""
    store.add("note", {"text": "one"}, private={"who": "R. Field"}, when=WHEN)
    store.add("note", {"text": "two"}, private={"who": "R. Field"}, when=WHEN)
    one, two = (entry.sealed["who"] for entry in store.entries()[-2:])
    assert one != two
    tries = (b"R. Field", b'"R. Field"', b'["","R. Field"]', b'["R. Field"]')
    assert not {one, two} & {hashlib.sha256(words).hexdigest() for words in tries}
    assert all(len(bytes.fromhex(entry.private["who"][0])) >= 4 for entry in store.entries() if "who" in entry.private)


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


# Two children keep photos and notes in one case and tell each number when it is kept; both are killed at random moments. What was
# told to be kept must then be there, the log must follow on, and another may go on at once. One process begets them all, for
# starting Python takes longest. Beginning a case is killed too: there is then no case, or one that opens.
NURSERY = """
import os, random, signal, sys, time
from pathlib import Path
from analyzer.case.log import faults
from analyzer.case.store import FILE, CaseStore
folder, kills = Path(sys.argv[1]), int(sys.argv[2])
when = "2026-11-20T10:00:00+00:00"
store, chance, told, half = CaseStore.open(folder), random.Random(7), set(), 0

def begotten(work):
    out, into = os.pipe()
    child = os.fork()
    if child:
        os.close(into)
        return child, out
    os.close(out)
    try:
        work(lambda number: os.write(into, b"%d\\n" % number))
    finally:
        os._exit(1)

def killed(child, out):
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(out) as said:
        return [int(line) for line in said.read().split()]

def keep(say):
    mine = os.getpid()
    for k in range(10**6):
        photo = b"%d %d" % (mine, k) * 3000
        say(store.add_photo(photo, file_name=f"{mine}-{k}.jpg", purpose="other", when=when).number)
        say(store.add("note", {"text": f"note {mine} {k}"}, when=when).number)

done = 0
while done < kills:
    pair = [begotten(keep) for _ in "ab"]
    for one in pair:
        time.sleep(chance.uniform(0.0, 0.08))
        told |= set(killed(*one))
        done += 1
    entries = store.entries()
    assert faults(entries) == () and [e.number for e in entries] == list(range(1, len(entries) + 1))
    assert told <= {e.number for e in entries}, sorted(told - {e.number for e in entries})
for k in range(kills // 10):
    place = folder.with_name(f"begun-{k}")
    one = begotten(lambda say: (CaseStore.begin(place, when=when, name="Alder Row"), say(1), time.sleep(9)))
    time.sleep(chance.uniform(0.0, 0.03))
    said = killed(*one)
    if (place / FILE).exists():
        begun = CaseStore.open(place)
        assert begun.faults() == () and begun.entries()[0].kind == "begun"
        assert not said or begun.state().description == {"name": "Alder Row"}
    else:
        half += 1
        assert not said
        CaseStore.begin(place, when=when)  # nothing in the way
assert store.faults() == ()  # every original that is named, to the byte
print(done, len(told), half)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_random_while_saving_nothing_saved_is_lost(store):
    command = [sys.executable, "-c", NURSERY, str(store.folder), "100"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    kills, told, _ = map(int, done.stdout.split())
    assert kills == 100 and told > 20  # they did write, or nothing was put to the test
