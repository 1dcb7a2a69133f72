"""Whether the tests would notice: small faults put into detections and stages, one at a time.

`python -m tests.bench.mutants [KIND ...]` takes the tree as it was committed, changes one thing in it, and runs the tests that belong to what was changed.
A fault that no test notices has survived: either it changes nothing that anyone can see, and `EQUIVALENT` gives the reason, or a test is missing.

Faults are of five sorts:

| sort | what is changed |
|---|---|
| threshold | `>=` to `>`, `>` to `>=`, `<=` to `<`, `<` to `<=` |
| limit | a number in a comparison, in a constant or in a default: a whole one by one more, another by half; a default of nought is no limit |
| guard | an `if` that only returns or goes on is left out; one term of an `and` or `or` is dropped |
| neighbour | a name is taken for the one beside it: `behind` for `into`, `min` for `max` |
| absence | `not x` to `x`, `is` to `is not`, `in` to `not in`, and back |

Of all that a file has room for, as many as `--most` says are taken, evenly spread over the file in the order of its text, so that the same file gives the same faults every time.
Texts are not changed: neither docstrings nor what stands in braces within a sentence.
An `if not isinstance(change, ...)` stays: what a detection is told is decided by what it hears, and the line is for the type checker.
"""

from __future__ import annotations

import argparse
import ast
import io
import os
import queue
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).parents[2]

AT_ONCE = 2
"""Copies of the tree, and so runs of pytest at a time."""

LONGEST_S = 180
"""A run that takes longer hangs by the fault: that is noticed."""

STAGES = ("trains", "causes", "counts", "entries")
"""The stages in which most is concluded."""

MOST = {"detector": 12, "stage": 24}
"""Faults a file, where `--most` does not say."""

DAYS = "tests/scenarios/test_days.py::test_a_day_raises_what_its_table_says"
"""Every day, against its table."""

ALSO = {
    "clock-wrong": [
        "tests/core/detectors/test_feed.py",
        "tests/core/test_clocks.py",
        "tests/core/test_untold.py",
    ],
    "feed-gap": ["tests/core/detectors/test_feed.py"],
    "feed-silent": ["tests/core/detectors/test_feed.py"],
    "unseen-train": ["tests/core/test_train_walks.py"],
    "vanished-train": ["tests/core/test_train_walks.py"],
}
"""Where else a detection is tested than in the file of its name."""

PAIRS = (
    ("behind", "into"),
    ("out_of", "into"),
    ("before", "after"),
    ("began", "ended"),
    ("began", "raised"),
    ("entry", "exit"),
    ("entered", "cleared"),
    ("entered", "left"),
    ("since", "until"),
    ("first", "last"),
    ("front", "between"),
    ("first", "second"),
    ("low", "high"),
    ("a", "b"),
    ("one", "other"),
    ("was", "now"),
    ("min", "max"),
    ("any", "all"),
)
"""Names that stand for neighbours in place or time, or in meaning."""

BUILT_IN = {"min", "max", "any", "all"}

THRESHOLDS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.GtE: ast.Gt,
    ast.Gt: ast.GtE,
    ast.LtE: ast.Lt,
    ast.Lt: ast.LtE,
}

ABSENCES: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}

EQUIVALENT: dict[str, dict[str, str]] = {
    "clock-wrong": {
        "ClockWrong._summary: off > 0 -> off >= 0": (
            "it is half a minute or more, so never nought"
        ),
        "ClockWrong._summary: off > 0: 0 -> 1": (
            "it is half a minute or more, so never a microsecond"
        ),
    },
    "contact-disagreement": {
        "ContactDisagreement.step: if hold.since is None: return (memory, ()) -> left out": (
            "what does not hold ceases as it was; nothing is made anew for nothing"
        ),
    },
    "count-mismatch": {
        "CountMismatch.explain: due is not None and memory.waiting is not None -> due is not None": (
            "nothing is due where nothing waits; for the type checker"
        ),
    },
    "level-drift": {
        "_leads: line.slope > 0 -> line.slope >= 0": (
            "a slope of nought was given back a line before"
        ),
        "Series.since: not self.days or self.days[0][0] >= since -> not self.days": (
            "what begins late enough is kept whole by what follows too, at a cost"
        ),
        "LevelDrift._until: memory.day >= midnight or not memory.series -> memory.day >= midnight": (
            "without a series only `day` is set, and the first sample sets it again"
        ),
    },
    "level-out": {
        "LevelOut._measured: if runs == before: return (memory, ()) -> left out": (
            "what is said of the same runs is nothing, and what is made anew is the same"
        ),
        "Run: count: int = 1: 1 -> 2": "whoever makes a run says how many there are",
        '_departure: side = "below" if run.value < low else "above" -> side = "below" if run.value < high else "above"': (
            "it is outside, so what is below the upper limit is below the lower one"
        ),
        "_departure: limit = low if run.value < low else high -> limit = low if run.value < high else high": (
            "it is outside, so what is below the upper limit is below the lower one"
        ),
    },
    "long-occupation": {
        "LongOccupation._over: if memory.hold.since is None: return (memory, ()) -> left out": (
            "only `cleared` differs, which is read while a train is timed and begins anew with one"
        ),
    },
    "occupied-no-train": {
        "OccupiedNoTrain._limit: return seconds(self.linger_s if memory.front else self.no_train_after_s) -> return seconds(self.linger_s if memory.between else self.no_train_after_s)": (
            "both names are set at once and taken back at once"
        ),
        "OccupiedNoTrain.explain: if memory.front: -> if memory.between:": (
            "both names are set at once and taken back at once"
        ),
    },
    "one-sided-head": {
        "OneSidedHead._passed: odd[0].at < since -> odd[0].at <= since": (
            "what lies on the border is kept by what follows"
        ),
    },
    "reset-not-held": {
        "ResetNotHeld.step: if memory.by_train is None: return (memory, ()) -> left out": (
            "None takes the place of None; nothing is made anew for nothing"
        ),
        "ResetNotHeld._judge: failure is None or memory.since is None -> failure is None": (
            "there is no failure without a reset; for the type checker"
        ),
    },
    "reset-unproved": {
        'ResetUnproved._replaced: over = Over(at=max(at, before.raised), because="a later reset took its place") -> over = Over(at=max(at, after.raised), because="a later reset took its place")': (
            "the one that takes its place is made of it, and has that moment from it still"
        ),
        "ResetUnproved._proved: memory.pending and left >= memory.pending_at -> left >= memory.pending_at": (
            "nothing takes the place of nothing"
        ),
        "ResetUnproved._learnt: if not memory.runs or usual.hours == memory.hours: return after -> left out": (
            "under the same hours what is left leads to the same moment, and where no timer runs it is set when one begins"
        ),
    },
    "restoration-incomplete": {
        "RestorationIncomplete.step: hold.since is None or (hold.raised and after.occupied) -> hold.raised and after.occupied": (
            "what does not hold ceases as it was; nothing is made anew for nothing"
        ),
    },
    "section-disturbed": {
        "SectionDisturbed.step: if memory.since is None: return (memory, ()) -> left out": (
            "what does not hold ceases as it was; nothing is made anew for nothing"
        ),
    },
    "spurious-occupation": {
        "SpuriousOccupation.step: if change.verdict is not Verdict.NOT_EXPLAINED: return (memory, ()) -> left out": (
            "the entry is looked at where the occupation is spurious, and then nothing explains it"
        ),
    },
    "unseen-train": {
        "UnseenTrain._found: seen.vanished and seen.vanished_at is not None -> seen.vanished": (
            "where and when are told together; for the type checker"
        ),
        "UnseenTrain._found: seen.vanished and seen.vanished_at is not None -> seen.vanished_at is not None": (
            "where and when are told together"
        ),
    },
    "trains": {
        "Trains._pair: there and here and (there == -here) -> here and there == -here": (
            "what is as many of the other sign is not nought either"
        ),
        "Trains._ended: change.exit is Verdict.CANNOT_TELL and spot.trains and (spot.state is State.CLEAR) -> change.exit is Verdict.CANNOT_TELL and spot.state is State.CLEAR": (
            "where there are no trains, none is gone"
        ),
    },
    "counts": {
        "Counts._head_to_blame: settled.axles or 0 -> settled.axles": (
            "it is asked where a few axles are left, never where none are told"
        ),
    },
    "entries": {
        "Entries._ask: question.about is About.EXIT and section.leaving is question -> section.leaving is question": (
            "a section leaves by nothing but an exit"
        ),
        "Entries._ask: source or '' -> source": (
            "nobody is heard as either, so what waits for it waits as long"
        ),
    },
    "causes": {
        "Causes._forget: one.began < old -> one.began <= old": (
            "what is as old as that lies outside every window anyhow"
        ),
        "Causes._close: not group.open and self.groups.get(group.asset) is group -> not group.open": (
            "what is closed was found among the groups, or has just been put there"
        ),
    },
    "worsening": {
        "Worsening._disturbed: found[-2] > found[-1] -> found[-2] >= found[-1]": (
            "sorting what is in order changes nothing"
        ),
        "Worsening._trend: len(singly) < max(self.least, FEW) or not 0 < singly[-1] <= length -> len(singly) < max(self.least, FEW)": (
            "what lies at nought is one burst, and nothing lies beyond what was watched"
        ),
    },
}
"""By kind or stage: faults that change nothing that can be seen, each with the reason."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One fault.

    Args:
        line: of the file, from 1.
        change: the function, what stood there and what stands there now.
        start: where what is replaced begins, in bytes of the file.
        end: where it ends.
        text: what replaces it.
    """

    line: int
    change: str
    start: int
    end: int
    text: str

    def applied(self, source: bytes) -> bytes:
        """*source* with the fault in it."""
        return source[: self.start] + self.text.encode() + source[self.end :]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A file to put faults into, and the tests that should notice.

    Args:
        name: the kind, or the stage.
        path: of the file, from the root of the tree.
        most: how many faults are put into it, unless another number is asked for.
        rounds: arguments to pytest; a later round is run where the earlier ones noticed nothing.
    """

    name: str
    path: str
    most: int
    rounds: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What became of a fault."""

    target: Target
    mutant: Mutant
    killed: bool

    @property
    def reason(self) -> str | None:
        """Why nobody can see it, where that is known."""
        return EQUIVALENT.get(self.target.name, {}).get(self.mutant.change)


def say(text: str) -> None:
    """Print a line at once."""
    print(text, flush=True)  # noqa: T201 - printing is what this program is for


# The faults of a file.


class Finder:
    """Every fault that a file has room for, in the order of its text."""

    def __init__(self, source: bytes) -> None:
        self._source = source
        self._tree = ast.parse(source)
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))
        # A neighbour that the thing does not have would be noticed by any test at all.
        self._attributes = {
            ast.unparse(node)
            for node in ast.walk(self._tree)
            if isinstance(node, ast.Attribute)
        }

    def mutants(self) -> list[Mutant]:
        """All of them; what reads the same twice in a function is numbered."""
        found = self._in(self._tree, "module", frozenset())
        distinct = {(one.change, one.start): one for one in found}
        seen: Counter[str] = Counter()
        mutants = []
        for one in sorted(
            distinct.values(), key=lambda one: (one.start, one.end, one.change)
        ):
            seen[one.change] += 1
            again = f" ({seen[one.change]})" if seen[one.change] > 1 else ""
            mutants.append(replace(one, change=one.change + again))
        return mutants

    def _in(self, node: ast.AST, where: str, known: frozenset[str]) -> Iterator[Mutant]:
        for child in ast.iter_child_nodes(node):
            inside, names = where, known
            if isinstance(child, ast.JoinedStr):
                continue  # its parts have no place of their own in Python 3.11
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                inside = child.name if where == "module" else f"{where}.{child.name}"
            if isinstance(child, ast.FunctionDef):
                names = known | _bound(child)
            yield from self._at(child, inside, names)
            yield from self._in(child, inside, names)

    def _at(self, node: ast.AST, where: str, known: frozenset[str]) -> Iterator[Mutant]:
        match node:
            case ast.Compare(ops=[operator]):
                yield from self._compared(node, operator, where)
            case ast.UnaryOp(op=ast.Not()):
                if not _is_for_types(node):
                    yield self._replaced(node, node.operand, where)
            case ast.BoolOp():
                yield from self._terms(node, where)
            case ast.If(body=[ast.Return() | ast.Continue()], orelse=[]):
                if not _is_for_types(node.test):
                    yield self._left_out(node, where)
            case ast.Assign(value=value) | ast.AnnAssign(value=ast.expr() as value):
                # Within a function a number is a count, or a part of a sum.
                if not known and not _is_nought(value):
                    yield from self._limits(value, node, where)
            case ast.Name(ctx=ast.Load()) | ast.Attribute(ctx=ast.Load()):
                yield from self._neighbours(node, where, known)

    def _terms(self, node: ast.BoolOp, where: str) -> Iterator[Mutant]:
        for number in range(len(node.values)):
            kept = node.values[:number] + node.values[number + 1 :]
            rest = kept[0] if len(kept) == 1 else ast.BoolOp(node.op, kept)
            yield self._replaced(node, rest, where)

    def _neighbours(
        self, node: ast.Name | ast.Attribute, where: str, known: frozenset[str]
    ) -> Iterator[Mutant]:
        if isinstance(node, ast.Name):
            for other in _beside(node.id):
                if other in known or other in BUILT_IN:
                    yield self._swapped(node, other, where)
            return
        for other in _beside(node.attr):
            swapped = ast.Attribute(node.value, other)
            if ast.unparse(swapped) in self._attributes:
                yield self._swapped(node, ast.unparse(swapped), where)

    def _compared(
        self, node: ast.Compare, operator: ast.cmpop, where: str
    ) -> Iterator[Mutant]:
        other = (THRESHOLDS | ABSENCES).get(type(operator))
        if other is not None:
            changed = ast.Compare(node.left, [other()], node.comparators)
            yield self._replaced(node, changed, where)
        if type(operator) not in ABSENCES:
            for side in (node.left, *node.comparators):
                yield from self._limits(side, node, where)

    def _limits(self, value: ast.expr, shown: ast.AST, where: str) -> Iterator[Mutant]:
        if isinstance(value, ast.Constant) and type(value.value) in {int, float}:
            limit = value.value
            assert isinstance(limit, int | float)
            more = str(limit + 1 if isinstance(limit, int) else limit * 1.5)
            change = f"{where}: {ast.unparse(shown)}: {limit} -> {more}"
            yield self._mutant(value, change, more)

    def _left_out(self, node: ast.If, where: str) -> Mutant:
        # An `elif` is an `if` in an `else`; it cannot be left out, but never be so.
        test = ast.unparse(node.test)
        change = f"{where}: if {test}: {ast.unparse(node.body[0])} -> left out"
        return self._mutant(node.test, change, "(False)")

    def _replaced(self, node: ast.expr, by: ast.expr, where: str) -> Mutant:
        text = ast.unparse(by)
        change = f"{where}: {ast.unparse(node)} -> {text}"
        return self._mutant(node, change, f"({text})")

    def _swapped(self, node: ast.expr, text: str, where: str) -> Mutant:
        # A name alone says little: the line in which it stands is shown.
        mutant = self._mutant(node, "", text)
        begin = self._starts[node.lineno - 1]
        line = self._source[begin:].split(b"\n", 1)[0]
        after = replace(mutant, start=mutant.start - begin, end=mutant.end - begin)
        was, now = line.decode().strip(), after.applied(line).decode().strip()
        return replace(mutant, change=f"{where}: {was} -> {now}")

    def _mutant(self, node: ast.expr, change: str, text: str) -> Mutant:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return Mutant(
            line=node.lineno,
            change=change,
            start=self._starts[node.lineno - 1] + node.col_offset,
            end=self._starts[node.end_lineno - 1] + node.end_col_offset,
            text=text,
        )


def _bound(function: ast.FunctionDef) -> frozenset[str]:
    """Names that have a value within *function*."""
    given = {one.arg for one in ast.walk(function) if isinstance(one, ast.arg)}
    stored = {
        one.id
        for one in ast.walk(function)
        if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store)
    }
    return frozenset(given | stored | {"self"})


def _is_for_types(test: ast.expr) -> bool:
    match test:
        case ast.UnaryOp(
            op=ast.Not(),
            operand=ast.Call(func=ast.Name("isinstance"), args=[ast.Name("change"), _]),
        ):
            return True
        case _:
            return False


def _is_nought(value: ast.expr) -> bool:
    return isinstance(value, ast.Constant) and value.value == 0


def _beside(name: str) -> list[str]:
    others = [right for left, right in PAIRS if left == name]
    return others + [left for left, right in PAIRS if right == name]


def chosen(mutants: list[Mutant], most: int) -> list[Mutant]:
    """As many as *most*, evenly spread."""
    if len(mutants) <= most:
        return mutants
    return [mutants[number * len(mutants) // most] for number in range(most)]


# The files, and their tests.


def targets(root: Path) -> list[Target]:
    """Every detection and the stages, with what tests them."""
    detectors = sorted((root / "monitor/core/detectors").glob("[!_]*.py"))
    found = [_detection(root, path.stem) for path in detectors]
    return found + [_stage(root, name) for name in STAGES]


def _detection(root: Path, name: str) -> Target:
    kind = name.replace("_", "-")
    own = f"tests/core/detectors/test_{name}.py"
    files = [own] if (root / own).exists() else []
    files += ALSO.get(kind, [])
    # A file is asked for whole; of the contract and of the days, what is of this kind.
    asked = " or ".join([kind, *(Path(one).name for one in files)])
    common = [
        "tests/core/detectors/test_contract.py",
        "tests/core/detectors/test_woken_early.py",
        "tests/scenarios",
    ]
    return Target(
        name=kind,
        path=f"monitor/core/detectors/{name}.py",
        most=MOST["detector"],
        rounds=((*files, *common, "-k", asked), (DAYS,)),
    )


def _stage(root: Path, name: str) -> Target:
    own = f"tests/core/test_{name}.py"
    files = [own] if (root / own).exists() else []
    return Target(
        name=name,
        path=f"monitor/core/{name}.py",
        most=MOST["stage"],
        rounds=(
            (*files, DAYS),
            ("tests/core/test_train_walks.py", "tests/core/test_engine.py"),
            ("tests/scenarios",),
        ),
    )


# Running them.


def copies(folder: Path) -> queue.Queue[Path]:
    """The committed tree, once for each run at a time."""
    packed = subprocess.run(
        ["git", "archive", "--format=tar", "HEAD"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout
    ready: queue.Queue[Path] = queue.Queue()
    for number in range(AT_ONCE):
        copy = folder / str(number)
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(copy, filter="data")
        # What Python keeps of a module goes by size and whole seconds unless told
        # otherwise, and a fault that is as long as what it replaces would be missed.
        _python(
            copy,
            "-m",
            "compileall",
            "-q",
            "--invalidation-mode",
            "checked-hash",
            "monitor",
        )
        assert _python(
            copy, "-c", "import monitor; print(monitor.__file__)"
        ).startswith(str(copy))
        ready.put(copy)
    return ready


def _python(copy: Path, *arguments: str) -> str:
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=copy,
        env=_environment(copy),
        check=True,
        capture_output=True,
        text=True,
    ).stdout


def _environment(copy: Path) -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(copy), "HYPOTHESIS": "quick"}


def passes(copy: Path, arguments: tuple[str, ...]) -> bool:
    """Whether these tests pass in that copy."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "--tb=no"]
    command += ["-p", "no:randomly", "-p", "no:cacheprovider", *arguments]
    try:
        code = subprocess.run(
            command,
            cwd=copy,
            env=_environment(copy),
            check=False,
            capture_output=True,
            timeout=LONGEST_S,
        ).returncode
    except subprocess.TimeoutExpired:
        return False
    assert code in {0, 1, 2, 3}, f"no tests, or none that run: {command}"
    return code == 0


def try_out(ready: queue.Queue[Path], target: Target, mutant: Mutant) -> Tried:
    """Put the fault into a copy, run the tests, and take it out again."""
    copy = ready.get()
    path = copy / target.path
    source = path.read_bytes()
    try:
        path.write_bytes(mutant.applied(source))
        killed = not all(passes(copy, arguments) for arguments in target.rounds)
    finally:
        path.write_bytes(source)
        ready.put(copy)
    tried = Tried(target=target, mutant=mutant, killed=killed)
    if not killed and tried.reason is None:
        say(f"survived  {target.path}:{mutant.line}  {mutant.change}")
    return tried


def sound(ready: queue.Queue[Path], target: Target) -> bool:
    """Whether the tests pass while nothing is changed."""
    copy = ready.get()
    try:
        return all(passes(copy, arguments) for arguments in target.rounds)
    finally:
        ready.put(copy)


# What is said of it.


def table(tried: list[Tried]) -> list[str]:
    """Kind, faults, how many were noticed, how many nobody can see, how many survived."""
    rows = [f"{'':24}{'mutants':>9}{'killed':>9}{'equivalent':>12}{'survived':>10}"]
    names = list(dict.fromkeys(one.target.name for one in tried))
    for name in names:
        rows += [_row(name, [one for one in tried if one.target.name == name])]
    return [*rows, _row("all", tried)]


def _row(name: str, tried: list[Tried]) -> str:
    killed = sum(one.killed for one in tried)
    equivalent = sum(not one.killed and one.reason is not None for one in tried)
    left = len(tried) - killed - equivalent
    score = (killed + equivalent) / len(tried) if tried else 1.0
    counts = f"{len(tried):9}{killed:9}{equivalent:12}{left:10}"
    return f"{name:24}{counts}   {score:.0%}"


def doubts(tried: list[Tried], known: dict[str, set[str]]) -> Iterator[str]:
    """What is listed as equivalent and was noticed all the same, or is not there any more."""
    for one in tried:
        if one.killed and one.reason is not None:
            yield f"not equivalent, a test notices: {one.target.name}: {one.mutant.change}"
    for name, changes in known.items():
        for change in EQUIVALENT.get(name, {}):
            if change not in changes:
                yield f"no longer there: {name}: {change}"


def main() -> None:
    """Try the faults, and print what became of them."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.mutants")
    parser.add_argument("kind", nargs="*", help="kinds or stages; all without")
    parser.add_argument("--most", type=int, help="faults a file")
    parser.add_argument("--list", action="store_true", help="print them, run nothing")
    asked = parser.parse_args()
    known: dict[str, set[str]] = {}
    with tempfile.TemporaryDirectory() as folder:
        ready = copies(Path(folder))
        tree = Path(folder) / "0"
        work: list[tuple[Target, Mutant]] = []
        every = {target.name: target for target in targets(tree)}
        for name in asked.kind or every:
            target = every[name]
            mutants = Finder((tree / target.path).read_bytes()).mutants()
            known[name] = {one.change for one in mutants}
            picked = chosen(mutants, asked.most or target.most)
            work += [(target, mutant) for mutant in picked]
        if asked.list:
            for target, mutant in work:
                say(f"{target.path}:{mutant.line}  {mutant.change}")
            return
        with ThreadPoolExecutor(AT_ONCE) as pool:
            names = list(known)
            passing = pool.map(lambda name: sound(ready, every[name]), names)
            for name, well in zip(names, passing, strict=True):
                if not well:
                    parser.exit(2, f"{name}: its tests fail while nothing is changed\n")
            tried = list(pool.map(lambda one: try_out(ready, *one), work))
    for row in table(tried):
        say(row)
    for doubt in doubts(tried, known):
        say(doubt)
    if any(not one.killed and one.reason is None for one in tried):
        parser.exit(1)


if __name__ == "__main__":
    if shutil.which("git") is None:
        sys.exit("git is needed: the tree is taken as it was committed")
    main()
