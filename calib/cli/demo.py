"""``calib demo``: the shipped run, solved."""

from importlib import resources
from pathlib import Path
from typing import Annotated

import typer

import calib
from calib.cli import talk
from calib.cli.drawing_process import Beside


def demo(
    folder: Annotated[Path, typer.Argument(help="Where the demo run and its results go.")] = Path(
        "calib-demo"
    ),
) -> None:
    """Solve the shipped demo run: invented data, two planted gross errors, six check shots."""
    from calib.cli.solve import draw, rest, solved, write_numbers
    from calib.run.result_folder import result_place

    beside = Beside.running
    result_place(folder / "result")
    _write_run(folder / "run")
    document, place = solved(folder / "run", folder / "result", beside=beside, show=talk.result,
                             to_draw=True)
    talk.result(rest(document))
    talk.result(
        f"All of it is in {folder}. Look first at the suspects: two shots carry errors of several "
        "centimetres that were planted (run/truth.json), then solve without them."
    )
    write_numbers(document, place)
    draw(document, place, folder / "result", beside)
    talk.follow("solve", folder / "run", "--set-aside", "suspects", "--out", folder / "without")


def _write_run(run: Path) -> None:
    """The demo's run in a new folder, or left as it is where it is already; never over another."""
    from calib.run.complaints import Complaint, InputError
    from calib.run.write import write_new_folder

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
