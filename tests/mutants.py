"""How much do the tests of the core rooms notice? Changes one small thing at a time, picked at random, in a copy of the project and runs the
room's own tests on it.

    python -m tests.mutants                          # 200 of all rooms
    python -m tests.mutants --sample 40 --seed 3 --rooms house/water.py wall
    python -m tests.mutants --whole                  # the same tests with nothing changed: all must be green, or red means nothing

A mutant that stays green is a hole in the tests or changes nothing that anyone can see; which of the two is for a reader to judge. Rooms whose
tests read pictures are left out: `tests.breakages` breaks those by hand.
"""

from __future__ import annotations

import argparse
import ast
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.breakages import PROCESSES, ROOT, _run

LIMIT_S = 120.0  # for one mutant; the slowest room's tests take a tenth of it on an idle core
ROOMS = {  # file below analyzer/: its own tests below tests/, the quickest first
    "base/measured.py": "base/test_measured.py",
    "base/display.py": "base/test_measured.py",
    "house/water.py": "house/test_water.py house/test_derived.py",
    "house/flow.py": "house/test_flow.py house/test_derived.py",
    "house/tables.py": "house/test_tables.py house/test_flow.py wall/test_wall.py",
    "house/derived.py": "house/test_derived.py",
    "house/leak_law.py": "causes/test_leaks.py",
    "wall/capacity.py": "wall/test_wall.py",
    "wall/extremes.py": "wall/test_extremes.py wall/test_wall.py",
    "wall/remaining.py": "wall/test_wall.py wall/test_readings.py",
    "causes/score.py": "causes/test_two_kinds.py causes/test_causes.py",
    "causes/verdict.py": "causes/test_two_kinds.py causes/test_causes.py",
    "marks/number.py": "marks/test_number.py",
    "marks/largest.py": "marks/test_largest.py",
}
COMPARED = {  # each to its contrary, and an order to the same with or without its end
    ast.Lt: (ast.GtE, ast.LtE), ast.LtE: (ast.Gt, ast.Lt), ast.Gt: (ast.LtE, ast.GtE), ast.GtE: (ast.Lt, ast.Gt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
RECKONED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
JOINED = {ast.And: ast.Or, ast.Or: ast.And}


class Mutant(NamedTuple):
    file: str  # below analyzer/
    line: int
    start: int  # bytes in the file
    end: int
    before: str
    after: str


def others(node: ast.AST) -> Iterator[tuple[ast.expr, ast.expr]]:
    """Each piece of this node that is changed, and what takes its place."""
    if isinstance(node, ast.Compare):
        for place, sign in enumerate(node.ops):
            for other in COMPARED[type(sign)]:
                signs = [*node.ops[:place], other(), *node.ops[place + 1 :]]
                yield node, ast.Compare(node.left, signs, node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in RECKONED:
        yield node, ast.BinOp(node.left, RECKONED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield node, ast.BoolOp(JOINED[type(node.op)](), node.values)
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield node, ast.Constant(node.value + 1 if isinstance(node.value, int) or not node.value else node.value * 1.1)
    elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
        yield node.value, ast.Constant(None)
    elif isinstance(node, ast.If | ast.IfExp | ast.While):
        yield node.test, ast.UnaryOp(ast.Not(), node.test)


def mutants_of(file: str) -> list[Mutant]:
    text = (ROOT / "analyzer" / file).read_bytes()
    starts = [0]
    for row in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(row))
    found = []
    nodes: list[ast.AST] = [ast.parse(text)]
    while nodes:
        node = nodes.pop()
        for piece, other in others(node):
            start = starts[piece.lineno - 1] + piece.col_offset
            end = starts[(piece.end_lineno or 0) - 1] + (piece.end_col_offset or 0)
            found.append(Mutant(file, piece.lineno, start, end, text[start:end].decode(), f"({ast.unparse(other)})"))
        # Words in sentences and in types are no behaviour of the room.
        hidden = [getattr(node, name, None) for name in ("annotation", "returns")]
        nodes += [n for n in ast.iter_child_nodes(node) if n not in hidden and not isinstance(n, ast.JoinedStr)]
    return sorted(found)


def judged(mutant: Mutant | None, tests: str, copy: Path) -> str:
    """ "killed", "survived", "too slow", or why it was not run. Without a mutant: the tests as they are."""
    path = copy / "analyzer" / mutant.file if mutant else copy / "pyproject.toml"
    whole = path.read_bytes()
    if mutant:
        path.write_bytes(whole[: mutant.start] + mutant.after.encode() + whole[mutant.end :])
    # A mutant's failing examples must not be tried first on the next one: nobody else's run has them.
    shutil.rmtree(copy / ".hypothesis", ignore_errors=True)
    log = copy / "mutant.log"
    process = PROCESSES.Process(target=_run, args=(str(copy), tests, str(log)))
    try:
        process.start()
        process.join(LIMIT_S)
        if process.is_alive():
            process.kill()
            process.join()
            return "too slow"
        said = log.read_text(encoding="utf-8", errors="replace")
        if process.exitcode not in (0, 1, 2) and "\nFAILED " not in said:
            return "killed" if "ImportError while loading conftest" in said else f"not run ({said[-300:]})"
        return "survived" if process.exitcode == 0 else "killed"
    finally:
        path.write_bytes(whole)


def main(arguments: list[str] | None = None) -> int:
    reader = argparse.ArgumentParser(prog="python -m tests.mutants")
    reader.add_argument("--sample", type=int, default=200, help="how many mutants (default 200)")
    reader.add_argument("--seed", type=int, default=1, help="picks them (default 1)")
    reader.add_argument("--rooms", nargs="+", default=[""], help="below analyzer/ (default: all)")
    reader.add_argument("--whole", action="store_true", help="change nothing: every room must be green")
    options = reader.parse_args(arguments)
    rooms = {file: tests for file, tests in ROOMS.items() if file.startswith(tuple(options.rooms))}
    paths = {file: " ".join(f"tests/{name}" for name in tests.split()) for file, tests in rooms.items()}
    every = [mutant for file in rooms for mutant in mutants_of(file)]
    picked = random.Random(options.seed).sample(every, min(options.sample, len(every)))
    work: list[tuple[Mutant | None, str]] = [(mutant, paths[mutant.file]) for mutant in picked]
    if options.whole:
        work = [(None, tests) for tests in dict.fromkeys(paths.values())]
    told: dict[str, int] = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "project"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", "*-examined"))
        began = time.monotonic()
        for number, (mutant, tests) in enumerate(work, 1):
            result = judged(mutant, tests, copy)
            told[result] = told.get(result, 0) + 1
            if mutant is None or result != "killed":
                what = f"{mutant.file}:{mutant.line}  {mutant.before}  ->  {mutant.after}" if mutant else tests
                print(f"{number:3d}  {time.monotonic() - began:4.0f} s  {result:8}  {what}", flush=True)
    good, of = told.get("survived" if options.whole else "killed", 0), len(work)
    what = "stayed green" if options.whole else f"killed, of {len(every)} possible, seed {options.seed}"
    print(f"{good} of {of} {what}: {100 * good / max(of, 1):.0f} %; {told}")
    return 0 if good == of else 1


if __name__ == "__main__":
    sys.exit(main())
