"""The tree is the architecture: who may import whom."""

import ast
import re
from collections import Counter
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import calib

ROOT = Path(calib.__file__).parent

#: What each part may import of the project, besides itself.
ALLOWED = {
    "chain": set(),
    "adjust": set(),
    "spreadsheet": set(),
    "names": set(),
    "document": {"run"},
    "entries": {"adjust", "chain"},
    "run": {"chain", "entries", "spreadsheet"},
    "stations": {"adjust", "run"},
    "taped": {"chain"},
    "frames": set(),
    "solved_machine": {"chain", "document"},
    "machine": {"adjust", "chain", "run"},
    "layout": {"adjust", "chain", "run", "stations"},
    "placements": set(),
    "calibration": {"adjust", "chain", "frames", "layout", "machine", "placements", "run",
                    "stations", "taped"},
    "side_by_side": {"adjust", "calibration", "layout", "placements"},
    "simulate": {"calibration", "chain", "run"},
    "edge": {"calibration", "chain"},
    "foretold": {"adjust", "calibration", "chain", "run"},
    "intervals": {"adjust", "calibration", "layout"},
    "confirm": {"adjust", "calibration", "chain", "edge", "entries", "placements", "run"},
    "uncertain": {"calibration", "chain"},
    "resampled": {"calibration", "layout"},
    "intake": {"adjust", "chain", "run", "stations"},
    "judge": {"adjust", "calibration", "chain", "edge", "foretold", "frames", "run", "simulate",
              "stations", "uncertain", "layout", "machine", "names", "side_by_side", "taped"},
    "explore": {"adjust", "calibration", "chain", "edge", "judge", "layout", "run"},
    "fleet": {"document"},
    "together": {"adjust", "calibration", "chain", "judge", "layout", "machine", "run"},
    "plan": {"adjust", "calibration", "chain", "run", "edge", "judge", "layout", "machine", "names",
             "simulate", "taped"},
    "report": {"adjust", "calibration", "chain", "confirm", "document", "entries", "explore",
               "fleet", "judge", "plan", "resampled", "solved_machine", "spreadsheet", "stations",
               "together", "uncertain", "edge", "foretold", "intervals", "layout", "machine",
               "taped"},
    "results": {"chain", "document", "judge", "run", "solved_machine", "uncertain"},
    "console": {"document", "report"},
    "operations": {"chain", "confirm", "console", "document", "edge", "judge", "plan", "report",
                   "resampled", "results", "run", "together"},
    "yard": {"adjust", "calibration", "chain", "console", "document", "edge", "entries", "intake",
             "judge", "layout", "operations", "plan", "report", "results", "run"},
    "__init__": {"adjust", "calibration", "chain", "judge", "names", "plan", "resampled", "results",
                 "run", "simulate", "uncertain"},
    "__main__": {"cli"},
}
#: The command line may use all, and nobody uses it.
ALLOWED["cli"] = {*ALLOWED} - {"__main__"}


@cache
def tree(path):
    """A module, parsed once for all that is asked of it."""
    return ast.parse(path.read_text("utf-8"))


@cache
def modules():
    """Every module of the package with the part it belongs to."""
    relative = {path: path.relative_to(ROOT) for path in sorted(ROOT.rglob("*.py"))}
    return [(path, its.parts[0] if len(its.parts) > 1 else its.stem)
            for path, its in relative.items()]


def named(path):
    """A module's name as it is imported."""
    return ".".join(["calib", *path.relative_to(ROOT).with_suffix("").parts]).removesuffix(
        ".__init__")


@cache
def known():
    """The names of all modules."""
    return frozenset(named(path) for path, _ in modules())


def imported(path, typing_too=True):
    """What of the project a module imports: at its top, in functions, by name as a text."""
    aside = set() if typing_too else {
        node for guard in ast.walk(tree(path)) if isinstance(guard, ast.If)
        and ast.unparse(guard.test) == "TYPE_CHECKING" for node in ast.walk(guard)}
    for node in set(ast.walk(tree(path))) - aside:
        names = []
        if isinstance(node, ast.ImportFrom):
            assert not node.level, path
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [name if name in known() else node.module for name in names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            names = [node.value.partition(":")[0]]
        yield from known().intersection(names)


def test_imports_go_one_way():
    """No module imports a part that lies downstream of it."""
    wrong = {str(path.relative_to(ROOT)): others for path, part in modules()
             if (others := {name.split(".")[1] for name in imported(path) if "." in name}
                 - ALLOWED[part] - {part})}
    assert not wrong


def test_modules_import_each_other_in_no_circle():
    """Also where a function imports only when it is called; for annotations alone it may."""
    TopologicalSorter({named(path): set(imported(path, typing_too=False)) - {named(path)}
                       for path, _ in modules()}).prepare()


#: Floors of a part and which of its floors each may import, besides what lies on no floor.
FLOORS = {
    "report": {"words": {"words"}, "figures": {"figures"}, "press": {"press", "figures"},
               "pages": {"words", "figures", "press", "pages"}},
    "intake": {"geometry": {"geometry"}, "files": {"files", "geometry"},
               "matching": {"matching", "files", "geometry"},
               "proposal": {"proposal", "matching", "files", "geometry"}},
}


@pytest.mark.parametrize(("part", "floor"), [(p, f) for p in FLOORS for f in FLOORS[p]])
def test_floors_rest_on_the_lower_ones(part, floor):
    """Words and drawings know no page, the press knows no page that it prints; the geometry of a
    survey knows no file, and how files are written depends on no meaning of their rows."""
    for path in (ROOT / part / floor).glob("*.py"):
        for node in ast.walk(tree(path)):
            name = node.module if isinstance(node, ast.ImportFrom) else None
            if name and name.startswith(f"calib.{part}."):
                other = name.split(".")[2]
                assert other not in set(FLOORS[part]) - FLOORS[part][floor], f"{path.name}: {name}"


def test_modules_and_functions_stay_small():
    """No module grows beyond 500 lines, no function beyond 60."""
    for path, _ in modules():
        assert len(path.read_text("utf-8").splitlines()) <= 500, path
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                assert node.end_lineno - node.lineno < 60, f"{path.name}: {node.name}"


#: Parts that tell of what others find, each under the name that it has there.
TELLING = {"cli", "document", "report"}
#: Names that mean one thing wherever they stand: the shape of a file, what was taped.
ONE_MEANING = {"schema", "tape"}


def test_modules_of_one_name_mean_one_thing():
    """A name stands once among the parts that find something."""
    stems = Counter(path.stem for path, part in modules() if part not in TELLING)
    assert {name for name, count in stems.items() if count > 1} <= {"__init__", *ONE_MEANING}


def sentences(tree):
    """Lines of strings with five words in a row or a full stop; not docstrings, repr, nor what is
    raised or complained of (`_refuse...`): found, and expected, are said where they are found."""
    aside = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise) or (isinstance(node, ast.FunctionDef)
                                           and node.name.startswith(("__", "_repr", "_refuse"))):
            aside |= set(ast.walk(node))
        elif isinstance(node, ast.Expr):
            aside.add(node.value)
        elif isinstance(node, ast.JoinedStr):
            aside |= set(node.values)
    for node in set(ast.walk(tree)) - aside:
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        text = "".join(part.value if isinstance(part, ast.Constant) and isinstance(part.value, str)
                       else "" if part is node else "it" for part in parts)
        if re.search(r"[A-Za-z]+( [A-Za-z]+){4}|[a-z]\.$", text):
            yield node.lineno


#: Parts that speak for themselves: of what is wrong with an input, or of a command's options.
SPEAKING = {"chain", "cli", "console", "document", "entries", "intake", "operations", "report",
            "results", "run", "yard"}
#: Names of unknowns and what they mean are kept with them.
NAMING = {"layout.py", "stations.py"}


def test_sentences_are_composed_in_report():
    """What was found are numbers and names; only `report` makes sentences of them."""
    found = {str(path.relative_to(ROOT)): sorted(sentences(tree(path)))
             for path, part in modules() if part not in SPEAKING and path.name not in NAMING}
    assert not {path: lines for path, lines in found.items() if lines}


def test_a_sentence_is_recognised():
    """In a string, in an f-string with a name in it; a label and a docstring are none."""
    told = 'def f(name):\n    "What is said of it."\n    return {}\n'
    assert list(sentences(ast.parse(told.format('f"the zero of {name} shifted"')))) == [3]
    assert list(sentences(ast.parse(told.format('"Look again."')))) == [3]
    assert not list(sentences(ast.parse(told.format('f"the zero of {name}"'))))


@pytest.mark.parametrize("part", ["chain", "adjust", "judge", "plan"])
def test_numerics_touch_no_files(part):
    """Geometry, estimation, judgement and planning open no file and print nothing."""
    for path in (ROOT / part).rglob("*.py"):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in {"open", "print"}, f"{path.name} line {node.lineno}"


def counted(tree):
    """Lines that count unknowns: how many a stand has, or a slice up to how many a rig has."""
    def of_rig(node):
        return (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "len"
                and ast.unparse(node.args[0]).endswith("parameters"))

    nodes = list(ast.walk(tree))
    names = {ast.unparse(target) for node in nodes if isinstance(node, ast.Assign)
             and of_rig(node.value) for target in node.targets}
    for node in nodes:
        if isinstance(node, ast.Slice):
            ends = [end for end in (node.lower, node.upper) if end is not None]
            if any(of_rig(end) or ast.unparse(end) in names for end in ends):
                yield ends[0].lineno
        elif isinstance(node, ast.Call) and ast.unparse(node) == "len(PLACEMENT)":
            yield node.lineno


def test_unknowns_are_counted_in_their_layout():
    """Which columns an unknown has is asked of the layout; a chain knows its own alone."""
    found = {str(path.relative_to(ROOT)): lines for path, part in modules()
             if part not in {"chain", "run", "layout"} and (lines := list(counted(tree(path))))}
    assert not found


def test_counting_is_recognised():
    """By the length itself or by its name; the length alone is none."""
    assert list(counted(ast.parse("x[: len(run.rig.parameters)]"))) == [1]
    assert list(counted(ast.parse("n = len(rig.parameters)\ny = x[n:]"))) == [2]
    assert list(counted(ast.parse("np.zeros(p + len(PLACEMENT) * stands)"))) == [1]
    assert not list(counted(ast.parse("n = len(rig.parameters)\ny = np.zeros(n)")))
