"""What a person asked of an import; its small files, and the rig that it is for."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.chain.rig import Rig
from calib.intake.declaration import Declaration
from calib.run.blank import blank_files
from calib.run.complaints import Findings
from calib.run.folder import rig_from_text
from calib.run.text import decode, ordinary

_LARGEST = 50_000_000


@dataclass(frozen=True)
class Request:
    """What a person asked for."""

    #: points, check: Files with shots, and with check shots.
    points: tuple[Path, ...]
    into: Path  #: The run folder.
    declared: Declaration
    check: tuple[Path, ...] = ()
    booking: Path | None = None
    sheet: Path | None = None
    log: Path | None = None
    #: Points of a target followed while the machine moved, to estimate the clock offset with.
    track: Path | None = None
    known: Path | None = None
    setups: Path | None = None
    replace: bool = False  #: Whether rows that the run folder holds already may be replaced.
    cautions: tuple[str, ...] = ()  #: For the head of a rig.toml written anew.


def read_small(path: Path | None, findings: Findings, reader: Callable[..., Any], *more: Any
               ) -> Any:
    """The content of a small file through its reader; None without one or after a complaint."""
    if path is None:
        return None
    try:
        if path.stat().st_size > _LARGEST:
            findings.complain(path.name, None, None, f"{path.stat().st_size / 1e6:,.0f} MB",
                              f"at most {_LARGEST / 1e6:,.0f} MB (only a log may be larger)")
            return None
        data = ordinary(path).read_bytes()
    except OSError as error:
        findings.complain(str(path), None, None, (error.strerror or str(error)).lower(),
                          "a file that you may read")
        return None
    return reader(data, path.name, *more)


def rig_of(into: Path, cautions: Sequence[str], findings: Findings) -> tuple[Rig, str | None]:
    """The rig of a run folder, or that of the standard template's blank and its text.

    Raises
    ------
    InputError
        If rig.toml is at fault.
    """
    path = into / "rig.toml"
    if path.is_file():
        text = read_small(path, findings, decode, findings)
        findings.stop_if_at_fault()
        return rig_from_text(text), None
    blank = blank_files(cautions)["rig.toml"]
    return rig_from_text(blank), blank


def lines_of(path: Path) -> list[str]:
    """The lines of a file that say something: header and rows."""
    if not path.is_file():
        return []
    text = path.read_bytes().decode("utf-8-sig", "replace")
    lines = (line.strip() for line in text.splitlines())
    return [line for line in lines if line and not line.startswith("#")]
