"""``calib import``: exported field files in, a run folder out."""

import re
import shlex
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import typer

from calib.cli import asking
from calib.cli.import_options import as_options, stated
from calib.console import talk
from calib.intake.choices import NO_TARGET, Doubtful
from calib.intake.declaration import (
    PROFILE,
    DeclarationError,
    declare,
    profile_toml,
    read_profile,
)
from calib.intake.gather import WRITTEN, gather_import
from calib.intake.preview import document, plan_png, preview
from calib.intake.proposal.propose import answered, begun_run, needs_proposal, propose
from calib.intake.request import Request
from calib.report.words.cautions import CAUTIONS
from calib.run.complaints import Findings, InputError, told_once
from calib.run.text import ordinary
from calib.run.write import free_path, write_whole

_PACKED = (".xlsx", ".xls", ".ods", ".zip")
"""Endings of files that must be saved as CSV first."""

_TO_FILL_IN = re.compile(r"\b(?:FACTOR|FILE|HEADING|NAME|SECONDS|TARGET|VALUE|WORD|ZONE)\b")
"""In an option: what stands for what a person knows."""

_ROLES = ("booking", "known", "setups", "log", "sheet")


def import_(**given: Any) -> None:
    """Read field files, settle what is doubtful of them, write the run folder."""
    options = SimpleNamespace(**given)
    options.into = options.into or Path("." if Path("rig.toml").is_file() else "run")
    options.plan = (options.plan or Path("import_plan.png")) if options.dry_run else None
    request, proposed = _request(options)
    while True:
        findings = Findings()
        try:
            with talk.working("Reading the field files"):
                imported = gather_import(request, findings)
            break
        except Doubtful as error:
            if not _can_ask(error.choices, options):
                _follow_with(request.declared, {}, options, error.choices)
                raise
            talk.tell_all(told_once(error.complaints))
            answer = _asked(error.choices[0], request.declared, {}, back=False)
            request = replace(request, declared=answer[0])
            _follow_with(request.declared, {}, options)
        except InputError as error:
            _follow_elsewhere(options.into, {Path(c.file) for c in error.complaints})
            raise
        finally:
            talk.tell_all(told_once(findings.notices))
    talk.answer(document(imported, findings.notices), preview(imported), options.json)
    if proposed and not options.dry_run and not options.yes and asking.somebody_answers() \
            and not asking.agreed(f"Write the run folder {options.into}?"):
        talk.tell("Nothing was written.")
        raise typer.Exit(talk.INPUT)
    _write(options, request.declared, imported, proposed)


def _request(options):
    """What to import, and whether some of it was proposed; wrong usage is told."""
    declared = _declared(options)
    _refuse_other_files(options)
    if options.log is not None and options.sheet is not None:
        raise typer.BadParameter("readings come from --log or from --sheet, not from both")
    if options.track is not None and (declared.log.clock_offset != "estimate" or declared.angles):
        raise typer.BadParameter("--track goes with --clock-offset estimate, and with point files")
    roles = {getattr(options, role): role for role in _ROLES if getattr(options, role) is not None}
    more = {"check": tuple(options.check or ()), "track": options.track,
            "replace": options.replace, "cautions": CAUTIONS}
    rig, taped_width = begun_run(options.into, CAUTIONS)
    paths = list(options.points)
    packed = {str(path) for path in paths if path.suffix.casefold() in _PACKED}
    if packed:
        talk.follow(*(str(Path(word).with_suffix(".csv")) if word in packed else word
                      for word in sys.argv[1:]))
    if not needs_proposal(paths, roles, rig, declared):
        files = {role: path for path, role in roles.items()}
        return Request(points=tuple(paths), into=options.into, declared=declared, **files,
                       **more), False
    proposal = _settled(paths, rig, declared, roles, taped_width, options)
    return proposal.request(options.into, **more), True


def _settled(paths, rig, declared, roles, taped_width, options):
    """A proposal without doubt: a person is asked, or what is doubtful is complained of."""
    before: list[tuple[Any, Any]] = []
    while True:
        proposal = propose(list(dict.fromkeys([*paths, *roles])), rig, declared, roles, taped_width)
        lacking = proposal.declared.lacks() if not proposal.doubtful else []
        if lacking:
            raise typer.BadParameter("some things must be said first:\n"
                                     + "\n".join(f"- {sentence}" for sentence in lacking))
        if not proposal.doubtful:
            break
        if not _can_ask(proposal.doubtful, options):
            _tell(proposal)
            _follow_with(declared, roles, options, proposal.doubtful)
            raise Doubtful(proposal.doubtful, ", ".join(path.name for path in paths))
        try:
            answer = _asked(proposal.doubtful[0], declared, roles, back=bool(before))
            before.append((declared, roles))
            declared, roles = answer
        except asking.Back:
            declared, roles = before.pop()
        _follow_with(declared, roles, options)
    _tell(proposal)
    return proposal


def _can_ask(choices, options):
    """Whether somebody answers, and an answer here can settle the first of them."""
    if not options.yes and not asking.somebody_answers():
        talk.tell("Nobody can be asked here: it takes a terminal for input and messages, a pipe "
                  "does not do. What would be asked is below, with the options that answer it.")
        return False
    return not options.yes and bool(choices[0].alternatives or choices[0].typed)


def _asked(choice, declared, roles, back):
    """The declaration and the parts of files with one answer more."""
    question = f"\n{choice.question} {choice.why}"
    if choice.alternatives:
        shown = sorted(choice.alternatives, key=lambda a: (a.says == NO_TARGET, a.says)) \
            if "targets" in choice.alternatives[0].declares and "ids" not in \
            choice.alternatives[0].declares else choice.alternatives
        usual = shown.index(choice.alternatives[0]) if choice.unseen else None
        protested = None
        while True:
            number = asking.choose(question, [a.says for a in shown], usual, back)
            chosen, other = shown[number], _named_already(shown[number], declared)
            if other is None or protested == number:
                break
            protested = number
            talk.tell(f'{chosen.says} is what "{other}" was said to be: the same for both? '
                      "Then type it once more.")
        if choice.file is not None:
            return declared, {**roles, choice.file: chosen.declares["role"]}
        return answered(declared, choice, chosen), roles
    def read(text):
        try:
            return answered(declared, choice, text), roles
        except DeclarationError as error:
            raise ValueError("; ".join(error.problems)) from None

    return asking.typed(question, read, back=back)


def _named_already(chosen, declared):
    """Another word that was said to be the same target; None if there is none."""
    targets = {} if "ids" in chosen.declares else chosen.declares.get("targets", {})
    return next((other for word, target in targets.items() if target != "-"
                 for other, same in declared.targets.items() if other != word and same == target),
                None)


def _follow_with(declared, roles, options, choices=()):
    """The next command: all that was settled, and what is proposed of choices."""
    given = {getattr(options, role) for role in _ROLES}
    settled = [word for path, role in roles.items() if role in _ROLES and path not in given
               for word in (f"--{role}", str(path))]
    settled += as_options(declared, _declared(options))
    words = ["calib", *sys.argv[1:], *settled, *(
        word for choice in choices for word in shlex.split(_proposed_option(choice)))]
    # Two choices may propose the same.
    said = [" ".join(words[i:i + 2]) if word.startswith("--") else "" for i, word in
            enumerate(words)]
    again = {j for i, pair in enumerate(said) if pair and pair in said[:i] for j in (i, i + 1)}
    words = [word for i, word in enumerate(words) if i not in again]
    if choices and words == ["calib", *sys.argv[1:]]:
        talk.follow("import", "--help")  # the same again would end the same
        return
    talk.follow_line(shlex.join(words), [
        f"To be filled in below: {', '.join(dict.fromkeys(open_))} of {_proposed_option(choice)} "
        f"({choice.question})" for choice in choices
        if (open_ := _TO_FILL_IN.findall(_proposed_option(choice)))])


def _follow_elsewhere(into, at_fault):
    """Where the run folder has what is written: the same into a new one, which loses nothing."""
    if not {into / name for name in WRITTEN} & at_fault:
        return
    words = shlex.split(talk.following() or talk.command(*sys.argv[1:]))
    new, kept = free_path(into.resolve() if into.name == "" else into), into / PROFILE
    if "--into" in words:
        del words[(at := words.index("--into")):at + 2]
    words = [word for word in words if not word.startswith("--into=")]
    words += ["--into", str(new)]
    if kept.is_file() and "--profile" not in words:
        words += ["--profile", str(kept)]
    talk.follow_line(shlex.join(words), [
        f"{new} gets the standard rig. If {into} has its own, make {new} and copy rig.toml and "
        "tape.csv there first."])


def _proposed_option(choice):
    """The option that says what is proposed, or with a word to be replaced where nothing is."""
    placeholder = choice.option != choice.option.lower() or not choice.alternatives
    option = choice.option if placeholder else choice.alternatives[0].option
    return f"{option} VALUE" if option.startswith("--") and " " not in option else option


def _tell(proposal):
    """What is proposed and what that gives."""
    sure = [f"  {choice.about}: {choice.alternatives[0].says} ({choice.why})"
            for choice in proposal.choices if choice.sure]
    talk.tell_all(["Proposed:", *sure] if sure else [])
    if proposal.gives:
        talk.tell("That gives:")
        talk.tell_all(f"  {line}" for line in proposal.gives)


def _declared(options):
    """What options and profile declare; wrong usage if it does not hold together."""
    profile = options.profile or options.into / PROFILE
    base = read_profile(ordinary(profile).read_bytes(), profile.name) \
        if options.profile or profile.is_file() else None
    try:
        return declare(stated(options), base)
    except DeclarationError as error:
        raise typer.BadParameter("; ".join(error.problems)) from None


def _refuse_other_files(options):
    """A profile, or a picture, goes over a former one, and over no other file."""
    pieces = {options.save_profile: lambda data: read_profile(data, ""),
              options.plan: lambda data: data.index(b"\x89PNG", 0, 4)}
    for path, read in pieces.items():
        try:
            if path is not None and path.exists():
                read(ordinary(path).read_bytes())
        except (InputError, OSError, ValueError):
            raise InputError.of(path, "a file that is something else",
                                "a new file, or one of the same kind: nothing else is written "
                                "over") from None


def _write(options, declared, imported, proposed):
    """Write the run folder, or for a dry run its plan view; and the profile."""
    into = options.into
    if options.dry_run:
        write_whole(options.plan.parent, {options.plan.name: plan_png(imported)})
        talk.tell(f"Dry run: no run folder written. Plan view: {options.plan}")
        talk.follow(*(word for word in sys.argv[1:] if word != "--dry-run"))
    else:
        kept = {PROFILE: profile_toml(declared)} if proposed else {}
        write_whole(into, {**imported.files(), **kept})
        talk.tell(f"Run folder {into} written; where each number came from: "
                  f"{into / 'sources.csv'}")
        talk.tell_all(f"Left open: {sentence}" for sentence in imported.left_open)
        talk.follow("diagnose" if imported.left_open else "solve", into)
        if kept:
            talk.tell(f"What was settled is kept in {into / PROFILE} for the next import")
    if options.save_profile is not None:
        kept = options.save_profile
        write_whole(kept.parent, {kept.name: profile_toml(declared)})
        talk.tell(f"Profile kept in {kept}")
