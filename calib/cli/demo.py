"""``calib demo``: the shipped run, solved."""

from importlib import resources
from pathlib import Path

import calib
from calib.cli.solve import drawn
from calib.console import talk
from calib.operations.solved import solved
from calib.run.complaints import Complaint, InputError
from calib.run.result_folder import result_place
from calib.run.write import write_new_folder


def demo(folder: Path) -> None:
    """Solve the shipped run in a folder."""
    result_place(folder / "result")
    _write_run(folder / "run")
    document, place = solved(folder / "run", folder / "result", show=talk.result, to_draw=True)
    from calib.operations.judged import rest  # which `solved` has loaded
    from calib.operations.result_files import write_numbers

    talk.result(rest(document))
    talk.result(
        f"All of it is in {folder}. Look first at the suspects: two shots carry errors of several "
        "centimetres that were planted (run/truth.json), then solve without them."
    )
    write_numbers(document, place)
    drawn(document, place, folder / "result")
    talk.follow("solve", folder / "run", "--set-aside", "suspects", "--out", folder / "without")


def _write_run(run: Path) -> None:
    """The demo's run in a new folder, or left as it is where it is already; never over another."""
    files = demo_files()
    changed = [name for name in files if (run / name).exists()
               and (run / name).read_bytes() != files[name]]
    if changed:
        raise InputError([Complaint(str(run / name), None, None, "a file that is not the demo's",
                                    "a folder for the demo of its own: nothing is written over")
                          for name in changed])
    if not all((run / name).exists() for name in files):
        write_new_folder(run, files)


def demo_files() -> dict[str, bytes]:
    """The demo's run folder as shipped."""
    shipped = resources.files("calib") / "_data" / "demo"
    if not shipped.is_dir():  # a checkout, not an installed wheel
        shipped = Path(calib.__file__).parent.parent / "data" / "demo"
    return {file.name: file.read_bytes() for file in shipped.iterdir() if file.is_file()}
