"""What an earlier result says of the machine of a run."""

from dataclasses import replace
from pathlib import Path

from calib.chain.rig import Rig
from calib.report.words.model import known_says
from calib.results import load_result
from calib.run.complaints import Complaint, InputError
from calib.run.records import Machine, Run
from calib.together.earlier import known_of, with_machine
from calib.together.joint import NotTogether


def run_with_machine(run: Run, result: Path) -> Run:
    """A run with what an earlier result says of its machine.

    Raises
    ------
    InputError
        If that result is of another machine, or of the same shots.
    """
    known = _with_result(with_machine, run, result)
    says = known_says(known.machine, known.unused.quantities)
    return replace(known, notices=(*run.notices, *says))


def machine_for(rig: Rig, result: Path) -> Machine:
    """What an earlier result says of the machine of a rig, before anything is shot.

    Raises
    ------
    InputError
        If that result is of another machine.
    """
    return _with_result(known_of, rig, result)


def _with_result(known, about, result):
    """What a result says of a machine; complains if it is of another one."""
    read = load_result(result)
    try:
        return known(about, read.survey, str(result), read.sha256)
    except NotTogether as error:
        raise InputError([Complaint(where, None, None, found, expected)
                          for where, found, expected in error.problems]) from None
