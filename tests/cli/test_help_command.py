"""calib help explains every word that people meet."""

import ast
import re
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules
from typing import Literal, get_args, get_origin

import pytest

import calib
import calib.document
from calib.document.record import Decision
from calib.fleet.row import STATES
from calib.judge import gates
from calib.report.words import requirement, yard
from calib.report.words.effect import VERDICTS
from calib.report.words.glossary import explained, words

REPORT = Path(calib.__file__).parent / "report"

#: Headings that say nothing by themselves.
_NOT_WORDS = {""}


def headings():
    """The text of every column of every table that is made anywhere below report/."""
    found = set()
    for path in REPORT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                part = {"Table": node.args[1:2], "add_column": node.args[:1]}.get(name, [])
            elif isinstance(node, ast.For) and getattr(node.target, "id", "") == "heading":
                part = [node.iter]
            else:
                continue
            found |= {(c.value.strip(), path.name) for top in part for c in ast.walk(top)
                      if isinstance(c, ast.Constant) and isinstance(c.value, str)}
    return sorted((h, file) for h, file in found
                  if h not in _NOT_WORDS and not re.fullmatch(r"mm|95 %", h))


def test_there_are_headings():
    """The search below finds them."""
    assert len(headings()) > 90


@pytest.mark.parametrize(("heading", "file"), headings())
def test_every_heading_is_explained(heading, file):
    """A heading may be several words, such as "quantity, and what positive means"."""
    assert explained(heading) or explained(heading.partition(",")[0]), (heading, file)


@pytest.mark.parametrize("term", [
    *(value for name, value in vars(gates).items() if name.isupper() and isinstance(value, str)),
    "gate", "held", "stand", "pull", "w", "redundancy", "estimated", "tape only", "suspect",
    "flagged", "set aside", "run", "rig", "shot", "reading", "pose", "tape", "target", "plan",
    "variance factor", "minimal detectable bias"])
def test_gates_statuses_and_words_of_the_trade(term):
    assert explained(term), term


def verdicts():
    """The words that say how something came out, from where they are kept.

    Fields of the documents that are one of a few words; the states of shots, effects and fleets;
    the answers; and the marks of the pages' lists, ``(MARK, words(...))``.
    """
    documents = (import_module(f"calib.document.{m.name}")
                 for m in iter_modules(calib.document.__path__))
    fields = (field for module in documents for kind in vars(module).values()
              for name, field in getattr(kind, "model_fields", {}).items()
              if name in ("status", "mark", "verdict"))
    found = {word for field in fields if get_origin(field.annotation) is Literal
             for word in get_args(field.annotation)}
    found |= {*map(str, Decision), *STATES, *VERDICTS.values(), *yard.SIGNS, requirement.YES,
              requirement.NO, requirement.OPEN, requirement.NOT_YET}
    for path in REPORT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            match node:
                case ast.Tuple(elts=[mark, ast.Call(func=ast.Name("words"))]):
                    found |= {c.value.partition(" (")[0].strip(" ,)") for c in ast.walk(mark)
                              if isinstance(c, ast.Constant) and isinstance(c.value, str)}
    return sorted(found - {""})


def test_there_are_verdicts():
    """The search finds those of confirm, of lists, of shots, and of a result."""
    assert len(verdicts()) > 50
    assert {"agrees", "not proven", "FAILED", "suspect", "does not fit", "not yet",
            "more than chance"} <= set(verdicts())


@pytest.mark.parametrize("word", verdicts())
def test_every_verdict_is_explained(word):
    assert explained(word), word


@pytest.mark.parametrize(("term", "told"), [
    ("taped set-up", "tape.csv"), ("not proven", "poses"), ("enter", "calib sheet"),
    ("explained", "share"), ("misclosure", "measured less computed"), ("held out", "left out")])
def test_a_word_is_explained_as_itself(term, told):
    """Not by a word that is only in it."""
    word = explained(term)
    assert told in f"{word.means} {word.do}", word


def test_every_word_says_what_to_do():
    """Short sentences, no word twice."""
    every = [n.casefold() for w in words() for n in (w.name, *w.also)]
    assert len(every) == len(set(every)), sorted(n for n in every if every.count(n) > 1)
    for w in words():
        assert w.means.endswith(".") and w.do.endswith("."), w.name


def test_a_word(calib_command):
    status, out, _ = calib_command("help", "variance", "factor")
    assert status == 0 and out.startswith("variance factor\n") and "What to do:" in out
    assert calib_command("help", "Standardised residual")[1].startswith("Standardised residual: w")


def test_words_of_a_phrase_and_commands(calib_command):
    """Each that is known; a command says how it is called."""
    status, out, _ = calib_command("help", "taped", "edge", "error")
    assert status == 0 and out.startswith("taped: tape\n") and "\nedge\n" in out
    status, out, err = calib_command("help", "solve")
    assert status == 0 and "calib solve --help" in out and err.endswith("calib solve --help\n")


def test_all_words(calib_command):
    status, out, _ = calib_command("help")
    assert status == 0 and all(w.means in out for w in words())


def test_an_unknown_word(calib_command):
    """The nearest ones, and wrong usage."""
    status, out, err = calib_command("help", "redundansy")
    assert status == 2 and not out and "redundancy" in err
    assert "Near it" not in calib_command("help", "xyzzyq")[2]
