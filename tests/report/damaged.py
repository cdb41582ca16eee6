"""Changes of a result.json, and everything that reads one."""

import copy
import json
from collections import defaultdict

from calib.judge.drift import NotComparable, drift
from calib.report.pages.comparison import Side, comparison, comparison_sections
from calib.report.pages.contents import contents
from calib.report.pages.drifted import drift_document, drift_sections
from calib.report.pages.history import additions, history_document, history_sections
from calib.report.pages.report import headings, report_files
from calib.report.pages.sheet import sheet_files
from calib.report.press.terminal import plain
from calib.results import load_result
from calib.run.complaints import InputError

VALUES = (None, True, "", "x", "<script>alert(1)</script>", "\x1b[31m", 0, -1, 1e300, -1e9, 10**400,
          [], {}, [[]], {"a": 1}, "1.5", float("nan"), 1e-300, 12345678901234567890, "\ud800",
          [None], 0.5, 3, "=1+1", "$x^2$", "a" * 30_000)


def places(document):
    """Every place of a document, rows of a table taken together."""
    found, waiting = defaultdict(list), [((), document)]
    while waiting:
        path, value = waiting.pop()
        if path:
            found[tuple(p if isinstance(p, str) else 0 for p in path)].append(path)
        if isinstance(value, dict):
            waiting += [((*path, k), v) for k, v in value.items()]
        elif isinstance(value, list):
            waiting += [((*path, i), v) for i, v in enumerate(value)]
    return list(found.values())


def damaged(document, where, rng):
    """A copy with one or two changes, and where."""
    changed, told = copy.deepcopy(document), []
    for _ in range(rng.choice((1, 1, 2))):
        path = rng.choice(rng.choice(where))
        inner = changed
        try:
            for part in path[:-1]:
                inner = inner[part]
            old, kind = inner[path[-1]], rng.randrange(6)
        except (KeyError, IndexError, TypeError):
            continue
        told.append(path)
        if kind == 0:
            del inner[path[-1]]
        elif kind == 1 and isinstance(inner, list):
            inner.append(copy.deepcopy(rng.choice(inner)))
        elif kind == 2 and isinstance(old, float):
            inner[path[-1]] = old * rng.choice((-1, 1e3, 1e-9, 0))
        else:
            inner[path[-1]] = rng.choice(VALUES)
    return changed, told


def use(result, other, drawn=False):
    """What sheet, report, compare, drift and history make of a result."""
    document = result.document
    sections = contents(document)
    headings(document)
    plain(sections)
    plain(comparison_sections(comparison(Side("a", survey=result.survey),
                                         Side("b", survey=other.survey))))
    try:
        found = drift(other.survey, result.survey)
        plain(drift_sections(drift_document(other.survey, result.survey, found)))
    except (NotComparable, ValueError):
        pass
    entries = additions([], [
        ("x/result.json", result.sha256, document), ("y", "0" * 64, other.document)])
    history_document(entries)
    plain(history_sections(entries))
    for table in ("parameters", "derived", "shots", "readings", "poses", "stands", "covariance"):
        getattr(result, table)
    assert len(result.numbers) == len(document.parameters)
    if drawn:
        sheet_files(document)
        report_files(document)


def unlike(there, read):
    """Where what was read is not what the standard library finds in the file; None: nowhere.

    A number is no flag and no text; what the file leaves out has a default.
    """
    if isinstance(there, dict) and isinstance(read, dict):
        inner = [(key, value, read.get(key)) for key, value in there.items()]
    elif isinstance(there, list) and isinstance(read, list) and len(there) == len(read):
        inner = [(k, *pair) for k, pair in enumerate(zip(there, read, strict=True))]
    else:
        numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (there, read))
        same = float(there) == float(read) if numbers else \
            type(there) is type(read) and there == read
        return None if same else f" {there!r} read as {read!r}"
    return next((f"{key}.{found}" for key, one, other in inner
                 if (found := unlike(one, other)) is not None), None)


def tried(document, where, other, file, rng, drawn=False):
    """Change, read and use; "refused" or "used", and where it was changed."""
    changed, told = damaged(document, where, rng)
    file.write_text(json.dumps(changed), "utf-8")
    try:
        result = load_result(file)
    except InputError as error:
        assert str(error).isprintable() or "\n" in str(error)
        return "refused", told
    changed = unlike(json.loads(file.read_text("utf-8")), result.document.table())
    assert changed is None, changed
    use(result, other, drawn)
    return "used", told
