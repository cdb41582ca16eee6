"""Field files in, a proposal out: what each file is, and how its numbers are to be read.

Nothing is asked and nothing printed here: a command line or a page shows the proposal, takes the
answers with `answered`, and gives what is settled to `calib.intake.gather`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.chain.rig import Rig
from calib.intake.choices import Alternative, Choice
from calib.intake.declaration import Declaration, declare
from calib.intake.proposal.coordinates import coordinate_choices, order_choice
from calib.intake.proposal.field_rows import read_rows
from calib.intake.proposal.instrument import observed_choices
from calib.intake.proposal.looks import ROLES, look_at
from calib.intake.proposal.points_named import naming_choices, naming_in_words
from calib.intake.proposal.timed import reading_choices, time_choices
from calib.intake.request import Request, rig_of
from calib.run.complaints import Findings
from calib.run.tape import read_tape
from calib.run.text import decode

_OPTIONS = {"log": "--log", "sheet": "--sheet", "booking": "--booking", "known": "--known",
            "setups": "--setups"}


@dataclass(frozen=True)
class Proposal:
    """What files seem to be."""

    roles: dict[Path, str]  #: One of `looks.ROLES` for each file.
    declared: Declaration  #: What was declared, and of every choice what is proposed.
    choices: tuple[Choice, ...]  #: What was not declared: told by the files, or doubtful.
    gives: tuple[str, ...]  #: What comes out, in about three lines.
    beside: Path | None = None  #: The file with shots that has the readings too.

    @property
    def doubtful(self) -> tuple[Choice, ...]:
        return tuple(c for c in self.choices if not c.sure)

    def request(self, into: Path, **more: Any) -> Request:
        """What to ask of `calib.intake.gather.gather_import`; `more` are its other fields."""
        of = {role: [p for p, r in self.roles.items() if r == role] for role in ROLES}
        single = {role: of[role][0] for role in _OPTIONS if of[role]}
        if self.beside is not None:
            single["sheet"] = self.beside
        return Request(points=tuple(of["points"] + of["pointings"]), into=into,
                       declared=self.declared, **{**single, **more})


def propose(
    paths: Sequence[Path], rig: Rig, declared: Declaration | None = None,
    roles: Mapping[Path, str] | None = None, taped_width: float | None = None,
) -> Proposal:
    """What the files seem to be, on top of what is declared already.

    Parameters
    ----------
    paths : sequence of Path
        In any order: shots, known points, log, sheet, booking.
    rig : Rig
        Its targets and readings.
    roles : mapping, optional
        The part of files that a person has told.
    taped_width : float, optional
        The width of the edge as taped, m: tells the unit of coordinates.

    Raises
    ------
    OSError
        If a file cannot be read.
    InputError
        If a file at first sight cannot be read as what it is.
    """
    declared = declared or Declaration()
    looks = [look_at(path, rig.reading_names, declared.log.readings) for path in paths]
    settled, choices = _roles(looks, dict(roles or {}), declared)
    by_role = {role: [look for look in looks if settled.get(look.path) == role] for role in ROLES}
    shots = by_role["points"] + by_role["pointings"]
    both = [look for look in shots if look.beside and not by_role["sheet"] + by_role["log"]]
    by_role["sheet"] += both
    choices += _which(looks, shots, both)
    if any(not choice.sure for choice in choices):
        return Proposal(settled, declared, tuple(choices), ())
    for of_files in (order_choice, observed_choices):
        found = of_files(by_role, declared)
        choices += found
        declared = _with(declared, found)
    if any(not c.sure and "angles" in c.alternatives[0].declares for c in choices):
        return Proposal(settled, declared, tuple(choices), ())
    rows = read_rows(by_role, declared)
    # Each with what those before it propose.
    for make in (
        lambda so_far: naming_choices(rows, by_role, rig, so_far),
        lambda so_far: coordinate_choices(rows, by_role, rig, so_far, taped_width),
        lambda so_far: reading_choices(by_role, rig, so_far),
        lambda so_far: time_choices(rows, by_role, so_far),
    ):
        found = make(declared)
        choices += found
        declared = _with(declared, found)
    return Proposal(settled, declared, tuple(choices), _gives(rows, declared, by_role),
                    both[0].path if both else None)


def begun_run(into: Path, cautions: Sequence[str]) -> tuple[Rig, float | None]:
    """The rig of a run folder, or that of a new one; and the taped width of its edge, m.

    Raises
    ------
    InputError
        If rig.toml is at fault.
    """
    rig = rig_of(into, cautions, Findings())[0]
    path, unheard = into / "tape.csv", Findings()
    if not path.is_file():
        return rig, None
    text = decode(path.read_bytes(), path.name, unheard)
    tape = read_tape(text, path.name, rig, unheard) if text is not None else None
    if tape is None or "edge_width" not in tape.quantities or unheard.complaints:
        return rig, None
    return rig, float(tape.value[tape.quantities.index("edge_width")])


def needs_proposal(
    paths: Sequence[Path], roles: Mapping[Path, str], rig: Rig, declared: Declaration
) -> bool:
    """Whether something is left to propose: a declaration, the naming, the part of a file."""
    if declared.lacks():
        return True
    looks = [look_at(path, rig.reading_names, declared.log.readings)
             for path in paths if path.is_file()]
    if any(look.beside or look.role not in ("points", "pointings", "") for look in looks):
        return True
    named = declared.ids is not None or "booking" in roles.values() or all(
        {"pose", "target"} <= set(look.meant) for look in looks)
    return not named


def answered(declared: Declaration, choice: Choice, answer: Alternative | str) -> Declaration:
    """The declaration with an answer to a choice.

    Raises
    ------
    calib.intake.declaration.DeclarationError
        If a typed answer cannot be used.
    """
    given = choice.answered(answer) if isinstance(answer, str) else answer.declares
    return declare(dict(given), declared)


def _with(declared, choices):
    for choice in choices:
        if choice.alternatives:
            declared = answered(declared, choice, choice.alternatives[0])
    return declared


def _roles(looks, told, declared):
    """The part of every file; a doubtful choice for each that cannot be told."""
    roles, choices = {}, []
    raw = any(look.role == "pointings" for look in looks)
    for look in looks:
        # A sheet with shots in the same rows is both.
        role = look.role if look.beside else told.get(look.path) or look.role
        if look.path not in told and role in ("", "points"):
            # What a header does not tell, the declared order does.
            if declared.order is not None and not look.meant:
                role = "pointings" if declared.angles else "points"
            elif raw and role:
                role = "known"
        roles[look.path] = role
        if not role:
            choices.append(Choice(
                f"what {look.path.name} is", tuple(
                    Alternative(says, {"role": name}, f"{_OPTIONS[name]} {look.path}"
                                if name in _OPTIONS else "")
                    for name, says in sorted(ROLES.items(), key=_unlike(look))),
                why="its first lines name no columns known here", file=look.path))
    for role in _OPTIONS:
        files = [path.name for path, r in roles.items() if r == role]
        if len(files) > 1:
            choices.append(Choice(f"which of {', '.join(files)} is {ROLES[role]}",
                                  why="there can be one", option=_OPTIONS[role]))
    return roles, choices


def _which(looks, shots, both):
    """Doubt of which file holds the shots, and which the readings."""
    sideways = next((look.path.name for look in looks if look.sideways), None)
    if sideways is not None:
        return [Choice(f"what {sideways} is", why="its readings stand in rows: turn it, so that "
                       "each reading has a column and each pose a row, with a column pose")]
    wide = next((look.path.name for look in looks if look.wide), None)
    names = ", ".join(look.path.name for look in looks)
    if not shots:
        return [Choice("which file holds the shots", why=f"none of {names} seems to"
                       if wide is None else f"{wide} has several points in a row: make it a row "
                       "for each point, with columns pose, target, east, north, up; the readings "
                       "may stay in the rows")]
    return [] if len(both) < 2 else [Choice(
        f"which of {', '.join(look.path.name for look in both)} has the readings",
        why="there can be one file of them: put their rows into one", option="--sheet FILE")]


def _unlike(look):
    """How little a part of an import fits a file that nothing tells of, to sort by: shots last."""
    has = {"log": {"time", "date"}, "setups": {"setup"}, "sheet": {"pose"}, "known": {"point"},
           "booking": {"target"}}
    first = {"log": "log", "setups": "stat", "known": "fix", "booking": "book"}
    return lambda role: (first.get(role[0], role[0]) not in look.path.name.casefold(),
                         not has.get(role[0], set()) & set(look.meant),
                         role[0] in ("points", "pointings"))


def _gives(rows, declared, by_role):
    """What comes out, in lines."""
    read = filter(None, [f"{len(rows.ids)} rows", rows.understood])
    lines = [f"{', '.join(rows.files)}: {'; '.join(read)}"]
    lines += [f"{look.path.name}: the readings of each pose stand in the same rows, in columns "
              + ", ".join(look.beside) for look in by_role["sheet"] if look.beside]
    lines += naming_in_words(rows, declared)
    for role in ("log", "sheet", "known", "setups", "booking"):
        lines += [f"{look.path.name}: {ROLES[role]}"
                  + (f"; columns {', '.join(look.header)}" if role in ("log", "sheet") else "")
                  for look in by_role[role] if not look.beside]
    return tuple(lines)
