"""``calib help``: what a word of a result, sheet or report means, and what to do about it."""

import typer

from calib.console import talk
from calib.report.words.glossary import explained, nearest_words, words


def help_(word: list[str] | None) -> None:
    """Explain words."""
    from calib.cli.app import COMMANDS  # which imports the module of a command, this one too

    if not word:
        width = max(len(w.name) for w in words())
        talk.result("\n".join(f"{w.name:{width}}  {w.means}" for w in
                              sorted(words(), key=lambda w: w.name.casefold())))
        talk.follow("help", words()[0].name)
        return
    asked = " ".join(word)
    found = explained(asked)
    if found is None and asked in COMMANDS:
        talk.result(f"{asked}: a command.\n  {COMMANDS[asked]}\n  What to do: calib {asked} "
                    "--help says how to type it.")
        talk.follow(asked, "--help")
        return
    said = {asked: found} if found else {part: known for part in word if (known := explained(part))}
    if not said:
        near = nearest_words(asked)
        hint = f" Near it: {', '.join(near)}." if near else ""
        raise typer.BadParameter(f"there is no word {asked!r}.{hint} calib help lists all; a "
                                 "command explains itself with --help", param_hint="WORD")
    talk.follow("--help")
    talk.result("\n".join(_told(part, known) for part, known in said.items()))


def _told(asked, word):
    name = word.name if word.name.casefold() == asked.casefold() else f"{asked}: {word.name}"
    return f"{name}\n  {word.means}\n  What to do: {word.do}"
