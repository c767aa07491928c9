"""Do the tests notice? Breaks one joint at a time in a copy of the project, runs the tests that should see it, and tells how many did.

    python -m tests.breakages            # all
    python -m tests.breakages 3 12       # these
    python -m tests.breakages --list

A breakage replaces one piece of text by another. One that no longer finds its text is "stale": put it right with the code that it breaks.
A breakage that stays green is a hole in the tests: add the check that turns it red, here is no place to explain it away.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
ONE_WAY, SAID, ROOMS = (f"tests/joints/test_{name}.py" for name in ("one_way_in", "said_and_not_lost", "between_rooms"))


class Breakage(NamedTuple):
    what: str
    file: str
    text: str
    broken: str
    tests: str  # as pytest takes them


BREAKAGES = [
    # --- from the pages into the analysis
    Breakage("the size of a pit typed in inches is taken for mm", "ui/sections/marks.py", 'row["diameter_mm"] = size * factor', 'row["diameter_mm"] = size', f"{ONE_WAY} -k 'correction and width and inches'"),
    Breakage("a length marked in inches is taken for mm", "ui/sections/marks.py", 'row["length_mm"] = length * factor', 'row["length_mm"] = length', f"{ONE_WAY} -k 'correction and length and inches'"),
    Breakage("places on the photo are not brought back from the shown picture", "ui/sections/marks.py", "[x / enlarge + left, y / enlarge + top]", "[x + left, y + top]", f"{ONE_WAY} -k 'correction and mouth'"),
    Breakage("the reason for a correction is dropped", "ui/sections/marks.py", '"why": why}', '"why": ""}', f"{ONE_WAY} -k 'correction and mound'"),
    Breakage("a reading in inches is taken for mm", "ui/sections/wall.py", '"unit": unit,', '"unit": "mm",', f"{ONE_WAY} -k 'reading and inches and depth'"),
    Breakage("the method of a reading is dropped", "ui/sections/wall.py", '                "method": method,\n', "", f"{ONE_WAY} -k 'reading and sound'"),
    Breakage("the torch's direction is dropped", "ui/state.py", "azimuth_deg=extra.azimuth_deg", "azimuth_deg=0.0", f"{ONE_WAY} -k 'further and light'"),
    Breakage("a number typed in the other units is taken for a metric one", "ui/sections/house.py", 'raw = f"{raw} {unit}"', "pass", f"{ONE_WAY} -k 'fact_of and psi'"),
    Breakage("answers are checked one at a time, never together", "ui/state.py", "_checked({**current.answers, quantity_id: raw})", "_checked({quantity_id: raw})", f"{ONE_WAY} -k both_hold"),
    Breakage("the pages speak in the file's names", "ui/state.py", "raise InputError(error.sentence) from None", "raise", f"{ONE_WAY} -k both_hold"),
    Breakage("an unusual value is not said beside its question", "ui/sections/house.py", "if flag is not None:", "if False:", f"{ONE_WAY} -k unusual"),
    Breakage("the pages conclude without corrections", "ui/state.py", "corrections=current.corrections, prices", "prices", f"{ONE_WAY} -k 'correction and mouth'"),
    Breakage("the pages save metric files whatever the units", "ui/state.py", "return output.make(_examination, units_)", "return output.make(_examination)", f"{ONE_WAY} -k 'pages_save and us'"),
    # --- from the command line
    Breakage("the photo with the light behind is taken for a ring", "analyzer/cli.py", 'role="backlit"', 'role="ring"', f"{ONE_WAY} -k 'further and backlit'"),
    Breakage("the torch's height is dropped", "analyzer/cli.py", "elevation_deg=numbers[1]", "elevation_deg=30.0", f"{ONE_WAY} -k 'further and light'"),
    Breakage("prices are read and dropped", "analyzer/cli.py", "        prices=prices,\n", "", f"{ONE_WAY} -k prices"),
    Breakage("the units of the files are dropped", "analyzer/cli.py", "output.write(result, folder, units=options.units)", "output.write(result, folder)", f"{ONE_WAY} -k 'pages_save and us'"),
    # --- facts
    Breakage("the coarse word is not derived", "analyzer/result/examination.py", "with_coarse_words({**pattern.quantities, **wall.quantities, **told})", "{**pattern.quantities, **wall.quantities, **told}", f"{ONE_WAY} -k coarse"),
    Breakage("a bare dict is taken for facts", "analyzer/result/examination.py", "if facts is not None and not isinstance(facts, Facts):", "if False:", f"{ONE_WAY} -k not_checked"),
    Breakage("what was measured goes before what was told", "analyzer/result/examination.py", "{**pattern.quantities, **wall.quantities, **told}", "{**told, **pattern.quantities, **wall.quantities}", ROOMS),
    Breakage("a key of the wall is misspelt", "analyzer/wall/remaining.py", 'made["remaining_wall_share"]', 'made["remaining_wal_share"]', f"{ROOMS} tests/wall"),
    Breakage("a key of the pattern is misspelt", "analyzer/marks/pattern.py", '"largest_pit_mm"', '"largest_pitt_mm"', f"{ROOMS} tests/marks/test_pattern.py"),
    Breakage("unknown keys vanish", "analyzer/house/facts.py", "    if unknown:\n        raise ValueError", "    if False:\n        raise ValueError", "tests/house/test_facts.py"),
    Breakage("flags of the facts are dropped", "analyzer/result/examination.py", ", *(facts.flags if facts is not None else ())))", "))", f"{ONE_WAY} -k unusual"),
    Breakage("flags of the derived figures are dropped", "analyzer/result/examination.py", "*derived_flags, ", "", f"{SAID} -k ph_9"),
    Breakage("the tube told with the photo is no fact", "analyzer/result/examination.py", "        told = {**told, **known}\n", "        pass\n", "tests/result/test_examination.py"),
    Breakage("the higher pressure by night is ignored in the house", "analyzer/house/derived.py", "flow.static_pressure(max(pressures))", "flow.static_pressure(pressures[0])", f"{ROOMS} tests/house/test_derived.py"),
    Breakage("the higher pressure by night is ignored at the wall", "analyzer/wall/capacity.py", 'facts.get("static_pressure_night_kpa", facts.get("static_pressure_kpa"))', 'facts.get("static_pressure_kpa")', ROOMS),
    # --- looking
    Breakage("the thickness of the disc is left out", "analyzer/scale/calibration.py", "(thickness[0] * (1 - RIM_SHARE), thickness[1]),", "(0.0, thickness[1]),", ROOMS),
    Breakage("the ring's own scale is not taken at the cut", "analyzer/result/examination.py", "        surface = _at_the_cut(surface, ring)\n", "", ROOMS),
    Breakage("mounds outside an outline are kept", "analyzer/marks/pits.py", "mounds=tuple(mound for mound in self.mounds if kept.holds(mound.x_px, mound.y_px))", "mounds=self.mounds", "tests/joints/test_leaving_out.py"),
    Breakage("light beside other light counts as a hole", "analyzer/relief/lights.py", "or not alone or not square", "or not square", ROOMS),
    Breakage("what the light behind shows does not reach the pits", "analyzer/result/examination.py", "replace(pit, through=seen_through[pit.id])", "pit", "tests/result/test_examination.py"),
    Breakage("a length marked on the main photo is used on the ring's", "analyzer/result/examination.py", "find_scale(photo, Marker(diameter_mm=marker.diameter_mm))", "find_scale(photo, marker)", "tests/result/test_examination.py"),
    Breakage("a ring without a scale is not said", "analyzer/result/examination.py", "    if ring.minimum_mm is None:\n        flags", "    if False:\n        flags", "tests/result/test_examination.py"),
    # --- corrections, readings, wall
    Breakage("the pattern is that of the pits before the corrections", "analyzer/result/examination.py", "pattern = corrected_pattern = _pattern_of(", "corrected_pattern = _pattern_of(", "tests/joints/test_corrected_result.py tests/joints/test_leaving_out.py"),
    Breakage("the wall is that of the pits before the corrections", "analyzer/result/examination.py", "surface, pits, relief = corrected.surface, corrected.pits, corrected.relief", "surface, relief = corrected.surface, corrected.relief", "tests/joints/test_corrected_result.py tests/joints/test_leaving_out.py"),
    Breakage("a reading goes by its number, not by its place", "analyzer/wall/evidence.py", "            reading = replace(reading, pit=number)\n", "", SAID),
    Breakage("a word on a pit goes by its number, not by its place", "analyzer/result/corrections.py", "            if entry.points_px is not None:\n                number", "            if False:\n                number", SAID),
    Breakage("readings of one pit that contradict are not said", "analyzer/wall/remaining.py", "    found.flag_contradictions(gauge, draft)\n", "", SAID),
    Breakage("told depth does not join the readings", "analyzer/wall/remaining.py", "readings = _with_told(readings or Readings(), facts)", "readings = readings or Readings()", f"{SAID} -k reaches_the_wall"),
    Breakage("a reading of a pit taken out is not refused", "analyzer/result/examination.py", "        _check_still_there(readings, seen.pits, corrected)\n", "", "tests/joints/test_corrected_result.py"),
    # --- causes
    Breakage("nothing hinders a cause from fitting well beside an equal rival", "analyzer/causes/score.py", "rival.net > score.net - CLEAR_LEAD or ", "", f"{ROOMS} tests/causes"),
    Breakage("the plan is made without the facts", "analyzer/result/examination.py", "steps=steps.plan(quantities, judgement)", "steps=steps.plan({}, judgement)", ROOMS),
    Breakage("prices never reach the comparison", "analyzer/result/examination.py", "repair_or_replace(quantities, judgement, prices)", "repair_or_replace(quantities, judgement, None)", f"{SAID} -k prices"),
    Breakage("prices that nothing uses are not said", "analyzer/result/examination.py", "if prices is not None and house is None:", "if False:", f"{SAID} -k prices"),
    # --- files
    Breakage("the tables hold the pits before the corrections", "analyzer/show/output.py", "drawing.png(e.standing_pits.labels)", "drawing.png(e.pits.labels)", "tests/joints/test_corrected_result.py"),
    Breakage("one file that cannot be made costs all", "analyzer/show/output.py", "        except Exception as error:", "        except ZeroDivisionError as error:", f"{SAID} -k never_costs"),
    Breakage("a long remark is one row of the report", "analyzer/show/paper.py", "for part in _rows_that_fit(row):", "for part in (row,):", f"{SAID} -k long_remark"),
]  # fmt: skip


def tried(breakage: Breakage, copy: Path) -> str:
    """ "red", "green" or "stale"."""
    path = copy / breakage.file
    whole = path.read_text(encoding="utf-8")
    if breakage.text not in whole:
        return "stale"
    path.write_text(whole.replace(breakage.text, breakage.broken, 1), encoding="utf-8")
    try:
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *_words(breakage.tests)]
        done = subprocess.run(command, cwd=copy, capture_output=True, text=True, env=_here(copy))
        if done.returncode not in (0, 1, 2):
            return f"not run ({done.stdout[-200:]}{done.stderr[-200:]})"
        return "green" if done.returncode == 0 else "red"
    finally:
        path.write_text(whole, encoding="utf-8")


def _words(tests: str) -> list[str]:
    import shlex

    return shlex.split(tests)


def _here(copy: Path) -> dict[str, str]:
    import os

    return {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}


def main(arguments: list[str]) -> int:
    if "--list" in arguments:
        for number, breakage in enumerate(BREAKAGES, 1):
            print(f"{number:3d}  {breakage.what}")
        return 0
    chosen = [int(word) for word in arguments] or range(1, len(BREAKAGES) + 1)
    told: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "project"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "*-examined"))
        for number in chosen:
            result = tried(BREAKAGES[number - 1], copy)
            told[result] = told.get(result, 0) + 1
            print(f"{number:3d}  {result:6}  {BREAKAGES[number - 1].what}", flush=True)
    seen = told.get("red", 0)
    print(f"{seen} of {sum(told.values())} turned the tests red; " + ", ".join(f"{v} {k}" for k, v in told.items()))
    return 0 if seen == sum(told.values()) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
