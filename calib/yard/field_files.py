"""Files from the field on the page: taken in, proposed, asked about, and written as a run."""

import tempfile
import threading
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

from calib.intake.declaration import (
    PROFILE,
    Declaration,
    DeclarationError,
    profile_toml,
    read_profile,
)
from calib.intake.gather import gather_import
from calib.intake.preview import preview
from calib.intake.proposal.propose import Proposal, answered, begun_run, propose
from calib.report.words.cautions import CAUTIONS
from calib.run.complaints import Complaint, Findings, InputError, quote
from calib.run.write import free_path, write_whole

#: So many files at once, and their endings: nothing else of a name reaches the disk.
MOST, ENDINGS = 12, (".csv", ".txt", ".xml", ".toml", ".json", ".dat")


def kept_declaration(folder: Path) -> Declaration:
    """What was declared of the run's files in an earlier import."""
    path = folder / PROFILE
    return read_profile(path.read_bytes(), PROFILE) if path.is_file() else Declaration()


@dataclass
class FieldFiles:
    """The files of one import while it is being settled."""

    folder: Path
    declared: Declaration = field(default_factory=Declaration)
    roles: dict[Path, str] = field(default_factory=dict)
    paths: list[Path] = field(default_factory=list)
    _place: tempfile.TemporaryDirectory[str] | None = None
    _collected: tempfile.TemporaryDirectory[str] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self, name: str, data: bytes) -> list[str]:
        """Keep the content of a file under a name made of plain letters; all names so far."""
        with self._lock:
            if self._place is None:
                self._place = tempfile.TemporaryDirectory(prefix="calib-yard-")
                self.declared, self.roles, self.paths = kept_declaration(self.folder), {}, []
            if len(self.paths) >= MOST:
                raise InputError.of(quote(name), f"more than {MOST} files", "the files of one run")
            if all(p.read_bytes() != data for p in self.paths):
                path = free_path(Path(self._place.name) / _plain(name))
                path.write_bytes(data)
                self.paths.append(path)
            return [p.name for p in self.paths]

    def keep(self, name: str, data: bytes) -> Path:
        """Keep the content of a collector's file for as long as the page is served."""
        with self._lock:
            if self._collected is None:
                self._collected = tempfile.TemporaryDirectory(prefix="calib-yard-")
            path = Path(self._collected.name) / _plain(name)
            path.write_bytes(data if data.endswith((b"\n", b">")) else data + b"\n")
        return path

    def forget(self) -> None:
        """Let the files go."""
        with self._lock:
            if self._place is not None:
                self._place.cleanup()
            self._place, self.paths, self.roles = None, [], {}

    def proposal(self) -> Proposal:
        """What the files seem to be, with what was answered.

        Raises
        ------
        InputError
        """
        if not self.paths:
            raise InputError.of("import", "no files", "files of the field")
        rig, taped_width = begun_run(self.folder, CAUTIONS)
        return propose(self.paths, rig, self.declared, self.roles, taped_width)

    def answer(self, about: str, number: int | None, typed: str) -> None:
        """Take the answer to a question of the proposal: one of its alternatives, or typed.

        Raises
        ------
        InputError
            If nobody asked that, or it cannot be used.
        """
        choice = next((c for c in self.proposal().choices if c.about == about), None)
        if choice is None or (number is not None and not 0 <= number < len(choice.alternatives)):
            raise InputError.of("import", quote(about), "a question that is open")
        if number is not None and choice.file is not None:
            self.roles[choice.file] = str(choice.alternatives[number].declares["role"])
            return
        try:
            given = typed if number is None else choice.alternatives[number]
            self.declared = answered(self.declared, choice, given)
        except DeclarationError as error:
            raise InputError([Complaint("import", None, None, quote(typed), problem)
                              for problem in error.problems]) from None

    def write(self, replace: bool) -> str:
        """Write the run folder's files, and what was settled for the next time; what came in.

        Raises
        ------
        InputError
            With every complaint; nothing is written then.
        """
        proposal = self.proposal()
        doubts = [Complaint("import", None, None, f"no certainty about {c.about}", c.why)
                  for c in proposal.doubtful]
        if doubts:
            raise InputError(doubts)
        findings = Findings()
        imported = gather_import(
            proposal.request(self.folder, replace=replace, cautions=CAUTIONS), findings)
        write_whole(self.folder, {**imported.files(), PROFILE: profile_toml(proposal.declared)})
        said = [preview(imported), *map(str, findings.notices), *imported.left_open]
        self.forget()
        return "\n".join(said)


def proposal_view(proposal: Proposal) -> dict[str, Any]:
    """A proposal as the page takes it."""
    return {
        "files": {path.name: role for path, role in proposal.roles.items()},
        "choices": [{
            "about": c.about, "why": c.why, "sure": c.sure, "typed": bool(c.typed),
            "alternatives": [a.says for a in c.alternatives],
        } for c in proposal.choices],
        "gives": list(proposal.gives),
        "doubtful": len(proposal.doubtful),
    }


def _plain(name: str) -> str:
    """A name of plain letters that says which file it is."""
    pure = PurePath(PurePath(name.replace("\\", "/")).name)
    kept = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in pure.stem)[:40]
    ending = pure.suffix.casefold()
    return (kept or "file") + (ending if ending in ENDINGS else ".txt")
