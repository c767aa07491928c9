"""Do the tests notice? Breaks one joint at a time in a copy of the project, runs the tests that should see it, and tells how many did.

    python -m tests.breakages            # all
    python -m tests.breakages 3 12       # these
    python -m tests.breakages --list
    python -m tests.breakages --whole    # the same checks with nothing broken: all must be green, or red means nothing

A breakage replaces one piece of text by another. One that no longer finds its text is "stale": put it right with the code that it breaks.
A breakage that stays green is a hole in the tests: add the check that turns it red, here is no place to explain it away.
"""

from __future__ import annotations

import multiprocessing
import os
import shlex
import shutil
import sys
import tempfile
import traceback
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
ONE_WAY, SAID, ROOMS = (f"tests/joints/test_{name}.py" for name in ("one_way_in", "said_and_not_lost", "between_rooms"))
TEXT, CASE_WAY, CORRECTED, LEFT_OUT = (
    f"tests/joints/test_{name}.py"
    for name in ("hostile_text", "one_way_in_of_a_case", "corrected_result", "leaving_out")
)
STORE, BUNDLE, FILES = (
    "tests/case/test_store.py",
    "tests/case/test_bundle.py",
    "tests/joints/test_files_tell_the_result.py",
)


class Breakage(NamedTuple):
    what: str
    file: str
    text: str
    broken: str
    tests: str  # as pytest takes them


BREAKAGES = [
    # --- from the pages into the analysis
    Breakage("the size of a pit typed in inches is taken for mm", "ui/sections/tools.py", "else size * factor", "else size", f"{ONE_WAY} -k 'correction and width and inches'"),
    Breakage("a length marked in inches is taken for mm", "ui/sections/tools.py", "else length * factor", "else length", f"{ONE_WAY} -k 'correction and length and inches'"),
    Breakage("places on the photo are not brought back from the shown picture", "ui/sections/tools.py", "[x / enlarge + left, y / enlarge + top]", "[x + left, y + top]", f"{ONE_WAY} -k 'correction and mouth'"),
    Breakage("the reason for a correction is dropped", "ui/sections/pit_card.py", '"why": state.typed("why") or "",', '"why": "",', f"{ONE_WAY} -k 'correction and mound'"),
    Breakage("a reading in inches is taken for mm", "ui/sections/wall.py", '"unit": unit,', '"unit": "mm",', f"{ONE_WAY} -k 'reading and inches and depth'"),
    Breakage("the method of a reading is dropped", "ui/sections/wall.py", '            row["method"] = method or USUAL_METHOD[kind]\n', "", f"{ONE_WAY} -k 'reading and sound'"),
    Breakage("the torch's direction is dropped", "ui/entries.py", 'place = {"azimuth_deg": azimuth_deg,', 'place = {"azimuth_deg": 0.0,', f"{ONE_WAY} -k 'further and light'"),
    Breakage("a number typed in the other units is taken for a metric one", "ui/sections/house.py", 'raw = f"{raw} {unit}"', "pass", f"{ONE_WAY} -k 'fact_of and psi'"),
    Breakage("answers are checked one at a time, never together", "ui/entries.py", "check_facts({**kept, quantity_id: raw}", "check_facts({quantity_id: raw}", f"{ONE_WAY} -k both_hold"),
    Breakage("the pages speak in the file's names", "ui/entries.py", "raise InputError(error.sentence) from None", "raise", f"{ONE_WAY} -k both_hold"),
    Breakage("an unusual value is not said beside its question", "ui/sections/house.py", "if flag is not None:", "if False:", f"{ONE_WAY} -k unusual"),
    Breakage("the pages conclude without corrections", "ui/looking.py", "conclude(seen, **said)", 'conclude(seen, **{**said, "corrections": ()})', f"{ONE_WAY} -k 'correction and mouth'"),
    Breakage("the pages save metric files whatever the units", "ui/looking.py", "return output.make(_examination, edition, only)", "return output.make(_examination)", f"{ONE_WAY} -k 'pages_save and us'"),
    # --- from the command line
    Breakage("the photo with the light behind is taken for a ring", "analyzer/cli.py", 'role="backlit"', 'role="ring"', f"{ONE_WAY} -k 'further and backlit'"),
    Breakage("the torch's height is dropped", "analyzer/cli.py", "elevation_deg=numbers[1]", "elevation_deg=30.0", f"{ONE_WAY} -k 'further and light'"),
    Breakage("prices are read and dropped", "analyzer/cli.py", "        prices=prices,\n", "", f"{ONE_WAY} -k prices"),
    Breakage("the units of the files are dropped", "analyzer/cli.py", "output.write(result, folder, units=options.units)", "output.write(result, folder)", "tests/test_cli.py -k writes_every_file"),
    # --- facts
    Breakage("the coarse word is not derived", "analyzer/result/examination.py", "with_coarse_words({**pattern.quantities, **wall.quantities, **told})", "{**pattern.quantities, **wall.quantities, **told}", f"{ONE_WAY} -k coarse"),
    Breakage("a bare dict is taken for facts", "analyzer/result/examination.py", "if facts is not None and not isinstance(facts, Facts):", "if False:", f"{ONE_WAY} -k not_checked"),
    Breakage("what was measured goes before what was told", "analyzer/result/examination.py", "{**pattern.quantities, **wall.quantities, **told}", "{**told, **pattern.quantities, **wall.quantities}", f"{ROOMS} -k told_goes_before"),
    Breakage("a key of the wall is misspelt", "analyzer/wall/remaining.py", 'made["remaining_wall_share"]', 'made["remaining_wal_share"]', f"{ROOMS} -k under_their_names"),
    Breakage("the largest pit forgets what nobody saw", "analyzer/marks/largest.py", " - (confidence * unseen * beyond).sum(1)", "", "tests/marks/test_largest.py"),
    Breakage("the largest pit is that of the list alone", "analyzer/marks/pattern.py", "largest = largest_opening(counted, pits.marks, surface.mm_per_px.value)", "largest = max(diameters, key=lambda d: d.value) if diameters else None", "tests/joints/test_files_tell_the_result.py -k headline"),
    Breakage("growth forgets a place thinner than any pit's", "analyzer/wall/remaining.py", "if remaining is not None and remaining.value < left.value:", "if False:", "tests/joints/test_figures_agree.py -k growth"),
    Breakage("a share of the wall is of the middle of several types", "analyzer/wall/remaining.py", "remaining.value / whole_mm", "remaining.value / (nominal.value if nominal else whole_mm)", "tests/joints/test_figures_agree.py -k one_wall"),
    Breakage("a word on a pit is kept by its number alone", "analyzer/case/commands.py", "    _bind_to_places(store, section, told)\n", "", "tests/case/test_series.py -k with_its_place"),
    Breakage("a scale from the tube is said to be none", "analyzer/result/examination.py", 'if surface.unit == "mm":  # the tube', "if False:  # the tube", "tests/test_truth_pictures.py -k scaled_by"),
    Breakage("a key of the pattern is misspelt", "analyzer/marks/pattern.py", '"largest_pit_mm"', '"largest_pitt_mm"', f"{ROOMS} -k under_their_names"),
    Breakage("unknown keys vanish", "analyzer/house/facts.py", "    if unknown:\n        raise ValueError", "    if False:\n        raise ValueError", "tests/house/test_facts.py -k no_rule_knows"),
    Breakage("flags of the facts are dropped", "analyzer/result/examination.py", ", *(facts.flags if facts is not None else ())))", "))", f"{ONE_WAY} -k unusual"),
    Breakage("flags of the derived figures are dropped", "analyzer/result/examination.py", "*derived_flags, ", "", f"{SAID} -k ph_9"),
    Breakage("the tube told with the photo is no fact", "analyzer/result/examination.py", "        told = {**told, **known}\n", "        pass\n", "tests/result/test_examination.py -k tube"),
    Breakage("the higher pressure by night is ignored in the house", "analyzer/house/derived.py", "flow.static_pressure(max(pressures))", "flow.static_pressure(pressures[0])", f"{ROOMS} -k higher_pressure"),
    Breakage("the higher pressure by night is ignored at the wall", "analyzer/wall/capacity.py", 'facts.get("static_pressure_night_kpa", facts.get("static_pressure_kpa"))', 'facts.get("static_pressure_kpa")', f"{ROOMS} -k higher_pressure"),
    # --- looking
    Breakage("the thickness of the disc is left out", "analyzer/scale/calibration.py", "(thickness[0] * (1 - RIM_SHARE), thickness[1]),", "(0.0, thickness[1]),", f"{ROOMS} -k disc_is_as_high"),
    Breakage("the ring's own scale is not taken at the cut", "analyzer/result/examination.py", "        surface = _at_the_cut(surface, ring)\n", "", f"{ROOMS} -k scale_of_its_ring"),
    Breakage("mounds outside an outline are kept", "analyzer/marks/catalogue.py", "mounds=tuple(mound for mound in self.mounds if kept.holds(mound.x_px, mound.y_px))", "mounds=self.mounds", f"{LEFT_OUT} -k mounds"),
    Breakage("light beside other light counts as a hole", "analyzer/relief/lights.py", "or not alone or not square", "or not square", f"{ROOMS} -k gleam"),
    Breakage("what the light behind shows does not reach the pits", "analyzer/result/examination.py", "replace(pit, through=seen_through[pit.id])", "pit", "tests/result/test_examination.py -k behind"),
    Breakage("a length marked on the main photo is used on the ring's", "analyzer/result/examination.py", "find_scale(photo, Marker(diameter_mm=marker.diameter_mm))", "find_scale(photo, marker)", "tests/result/test_examination.py -k ring"),
    Breakage("a ring without a scale is not said", "analyzer/result/examination.py", "    if ring.minimum_mm is None:\n        flags", "    if False:\n        flags", "tests/result/test_examination.py -k ring"),
    # --- the door
    Breakage("marks within the metal are a ruler", "analyzer/door/shown.py", "return shares is not None and shares[0] < LEAST_MARKER and shares[1] > MOST_PIECE", "return False", "tests/door/test_shown.py -k ruler"),
    Breakage("a ruler read off the metal gives the scale all the same", "analyzer/result/examination.py", "if shown.marker_in_metal and unnamed", "if False and unnamed", "tests/door/test_shown.py -k ruler"),
    Breakage("a coin that nobody named is passed over", "analyzer/result/examination.py", "disc_unnamed=unnamed", "disc_unnamed=False", "tests/door/test_shown.py -k coin"),
    Breakage("anything round is taken for a coin", "analyzer/door/shown.py", "shares[0] > COIN_MARKER", "shares[0] >= 0", "tests/door/test_shown.py -k coin"),
    Breakage("an outline across the metal passes", "analyzer/door/shown.py", "on_edges < LEAST_ON_EDGES and not taps", "False", "tests/door/test_shown.py -k goes_on"),
    Breakage("the network's word on the metal is dropped", "analyzer/door/shown.py", "return looks_of(self.colours, self.metal)", "return looks_of(self.colours, None)", "tests/door/test_shown.py -k both_ask"),
    Breakage("the network's word on the framing is dropped", "analyzer/door/shown.py", "seen_as.share >= SURE_FRAMING", "seen_as.share > 1", "tests/door/test_shown.py -k framing"),
    Breakage("the fit goes before sure looks", "analyzer/piece/view.py", "shares[looks] > SURE_BY_LOOKS", "shares[looks] > 2", "tests/piece/test_view.py"),
    Breakage("taps of the corrections are not looked with", "analyzer/result/examination.py", "    settings = with_taps(settings, corrections)\n", "", "tests/door/test_mend.py -k file"),
    Breakage("taps do not reach the outline", "analyzer/door/shown.py", "        found = mended(photo, so_far, found, taps)\n", "", "tests/door/test_mend.py"),
    Breakage("a tap on another part does not join it", "analyzer/door/mend.py", "    if parts > 1:", "    if False:", "tests/door/test_mend.py -k tape"),
    Breakage("the pages look without the taps", "ui/looking.py", "_look(store, piece, with_taps(piece.settings, piece.corrections))", "_look(store, piece, piece.settings)", f"{ONE_WAY} -k 'correction and place'"),
    # --- corrections, readings, wall
    Breakage("the pattern is that of the pits before the corrections", "analyzer/result/examination.py", "pattern = corrected_pattern = _pattern_of(", "corrected_pattern = _pattern_of(", f"{LEFT_OUT} -k colours"),
    Breakage("the wall is that of the pits before the corrections", "analyzer/result/examination.py", "surface, pits, relief = corrected.surface, corrected.pits, corrected.relief", "surface, relief = corrected.surface, corrected.relief", f"{CORRECTED} {LEFT_OUT}"),
    Breakage("a reading goes by its number, not by its place", "analyzer/wall/evidence.py", "            reading = replace(reading, pit=number)\n", "", f"{SAID} -k place"),
    Breakage("a word on a pit goes by its number, not by its place", "analyzer/result/corrections.py", "            if entry.points_px is not None:\n                number", "            if False:\n                number", f"{SAID} -k word_on"),
    Breakage("readings of one pit that contradict are not said", "analyzer/wall/remaining.py", "    found.flag_contradictions(gauge, draft)\n", "", f"{SAID} -k contradict"),
    Breakage("told depth does not join the readings", "analyzer/wall/remaining.py", "readings = _with_told(readings or Readings(), facts)", "readings = readings or Readings()", f"{SAID} -k reaches_the_wall"),
    Breakage("a reading of a pit taken out is not refused", "analyzer/result/examination.py", "        _check_still_there(readings, seen.pits, corrected)\n", "", f"{CORRECTED} -k taken_out"),
    # --- causes
    Breakage("nothing hinders a cause from fitting well beside an equal rival", "analyzer/causes/score.py", "rival.net > score.net - CLEAR_LEAD or ", "", f"{ROOMS} -k equal_rival"),
    Breakage("the plan is made without the facts", "analyzer/result/examination.py", "steps=steps.plan(quantities, judgement)", "steps=steps.plan({}, judgement)", f"{ROOMS} -k plan_knows"),
    Breakage("prices never reach the comparison", "analyzer/result/examination.py", "repair_or_replace(quantities, judgement, prices)", "repair_or_replace(quantities, judgement, None)", f"{SAID} -k prices"),
    Breakage("prices that nothing uses are not said", "analyzer/result/examination.py", "if prices is not None and house is None:", "if False:", f"{SAID} -k prices"),
    # --- files
    Breakage("the tables hold the pits before the corrections", "analyzer/show/output.py", "drawing.png(work.examination.standing_pits.labels)", "drawing.png(work.examination.pits.labels)", f"{CORRECTED} -k table_of_pits"),
    Breakage("one file that cannot be made costs all", "analyzer/show/output.py", "        except Exception as error:", "        except ZeroDivisionError as error:", f"{SAID} -k never_costs"),
    Breakage("a long remark is one row of the report", "analyzer/show/paper.py", "for part in _in_rows(pages, row, block):", "for part in (tuple(_breakable(cell) for cell in row),):", f"{SAID} -k long_remark"),
    Breakage("the closing list names other bytes", "analyzer/show/output.py", 'hashlib.sha256(data).hexdigest()}  {name}', 'hashlib.sha256(name.encode()).hexdigest()}  {name}', "tests/show/test_output.py -k another_tool"),
    Breakage("the results take the place of a folder with other things in it", "analyzer/show/output.py", "        _refuse_foreign(place, Path(folder))\n", "", "tests/show/test_output.py -k 'nothing_else or stands_in'"),
    Breakage("the report is metric whatever the units", "analyzer/show/output.py", "work.examination, edition=work.edition, sections=work.sections).encode()", "work.examination, edition=Edition(), sections=report.sections(work.examination)).encode()", f"{FILES} -k units_reach"),
    Breakage("the interval beside a headline figure is one standard deviation", "analyzer/show/phrases.py", "display.interval(measure, kind, units)\n\n\ndef examined", "display.value(measure, kind, units)\n\n\ndef examined", f"{FILES} -k headline"),
    Breakage("a file's name is markup in the report", "analyzer/show/webpage.py", "autoescape=True", "autoescape=False", "tests/show/test_report.py -k not_markup"),
    # --- what people write
    Breakage("signs that hide or turn round text stay in", "analyzer/base/text.py", 'sign if sign.isprintable() else " " for sign in str(text)', "sign for sign in str(text)", f"{TEXT} tests/base/test_text.py"),
    Breakage("a correction's words go in as they came", "analyzer/result/corrections.py", 'whole_line(row.get(name, ""), f"Correction {number}: {name}", longest=longest)', 'str(row.get(name, ""))', TEXT),
    Breakage("a full-width sign begins a formula in a table", "analyzer/base/text.py", "\\uff1d\\uff0b\\uff0d\\uff20", "", "tests/base/test_text.py -k formula"),
    Breakage("names go into the log as they came", "analyzer/case/store.py", "kept, private=told,", "kept, private=private,", TEXT),
    # --- the kept case
    Breakage("an entry does not name the one before", "analyzer/case/log.py", "dict(self.sealed), self.before]", 'dict(self.sealed), ""]', f"{STORE} -k chain"),
    Breakage("names in the log are hashed without salt", "analyzer/case/log.py", "canonical([salt, value])", 'canonical(["", value])', f"{STORE} -k trying_names"),
    Breakage("a changed original passes for the one that was kept", "analyzer/case/store.py", "if hashlib.sha256(data).hexdigest() != sha256:", "if False:", f"{STORE} -k changed_original"),
    Breakage("what another window wrote is not noticed", "analyzer/case/store.py", "if after is not None and last is not None and last.number != after:", "if False:", f"{STORE} -k two_windows"),
    Breakage("an entry that cannot be played is kept", "analyzer/case/store.py", "                state_of((*before, entry))  # an", "                # an", f"{STORE} -k refused_and_not_kept"),
    Breakage("undo takes nothing back", "analyzer/case/contents.py", '            undone.add(entry.content["of"])\n', "", f"{STORE} -k undo"),
    Breakage("corrections of a case are left out when it is examined", "analyzer/case/work.py", '"corrections": piece.corrections,', '"corrections": (),', CASE_WAY),
    Breakage("readings of a case lose their method", "analyzer/case/commands.py", "[_filled(vars(reading)) for", '[{k: v for k, v in _filled(vars(reading)).items() if k != "method"} for', CASE_WAY),
    Breakage("a case forgets where the torch was", "analyzer/case/work.py", "azimuth_deg=kept.azimuth_deg", "azimuth_deg=0.0", CASE_WAY),
    # --- sealed and checked
    Breakage("names leave the house in the sealed log", "analyzer/case/bundle.py", "to_lines(entries, private=with_private)", "to_lines(entries)", f"{BUNDLE} -k stay_at_home"),
    Breakage("names leave the house in the sealed report", "analyzer/case/bundle.py", "state = state_of(entries if with_private else tuple(entry.without_private() for entry in entries))", "state = state_of(entries)", f"{BUNDLE} -k 'stay_at_home or measured_again'"),
    Breakage("the camera's place data leaves the house", "analyzer/case/bundle.py", "            if not with_place:\n", "            if False:\n", f"{BUNDLE} -k at_home"),
    Breakage("a changed byte passes the check", "analyzer/case/bundle.py", "= _hash(path, algorithm) == digest", "= True", f"{BUNDLE} -k damage"),
    Breakage("a file put in after sealing passes the check", "analyzer/case/bundle.py", "for name in sorted(there - set(named))]", "for name in ()]", f"{BUNDLE} -k damage"),
    Breakage("any signature fits", "analyzer/case/bundle.py", '        public.verify(bytes.fromhex(row["signature"]), (bag / SIGNED).read_bytes())\n', "", f"{BUNDLE} -k resealed"),
    Breakage("a figure that differs when measured again counts as rounding", "analyzer/case/bundle.py", "rel_tol=rounding", "rel_tol=0.1", f"{BUNDLE} -k measured_again"),
    Breakage("a zip file may write outside the bundle", "analyzer/case/bundle.py", "if outside or kind not in", "if kind not in", f"{BUNDLE} -k hostile"),
    # --- the door
    Breakage("causes rest on a picture that shows no piece for sure", "analyzer/result/examination.py", "    if seen.shown.sure and not asked:\n", "    if True:\n", "tests/door/test_shown.py -k 'without_pipe or cannot_be_seen'"),
    Breakage("a damaged file is counted as a whole one", "analyzer/door/shown.py", "    if photo.complaints or photo.even_share:\n", "    if False:\n", "tests/door/test_shown.py"),
    Breakage("a blurred picture is counted like a sharp one", "analyzer/door/shown.py", "why = why_not_countable(sharpness, photo)", 'why = ""', "tests/door/test_shown.py -k cannot_be_seen"),
    Breakage("the marker plays no part in how sharp the picture is", "analyzer/door/shown.py", "measure_sharpness(photo, metal, calibration.marker_outlines_px, mm_per_px)", "measure_sharpness(photo, metal, (), mm_per_px)", "tests/door/test_shown.py -k at_the_marker"),
    # --- ring and relief
    Breakage("the thinnest place of the ring is told on its other side", "analyzer/ring/cut_ring.py", "angle = (place * 360.0 / ANGLES + 180.0) % 360.0 - 180.0", "angle = (place * 360.0 / ANGLES) % 360.0 - 180.0", "tests/ring/test_ring.py -k 'drawn_ring or turning'"),
    Breakage("white that spreads is taken for metal of the ring", "analyzer/ring/cut_ring.py", "wall_px = np.maximum(wall_px - (spread[0] + spread[1]) * weight, 0.0)", "pass", "tests/ring/test_ring.py -k overexposed"),
    Breakage("of a ring partly left out the thinnest place stays", "analyzer/ring/cut_ring.py", "np.argmin(np.where(left, wall, np.inf))", "np.argmin(wall)", f"{LEFT_OUT} -k thinnest"),
    Breakage("the torch's direction turns the other way round", "analyzer/relief/lights.py", "math.cos(elevation) * math.sin(azimuth), math.sin(elevation)", "-math.cos(elevation) * math.sin(azimuth), math.sin(elevation)", "tests/relief/test_relief.py -k direction_alone"),
    Breakage("metal over the marker is said to have no hole", "analyzer/relief/lights.py", "elif metal[row, column] and not shut[row, column]:", "elif metal[row, column]:", "tests/relief/test_relief.py -k on_the_card"),
]  # fmt: skip


def tried(breakage: Breakage, copy: Path) -> str:
    """ "red", "green", "stale", or why it was not run."""
    path = copy / breakage.file
    whole = path.read_text(encoding="utf-8")
    if breakage.text not in whole:
        return "stale"
    path.write_text(whole.replace(breakage.text, breakage.broken, 1), encoding="utf-8")
    log = copy / "breakage.log"
    try:
        process = PROCESSES.Process(target=_run, args=(str(copy), breakage.tests, str(log)))
        process.start()
        process.join()
        said = log.read_text(encoding="utf-8", errors="replace")
        # What a failed check leaves open can trip pytest itself at its end: a failed check all the same.
        if process.exitcode not in (0, 1, 2) and "\nFAILED " not in said:
            return f"not run ({said[-300:]})"
        return "green" if process.exitcode == 0 else "red"
    finally:
        path.write_text(whole, encoding="utf-8")


# What is imported once for all: packages that no breakage touches. Loading them takes several times as long as most checks.
METHOD = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
PROCESSES = multiprocessing.get_context(METHOD)
PROCESSES.set_forkserver_preload(
    ["pytest", "hypothesis", "cv2", "scipy.optimize", "scipy.ndimage", "scipy.stats", "skimage", "pydantic", "pandas",
     "streamlit.testing.v1", "onnxruntime", "matplotlib.figure", "fpdf", "jinja2", "pypdf", "bagit"]
)  # fmt: skip


def _run(copy: str, tests: str, log: str) -> None:
    """The tests of a breakage, in a process of its own, on the copy and on nothing else."""
    for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "analyzer", "ui")]:
        del sys.modules[name]
    sys.path[:] = [copy, *(path for path in sys.path if Path(path).resolve() != ROOT)]
    os.chdir(copy)
    os.environ |= {"PYTHONPATH": copy, "PYTHONDONTWRITEBYTECODE": "1", "OPENBLAS_NUM_THREADS": "1"}
    sys.dont_write_bytecode = True
    handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    import pytest

    # Preloaded plugins cannot be rewritten any more, and need not be.
    options = ["-q", "-x", "-n", "0", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    try:
        code = int(pytest.main([*options, *shlex.split(tests)]))
    except BaseException:  # not a check that failed, so not "red"
        traceback.print_exc()
        code = 70
    sys.stdout.flush()
    os._exit(code)


def main(arguments: list[str]) -> int:
    if "--list" in arguments:
        for number, breakage in enumerate(BREAKAGES, 1):
            print(f"{number:3d}  {breakage.what}")
        return 0
    whole = "--whole" in arguments
    chosen = [int(word) for word in arguments if word != "--whole"] or list(range(1, len(BREAKAGES) + 1))
    if whole:
        chosen = list({BREAKAGES[number - 1].tests: number for number in chosen}.values())
    told: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "project"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "*-examined"))
        for number in chosen:
            breakage = BREAKAGES[number - 1]
            result = tried(breakage._replace(broken=breakage.text) if whole else breakage, copy)
            told[result] = told.get(result, 0) + 1
            print(f"{number:3d}  {result:6}  {breakage.tests if whole else breakage.what}", flush=True)
    seen = told.get("green" if whole else "red", 0)
    print(
        f"{seen} of {sum(told.values())} {'stayed green' if whole else 'turned the tests red'}; "
        + ", ".join(f"{v} {k}" for k, v in told.items())
    )
    return 0 if seen == sum(told.values()) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
