"""The run folder that an import goes into, as far as it is begun; whether anything is left open."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from calib.chain.rig import Rig
from calib.intake.declaration import Declaration
from calib.intake.gather import rig_of
from calib.intake.proposal.looks import look_at
from calib.run.complaints import Findings
from calib.run.tape import read_tape
from calib.run.text import decode


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
