"""A small sound run folder, as text that tests can damage."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from calib.run.complaints import InputError
from calib.run.folder import read_run
from calib.run.records import Run

RIG = """\
template = "tilt_rotator"

[shots]
sd = { east = 0.002, north = 0.002, up = 0.003 }   # m

[readings.sd]          # deg
house_pitch = 0.03
house_roll = 0.03
boom = 0.05
stick = 0.05
coupler = 0.05
tilt = 0.06
rotate = 0.10
"""
TAPE = """\
quantity,value,sd,unit
boom_length,5702,5,mm
edge_width,4.92,0.02,ft
tilt_zero,-1.5,0.3,deg
pin_to_edge,1.61,0.01,m
"""


def _rows():
    """Ten poses on one stand, both corners in each, and one for a check shot.

    The numbers are drawn at random: they fit no machine.
    """
    rng = np.random.default_rng(11)
    readings = ["pose,stand,house_pitch,house_roll,boom,stick,coupler,tilt,rotate"]
    shots = ["shot,pose,target,east,north,up"]
    for i in range(11):
        angles = ",".join(f"{v:.2f}" for v in rng.uniform(-30, 30, 7))
        readings.append(f"{i:03d},here,{angles}")
        if i == 10:
            break
        for target in ("edge_left", "edge_right"):
            east, north, up = rng.uniform([5000, 1000, 40], [5005, 1005, 43])
            shots.append(f"{i:03d}-{target},{i:03d},{target},{east:.4f},{north:.4f},{up:.4f}")
    check = ["shot,pose,target,east,north,up", "c1,010,edge_mid,5001.5,1002.5,41.5"]
    return tuple("\n".join(lines) + "\n" for lines in (readings, shots, check))


@dataclass
class Folder:
    """A run folder whose files are set as text or bytes; None removes one."""

    path: Path
    files: dict[str, bytes] = field(default_factory=dict)

    def __getitem__(self, name: str) -> str:
        return self.files[name].decode()

    def __setitem__(self, name: str, content: str | bytes | None):
        self.files.pop(name, None)
        (self.path / name).unlink(missing_ok=True)
        if content is not None:
            self.files[name] = content if isinstance(content, bytes) else content.encode()
            (self.path / name).write_bytes(self.files[name])

    def change(self, name: str, old: str, new: str, count: int = 1) -> None:
        """Replace text that must be there."""
        assert old in self[name], f"{old!r} is not in {name}"
        self[name] = self[name].replace(old, new, count)

    def append(self, name: str, line: str) -> None:
        self[name] = self[name] + line + "\n"

    def read(self) -> Run:
        return read_run(self.path)

    def complaints(self) -> list[str]:
        """Every complaint, in words."""
        with pytest.raises(InputError) as caught:
            read_run(self.path)
        lines = str(caught.value).split("\n")
        assert lines == [str(c) for c in caught.value.complaints]
        return lines


def fill(path: Path) -> Folder:
    """A sound run folder at `path`."""
    path.mkdir()
    folder = Folder(path)
    readings, shots, check = _rows()
    for name, text in (("rig.toml", RIG), ("readings.csv", readings), ("shots.csv", shots),
                       ("tape.csv", TAPE), ("check.csv", check)):
        folder[name] = text
    return folder


@pytest.fixture
def folder(tmp_path) -> Folder:
    """A sound run folder."""
    return fill(tmp_path / "run")
