"""``calib explore``: which effects that the rig leaves out the shots ask for."""

from pathlib import Path

import typer

from calib.chain.effects import effects_of
from calib.console import talk
from calib.document.diagnosed import Figures
from calib.document.explored import Adopted
from calib.explore.effect_search import explore as look
from calib.explore.found import Exploration
from calib.judge.mend import figures
from calib.report.pages.explored import explored_document, explored_text
from calib.report.words.effect import untold_says
from calib.run.adopted import with_effects_listed
from calib.run.complaints import Complaint, Findings, InputError, quote
from calib.run.export import corrected_files
from calib.run.folder import RIG, read_run
from calib.run.records import Run
from calib.run.text import decode, split_lines
from calib.run.write import refuse_filled, write_new_folder


def explore(run: Path, free: str | None, copy: Path | None, json: bool) -> None:
    """Say which effects a run asks for, and write a copy that has them."""
    names = [name.strip() for name in free.split(",")] if free is not None else []
    if copy is not None and not names:
        raise typer.BadParameter("--copy is for what --free takes into the rig")
    folder = copy or _beside(run, names)
    if names:
        if (folder / "rig.toml").is_file():  # there already: this is refused, the copy goes on
            talk.follow("solve", folder)
        refuse_filled(folder)
    data = read_run(run)
    talk.tell_all(data.notices)
    if names:
        _refuse_unknown(data, names)
    with talk.working("Trying what bends, slips or runs out of true"):
        found = look(data)
    if names:
        _refuse_untold(found, names)
    adopted = _adopt(data, found, names, folder) if names else None
    document = explored_document(found, [_next(run, found, adopted)], adopted)
    talk.answer(document, explored_text(document), json)
    talk.follow_line(document.next[0])
    if adopted is None and (document.asked or document.mistake or not document.fits):
        raise typer.Exit(talk.GATE_FAILED)


def _beside(run: Path, names: list[str]) -> Path:
    name = run.resolve()
    return name.with_name("-with-".join([name.name, *names]))


def _refuse_unknown(data: Run, names: list[str]):
    """Complain of names that are none of an effect which the rig has not yet."""
    offered = [name for name, e in effects_of(data.rig.definition).items() if not e.there]
    wrong = [name for name in names if name not in offered]
    if wrong:
        raise InputError([Complaint("--free", None, None, quote(name),
                                    f"an effect that the rig leaves out: {', '.join(offered)}")
                          for name in wrong])


def _refuse_untold(found: Exploration, names: list[str]):
    """Complain of effects that the run cannot tell: with them there is no result."""
    wrong = [Complaint("--free", None, None, t.effect.name,
                       f"an effect that this run can tell: {untold_says(t.why)}")
             for t in found.tested if t.effect.name in names and t.why is not None]
    if wrong:
        raise InputError(wrong)


def _adopt(data: Run, found: Exploration, names: list[str], folder: Path) -> Adopted:
    """Write the copy of the run whose rig has the effects."""
    unasked = [n for n in names if n not in found.asked]
    if unasked:
        talk.tell(f"The shots do not ask for {', '.join(unasked)}; taken in as you say.")
    with talk.working(f"Writing {folder}"):
        files = corrected_files(data, data, "")
        text = decode((data.folder / RIG).read_bytes(), RIG, Findings()) or ""
        files[RIG] = with_effects_listed("\n".join(split_lines(text)) + "\n", names)
        write_new_folder(folder, files)
        before = figures(data, found.aside.names)
        after = figures(read_run(folder), found.aside.names)
    return Adopted(folder=str(folder), effects=names, before=Figures.like(before),
                   after=Figures.like(after))


def _next(run: Path, found: Exploration, adopted: Adopted | None) -> str:
    """What to type next."""
    if adopted is not None:
        return talk.command("solve", adopted.folder)
    if not found.tested or (found.rival is not None and found.rival.fact is not None):
        return talk.command("diagnose", run)
    if found.rival is not None or (not found.fits and not found.asked):
        # What diagnose does not know, it sends here: the plots are left.
        return talk.command("report", run / "result")
    if found.asked:
        return talk.command("explore", run, "--free", ",".join(found.asked))
    # What was set aside may be more than single slips.
    return talk.command("diagnose" if found.aside.names else "solve", run)
